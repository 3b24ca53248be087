"""The field records that come with the simulator, as text. Where each is from and what it may be used for: SOURCE.txt.

This reads the package's own files and nothing else; what the numbers mean is `simulator.playback`'s affair.
"""

from __future__ import annotations

import gzip
from importlib import resources

FILES = {"dinosaur": "dinosaur_2018.csv.gz", "ithaca": "ithaca_2024.csv.gz"}


def record_text(name: str) -> str:
    """The record of that name as CSV text.

    Raises
    ------
    ValueError
        When there is none of that name.
    """
    if name not in FILES:
        raise ValueError(f"record: found {name!r}, expected one of {', '.join(FILES)}")
    packed = (resources.files("simulator") / "records" / FILES[name]).read_bytes()
    return gzip.decompress(packed).decode("ascii")
