"""A machine of its own for a test: a real systemd as init over a copy of this one's files, gone with the test.

It is the init of namespaces of its own (unshare(1)): processes, mounts, network, control groups. What is written goes
to memory, over the files of this machine (overlayfs); its clock, kernel and modules cannot be touched. The units in
/etc/systemd/system are those that the test puts there, and what services print goes to one file. The interpreter is
bound to /opt/python, as no service may read one in somebody's home.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from hardware.service_unit import HIDDEN
from tests.pipeline.conftest import wait_until

INIT = Path("/lib/systemd/systemd")
GROUPS = (Path("/sys/fs/cgroup/unified"), Path("/sys/fs/cgroup"))  # where version 2 is, beside version 1 or alone
ROOT = Path(__file__).parents[1]
UP_WITHIN_S = 30.0
SETUP = r"""
set -eu
base=$1
mount --make-rprivate /
mount -t tmpfs none "$base"
mkdir "$base/up" "$base/work" "$base/root"
mount -t overlay none -o "lowerdir=/,upperdir=$base/up,workdir=$base/work" "$base/root"
cd "$base/root"
mount -t proc proc proc
mount --bind proc/sys proc/sys
mount -o remount,bind,ro proc/sys
[ ! -e proc/sysrq-trigger ] || mount --bind /dev/null proc/sysrq-trigger
mount -t sysfs -o ro sysfs sys
mount -t cgroup2 none sys/fs/cgroup
mount -t tmpfs none dev
for node in null zero full random urandom tty; do touch "dev/$node"; mount --bind "/dev/$node" "dev/$node"; done
mkdir dev/pts dev/shm old
mount --bind /dev/pts dev/pts
mount -t tmpfs none dev/shm
ln -s pts/ptmx dev/ptmx
ln -s /proc/self/fd dev/fd
ln -s /proc/self/fd/0 dev/stdin
mount -t tmpfs none run
rm -rf etc/systemd/system
mkdir -p etc/systemd/system/service.d
cat > etc/systemd/system/service.d/test.conf <<'END'
[Service]
StandardOutput=append:/run/services.log
StandardError=inherit
Environment=LD_LIBRARY_PATH=/opt/python/lib
END
mkdir opt/python
mount --bind "$2" opt/python
for link in ".$3"/bin/python*; do ln -sfn "/opt/python/bin/$(basename "$(readlink -f "$3/bin/python")")" "$link"; done
sed -i 's|^home = .*|home = /opt/python/bin|' ".$3/pyvenv.cfg"
printf '[Unit]\nDefaultDependencies=no\n' > etc/systemd/system/private.target
echo private > etc/hostname
hostname private
ip link set lo up
pivot_root . old
umount -l /old
mount --make-rshared /
exec env -i container=private PATH=/usr/sbin:/usr/bin:/sbin:/bin \
  setpriv --bounding-set -sys_time,-sys_module,-sys_boot,-sys_rawio \
  /lib/systemd/systemd --system --unit=private.target --log-target=null --show-status=no
"""


class PrivateMachine:
    """A machine that runs. `pid` is its init as this machine counts."""

    def __init__(self, pid: int) -> None:
        self.pid = pid

    def run(self, *command: str, told: str = "", ends_with: int | None = 0) -> str:
        """Run a command there as root; return what it printed. `ends_with` None takes any end."""
        inside = ["nsenter", "--target", str(self.pid), "--all", "--", *command]
        done = subprocess.run(inside, input=told, capture_output=True, text=True, timeout=120, check=False, cwd=ROOT)
        assert ends_with in (None, done.returncode), f"{command}: {done.stdout}{done.stderr}{self.log()}"
        return done.stdout

    def log(self) -> str:
        """Return what its services have printed."""
        file = self.path("/run/services.log")
        return file.read_text() if file.exists() else ""

    def path(self, path: str) -> Path:
        """Return a path of that machine as this one reaches it."""
        return Path(f"/proc/{self.pid}/root{path}")


@contextmanager
def private_machine(folder: Path) -> Iterator[PrivateMachine]:
    """Start one, with an empty folder for its mounts; leave the test out where user or kernel have no such thing."""
    if os.geteuid() != 0 or not INIT.exists():
        pytest.skip("a machine of its own needs root, and systemd")
    if any(Path(sys.prefix).is_relative_to(hidden) for hidden in HIDDEN):
        pytest.skip(f"{sys.prefix}: a service may not read a program there")
    groups = next((one for one in GROUPS if (one / "cgroup.procs").exists()), None)
    if groups is None:
        pytest.skip("this kernel has no control groups of version 2")
    new = ["unshare", "--pid", "--fork", "--kill-child", "--mount", "--uts", "--ipc", "--net", "--cgroup"]
    tried = subprocess.run([*new, "true"], capture_output=True, text=True, check=False)
    if tried.returncode != 0:
        pytest.skip(f"a machine of its own cannot be had here: {tried.stderr.strip()}")
    group = groups / f"private-{os.getpid()}"
    group.mkdir()

    def enter() -> None:
        (group / "cgroup.procs").write_text(str(os.getpid()))

    with (folder / "log").open("w") as log:
        (folder / "root").mkdir()
        outer = subprocess.Popen([*new, "sh", "-c", SETUP, "sh", str(folder / "root"), sys.base_prefix, sys.prefix],
                                 stdout=log, stderr=log, stdin=subprocess.DEVNULL, preexec_fn=enter)  # fmt: skip
    try:
        yield _started(outer, folder / "log")
    finally:
        outer.kill()
        outer.wait(20)
        wait_until(lambda: not (group / "cgroup.procs").read_text() and _emptied(group), "its processes are gone", 20)


def _started(outer: subprocess.Popen[bytes], log: Path) -> PrivateMachine:
    children = Path(f"/proc/{outer.pid}/task/{outer.pid}/children")

    def init() -> int | None:
        assert outer.poll() is None, log.read_text()
        found = children.read_text().split()
        return int(found[0]) if found and Path(f"/proc/{found[0]}/comm").read_text() == "systemd\n" else None

    wait_until(lambda: init() is not None, "its init has begun", UP_WITHIN_S)
    machine = PrivateMachine(init() or 0)
    up = ("running", "degraded")
    wait_until(lambda: machine.run("systemctl", "is-system-running", ends_with=None).strip() in up, "it is up", 30)
    return machine


def _emptied(group: Path) -> bool:
    try:
        for folder, _, _ in os.walk(group, topdown=False):
            Path(folder).rmdir()
    except OSError:
        return False
    return True
