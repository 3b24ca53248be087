"""The demo's server: it is read from the disk while the simulator makes its ground, and serves once it is told to.

`python -m api.demo_server SETTINGS` waits for a line on its input, by which time the settings have been written.
"""

from __future__ import annotations

import sys

import api.serve  # noqa: F401  what `serve` would import a second or two later
from api.command import main

if __name__ == "__main__":
    # An end without a line is that of the demo, which has been stopped meanwhile.
    sys.exit(main(["serve", "--config", sys.argv[1]]) if sys.stdin.readline() else 0)
