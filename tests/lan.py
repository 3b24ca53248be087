"""Two machines and a cable between them: network namespaces of their own (ip-netns(8)) joined by a veth pair.

What runs on either has that one's addresses and no other network. The cable is pulled and put back, so that what is
tested without signal is without signal. Files and users are those of this machine.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.conftest import missing
from tests.pipeline.conftest import wait_until

BOX, PHONE = "192.168.77.10", "192.168.77.20"  # addresses of a private network (RFC 1918)
CABLE = "lan0"


class Machine:
    """One of the two, by a process that keeps its network."""

    def __init__(self, pid: int) -> None:
        self.entering = ["nsenter", "--target", str(pid), "--net", "--"]

    def run(self, *command: str, **more: Any) -> str:
        """Run a command there; return what it printed."""
        done = subprocess.run(
            [*self.entering, *command], capture_output=True, text=True, timeout=60, check=False, **more
        )
        assert done.returncode == 0, f"{command}: {done.stdout}{done.stderr}"
        return done.stdout

    def cable(self, state: str) -> None:
        """Pull the cable (`down`) or put it back (`up`)."""
        self.run("ip", "link", "set", CABLE, state)


@contextmanager
def lan() -> Iterator[tuple[Machine, Machine]]:
    """The box and the phone; the test is left out with the reason where they cannot be had, and fails under CI."""
    if os.geteuid() != 0:
        missing("two machines on a network of their own need root (unshare, ip)")
    tried = subprocess.run(
        ["unshare", "--net", "ip", "link", "add", CABLE, "type", "veth"], capture_output=True, check=False
    )
    if tried.returncode != 0:
        missing(f"two machines on a network of their own cannot be had here: {tried.stderr.decode().strip()}")
    ours = os.readlink("/proc/self/ns/net")
    kept = [subprocess.Popen(["unshare", "--net", "cat"], stdin=subprocess.PIPE) for _ in range(2)]
    try:
        for one in kept:
            wait_until(lambda one=one: os.readlink(f"/proc/{one.pid}/ns/net") != ours, "the network is there")
        box, phone = (Machine(one.pid) for one in kept)
        other = f"/proc/{kept[1].pid}"
        box.run("ip", "link", "add", CABLE, "type", "veth", "peer", "name", CABLE, "netns", Path(other).name)
        for machine, address in ((box, BOX), (phone, PHONE)):
            machine.run("ip", "address", "add", f"{address}/24", "dev", CABLE)
            for link in ("lo", CABLE):
                machine.run("ip", "link", "set", link, "up")
        yield box, phone
    finally:
        for one in kept:
            one.stdin.close()  # type: ignore[union-attr]
            one.wait(20)
