"""What line codecs share: the refusal of bytes that do not answer what was asked, and the CRC of two of them.

A codec raises `BadFrame` for anything a probe or the wire can do, and `ValueError` for a caller's own mistake. The
refusal carries the status that the failed reading will have.
"""

from __future__ import annotations

from hardware.reading import Status


class BadFrame(Exception):
    """Bytes that are refused.

    Attributes
    ----------
    reason : str
        What was found and what was expected, in words.
    status : Status
        How a reading that ends here is recorded.
    """

    def __init__(self, reason: str, status: Status = Status.BAD_FRAME) -> None:
        super().__init__(reason)
        self.reason = reason
        self.status = status


def shown(data: bytes, limit: int = 40) -> str:
    """Return bytes as they go into a message: printable, quoted, at most `limit` of them."""
    return repr(data[:limit])[1:] + (f" and {len(data) - limit} more" if len(data) > limit else "")


def _crc_of(byte: int) -> int:
    """The CRC of one byte, bit by bit."""
    for _ in range(8):
        byte = (byte >> 1) ^ 0xA001 if byte & 1 else byte >> 1
    return byte


_CRC_OF_BYTES = tuple(map(_crc_of, range(256)))


def crc16(data: bytes, start: int = 0) -> int:
    """Return the reflected CRC of polynomial 0xA001: from 0 on that of SDI-12 (CRC-16/ARC), from 0xFFFF Modbus's."""
    crc = start
    for byte in data:
        crc = crc >> 8 ^ _CRC_OF_BYTES[(crc ^ byte) & 0xFF]
    return crc
