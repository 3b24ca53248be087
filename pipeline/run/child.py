"""Run a program that cannot outlive its parent: `python tied_child.py PARENT_PID PROGRAM [ARGUMENT ...]`.

The kernel is asked to end this process when its parent ends, however it ends, and then the program takes its place. It
is a file of its own, run by path, because code between fork and exec in a process with threads may hang. It imports
nothing of the project.
"""

import ctypes
import os
import signal
import sys

PR_SET_PDEATHSIG = 1  # linux/prctl.h


def main() -> None:
    parent, program = int(sys.argv[1]), sys.argv[2]
    if sys.platform == "linux" and ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, signal.SIGTERM) != 0:
        raise OSError(ctypes.get_errno(), "prctl: the kernel does not tie a child to its parent")
    if os.getppid() != parent:
        sys.exit(0)  # the parent ended before the tie was made
    os.execv(program, sys.argv[2:])


if __name__ == "__main__":
    main()
