"""A file of text, plain or gzipped, in blocks of whole lines that know their numbers; what cannot be read is a fault.

The fingerprint of a file is the SHA-256 of its text: the same record is known again whether it is gzipped or not.
"""

from __future__ import annotations

import gzip
import hashlib
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, cast

from pipeline.store.backup import Progress

BLOCK_BYTES = 2 * 1024 * 1024
MAX_LINE_BYTES = 64 * 1024
MOST_FAULTS = 100  # told of one file; reading stops there
_MARKS = {b"\xff\xfe": "UTF-16", b"\xfe\xff": "UTF-16", b"PK\x03\x04": "", b"\xd0\xcf\x11\xe0": ""}
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


class ImportFault(ValueError):
    """A file or a map that cannot be taken in. `faults` lists what is wrong, each with its line; nothing was kept."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


@dataclass(frozen=True, slots=True)
class TextBlock:
    """Whole lines, each ended by a line feed. `first` is the number of the first in the file, from 1."""

    first: int
    text: bytes


def blocks_of(path: Path, encoding: str, *, progress: Progress = lambda *_: None) -> Iterator[TextBlock]:
    """Yield a file block by block, as UTF-8 whatever its encoding.

    Raises
    ------
    ImportFault
        The file is cut off, is no text in that encoding, or has a line that is no line of a table.
    """
    size, line, rest = path.stat().st_size, 1, b""
    with path.open("rb") as raw:
        stream = _unpacked(raw)
        while True:
            try:
                piece = stream.read(BLOCK_BYTES)
            except (EOFError, zlib.error, gzip.BadGzipFile) as err:
                whole = f"the file was cut off or damaged on its way ({err}): copy it anew"
                raise ImportFault([f"line {line}: found the gzipped text broken off; {whole}"]) from err
            if line == 1 and not rest:
                piece = _without_mark(piece)
            progress("read", raw.tell(), size)
            text = rest + piece
            cut = text.rfind(b"\n") + 1 if piece else len(text)
            rest = text[cut:]
            if len(rest) > MAX_LINE_BYTES:
                at = line + text.count(b"\n")
                raise ImportFault(
                    [f"line {at}: found more than {MAX_LINE_BYTES} characters, expected a row of a table"]
                )
            if cut:
                whole_lines = text[:cut] if text[cut - 1 : cut] == b"\n" else text[:cut] + b"\n"
                yield TextBlock(line, _as_utf8(whole_lines, encoding, line))
                line += text[:cut].count(b"\n")
            if not piece:
                return


def fingerprint(path: Path) -> str:
    """Return the SHA-256 of a file's text, unpacked, in hexadecimal.

    Raises
    ------
    ImportFault
        The gzipped text is broken off.
    """
    digest = hashlib.sha256()
    with path.open("rb") as raw:
        stream = _unpacked(raw)
        try:
            while piece := stream.read(BLOCK_BYTES):
                digest.update(piece)
        except (EOFError, zlib.error, gzip.BadGzipFile) as err:
            raise ImportFault([f"found the gzipped text broken off ({err}): copy the file anew"]) from err
    return digest.hexdigest()


def _unpacked(raw: IO[bytes]) -> IO[bytes]:
    magic = raw.read(2)
    raw.seek(0)
    return cast("IO[bytes]", gzip.GzipFile(fileobj=raw)) if magic == b"\x1f\x8b" else raw


def _without_mark(piece: bytes) -> bytes:
    """The beginning of a file without a byte order mark; other marks are those of files that are no such text."""
    for mark, name in _MARKS.items():
        if piece.startswith(mark):
            what = f"text in {name}" if name else "a workbook, no text"
            raise ImportFault([f"line 1: found {what}, expected CSV in UTF-8: save it as such from the spreadsheet"])
    return piece.removeprefix(_BYTE_ORDER_MARK)


def _as_utf8(text: bytes, encoding: str, line: int) -> bytes:
    if b"\0" in text:
        at = line + text[: text.index(b"\0")].count(b"\n")
        raise ImportFault([f"line {at}: found a byte of 0, expected text: the file was damaged, or is no table"])
    try:
        decoded = text.decode(encoding)
    except UnicodeDecodeError as err:
        at, found = line + text[: err.start].count(b"\n"), text[err.start]
        hint = (
            "; write encoding = 'latin-1' under [file] if that is what the program wrote" if encoding == "utf-8" else ""
        )
        raise ImportFault([f"line {at}: found the byte 0x{found:02x}, expected text in {encoding}{hint}"]) from err
    return text if encoding == "utf-8" else decoded.encode()
