"""Run what a service unit starts, under that unit's own system call filter, where systemd is not the init.

`python tests/under_unit.py UNIT PROGRAM [ARGUMENT...]` loads the filter into its own process and becomes the program.
The rules are those of systemd.exec(5), `SystemCallFilter=`: the lines of a unit add up, `@name` is a group, `@default`
is always allowed, a known call that is not listed ends the process with SIGSYS, and an unknown one fails with ENOSYS.
Members of the groups are asked of `systemd-analyze`; libseccomp makes the filter, as it does for systemd.
"""

from __future__ import annotations

import ctypes
import errno
import os
import re
import shlex
import subprocess
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

from tests.conftest import missing

LIBRARY = "libseccomp.so.2"
ALLOW, KILL_PROCESS, ERRNO = 0x7FFF0000, 0x80000000, 0x00050000  # seccomp.h of libseccomp, SCMP_ACT_*
UNITS = Path(__file__).parents[1] / "hardware" / "systemd"


def started_by(unit: Path, config: Path, need_program: Callable[[str], str]) -> list[str]:
    """Return the command line of a unit's `ExecStart=` under its filter, with the installed program and this config.

    The test is skipped, and fails under CI, where `systemd-analyze` or libseccomp is not installed.
    """
    need_program("systemd-analyze")
    try:
        ctypes.CDLL(LIBRARY)
    except OSError:
        missing(f"{LIBRARY} is not installed (Debian: apt-get install libseccomp2)")
    (line,) = re.findall(r"^ExecStart=(.*)$", unit.read_text(encoding="utf-8"), re.M)
    program, *arguments = shlex.split(line)
    installed = Path(sys.executable).parent / Path(program).name
    assert arguments[-2] == "--config", f"{unit.name}: found {line}, expected it to end in --config FILE"
    under = [sys.executable, "-m", "tests.under_unit", str(unit)]
    return [*under, str(installed), *arguments[:-1], str(config)]


def _listed(unit: Path) -> list[str]:
    """Return the calls and groups that a unit allows."""
    words = " ".join(re.findall(r"^SystemCallFilter=(.*)$", unit.read_text(encoding="utf-8"), re.M)).split()
    odd = [word for word in words if not re.fullmatch(r"@?[\w-]+", word)]
    if odd or not words:
        raise SystemExit(f"{unit}: SystemCallFilter: found {odd or 'none'}, expected names of allowed calls and groups")
    return words


def _groups() -> dict[str, set[str]]:
    """Return the members of every group, groups within groups by their name."""
    asked = ["systemd-analyze", "--no-pager", "syscall-filter"]
    members: dict[str, set[str]] = {}
    name = ""
    for line in subprocess.run(asked, capture_output=True, text=True, check=True).stdout.splitlines():
        word = line.strip()
        if not word or word.startswith("#"):
            continue
        if line.startswith("@"):
            name = word
            members[name] = set()
        else:
            members[name].add(word)
    return members


def _calls(words: Iterable[str], groups: dict[str, set[str]]) -> set[str]:
    """Return the calls that names of calls and groups stand for."""
    found: set[str] = set()
    for word in words:
        found |= _calls(groups[word], groups) if word.startswith("@") else {word}
    return found


def _load(allowed: set[str], known: set[str]) -> None:
    """Put the filter over this process and all that it becomes or starts; it cannot be taken off again."""
    library = ctypes.CDLL(LIBRARY)
    library.seccomp_init.restype = ctypes.c_void_p
    context = ctypes.c_void_p(library.seccomp_init(ctypes.c_uint32(ERRNO | errno.ENOSYS)))
    for name in allowed | known:
        number = library.seccomp_syscall_resolve_name(name.encode())
        if number < 0:  # a call of another kind of processor
            continue
        action = ctypes.c_uint32(ALLOW if name in allowed else KILL_PROCESS)
        refused = library.seccomp_rule_add(context, action, number, 0)
        if refused:
            raise SystemExit(f"{LIBRARY}: found {os.strerror(-refused)} for {name}, expected it to take the rule")
    refused = library.seccomp_load(context)
    if refused:
        raise SystemExit(f"{LIBRARY}: found {os.strerror(-refused)}, expected the kernel to take the filter")


def main(unit: str, program: str, *arguments: str) -> None:
    """Become the program under the unit's filter."""
    groups = _groups()
    _load(_calls(["@default", *_listed(Path(unit))], groups), _calls(["@known"], groups))
    os.execv(program, [program, *arguments])


if __name__ == "__main__":
    main(*sys.argv[1:])
