"""The one refusal all line codecs share: bytes from the far end that cannot be taken as what was asked for.

A codec raises `BadFrame` for anything a probe or the wire can do, and `ValueError` for a caller's own mistake; nothing
else. The refusal already carries the status the failed reading will have.
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
    """Bytes as they go into a message: printable, quoted, at most `limit` of them."""
    return repr(data[:limit])[1:] + (f" and {len(data) - limit} more" if len(data) > limit else "")
