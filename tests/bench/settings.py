"""The settings of a site of one probe whose broker is not the server's own, for what drives a server from outside."""

from __future__ import annotations

from pathlib import Path

ONE_PROBE = """
[site]
name = "meadow"
[data]
dir = "{data}"
[broker]
kind = "external"
port = {port}
[[surface]]
name = "square"
title = "Square"
kind = "square"
[[surface.station]]
name = "s1"
title = "north end"
soil = "loam"
[[surface.station.probe]]
name = "p1"
model = "{model}"
"""


def write_one_probe(path: Path, port: int, model: str) -> None:
    """Write them, with the data in a folder beside the file."""
    path.write_text(ONE_PROBE.format(data=path.parent / "data", port=port, model=model))
