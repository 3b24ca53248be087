"""Photographs of the diary: taken in and made anew, and given out.

Nothing of a file that somebody sends is kept but its picture: decoded within bounds, turned upright, made smaller and
encoded anew, without the camera's notes, its place among them unless that is wanted.
"""

from __future__ import annotations

import io
import logging
import threading
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import BinaryIO

from fastapi import APIRouter, Request
from fastapi.responses import Response
from PIL import ExifTags, Image, UnidentifiedImageError
from starlette.datastructures import UploadFile

from api import words
from api.data import pipeline_of
from api.problems import Problem
from pipeline.diary.entry import MOST_PHOTOS, DiaryEntry, is_photo
from pipeline.errors import StoreFault
from pipeline.service import Pipeline
from pipeline.store.photos import Photographs, photos_named
from pipeline.texts import say

PHOTOGRAPHED = ("core", "note", "sight")  # kinds of entry that take photographs
PICTURE_FORMS = ("JPEG", "PNG", "WEBP")
MOST_PIXELS = 60_000_000  # more than most phones take; a JPEG of that size is decoded at a part of it
MOST_DECODED_PIXELS = (
    16_000_000  # held at once, at the library's 4 bytes a point: 64 MB, once more while it is converted
)
LONGEST_PX, JPEG_QUALITY = 2000, 85  # the millimetres of a ruler are still told apart on a core that fills the picture
UNSMOOTHED = ("1", "P")  # modes of which a smaller one is made by leaving points out
A_YEAR_S = 31_536_000
# By the orientation that a camera notes (Exif 2.32, 4.6.4): what brings it upright.
TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT, 3: Image.Transpose.ROTATE_180, 4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE, 6: Image.Transpose.ROTATE_270, 7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}  # fmt: skip
log = logging.getLogger(__name__)
_one_at_a_time = threading.Lock()  # of those that are decoded

router = APIRouter(include_in_schema=False)


class PhotoRefused(Exception):
    """A photograph that is not kept, with the reason in words."""


@dataclass(frozen=True, slots=True)
class ShownPhoto:
    """A photograph on a page: its address and what is written of it."""

    address: str
    words: str


@router.get("/photos/{name}")
def photo(request: Request, name: str) -> Response:
    content = pipeline_of(request).photographs.content(name) if is_photo(name) else None
    if content is None:
        raise Problem(404, "No such photograph", f"found {name[:100]!r}, expected one that an entry of the diary names")
    headers = {"Cache-Control": f"private, max-age={A_YEAR_S}, immutable"}  # its name is what is in it
    return Response(content, media_type="image/jpeg", headers=headers)


def shown_photos(pipeline: Pipeline, entries: Sequence[DiaryEntry], most: int) -> list[ShownPhoto]:
    """Return the photographs of entries, the newest first, each with its entry in words."""
    now_ms = pipeline.clock.now_ms()
    named = [(name, entry) for entry in reversed(entries) for name in photos_named(entry)]
    kept = pipeline.photographs.kept({name for name, _ in named})
    shown = [(name, entry) for name, entry in named if name in kept][:most]
    return [
        ShownPhoto(f"/photos/{name}", words.tied(words.entry_line(pipeline.config, entry, now_ms)))
        for name, entry in shown
    ]


def keep_photos(
    photographs: Photographs, sent: Iterable[UploadFile], *, with_place: bool
) -> tuple[list[str], list[str]]:
    """Keep what was sent with an entry; return the names, and what was not kept and why, in words.

    An entry is worth more than its picture: it is written whatever becomes of that.
    """
    names, told = list[str](), list[str]()
    for number, one in enumerate(sent, 1):
        try:
            if number > MOST_PHOTOS:
                raise PhotoRefused(say("an entry takes at most {n}", n=MOST_PHOTOS))
            name = keep_photo(photographs, one.file, with_place=with_place)
            names += [] if name in names else [name]
        except PhotoRefused as fault:
            told.append(
                say("Photograph {number} was not kept, the entry is: {reason}.", number=number, reason=str(fault))
            )
    return names, told


def keep_photo(photographs: Photographs, sent: BinaryIO, *, with_place: bool = False) -> str:
    """Keep one photograph and return its name; once it is returned, it is on the disk.

    Parameters
    ----------
    photographs : Photographs
        Those of the site.
    sent : file
        As somebody sent it.
    with_place : bool
        Whether to keep where it was taken, if the camera noted it.

    Raises
    ------
    PhotoRefused
    """
    with _one_at_a_time:
        made = _made_anew(sent, with_place=with_place)
    try:
        return photographs.keep(made)
    except StoreFault as err:
        raise PhotoRefused(say("where it would be kept there is a fault ({reason})", reason=str(err))) from err


def _made_anew(sent: BinaryIO, *, with_place: bool) -> bytes:
    """The picture of a file as a JPEG of our own."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of size, as the bound below is ours, and of notes that do not read
            with Image.open(sent, formats=PICTURE_FORMS) as opened:
                # the whole of a progressive JPEG is held before any of it can be made smaller
                _refuse_large(opened, MOST_DECODED_PIXELS if opened.info.get("progressive") else MOST_PIXELS)
                turned, place = _camera_notes(opened)
                opened.draft("RGB", (LONGEST_PX, LONGEST_PX))  # of a JPEG only as much is decoded as is kept
                _refuse_large(opened, MOST_DECODED_PIXELS)
                small = opened.convert("RGB") if opened.mode in UNSMOOTHED else opened
                small.thumbnail((LONGEST_PX, LONGEST_PX))  # first, as both of the next make a copy
                upright = (small if turned is None else small.transpose(turned)).convert("RGB")
        return _encoded(upright, place if with_place else {})
    except UnidentifiedImageError as err:
        raise PhotoRefused(say("found no picture, expected one of {forms}", forms=", ".join(PICTURE_FORMS))) from err
    except (OSError, ValueError, SyntaxError, EOFError, Image.DecompressionBombError) as err:
        # what Pillow raises over a file that is cut off or damaged: it has no class of its own for it
        raise PhotoRefused(say("found a damaged picture ({reason}), expected a whole one", reason=str(err))) from err


def _camera_notes(opened: Image.Image) -> tuple[Image.Transpose | None, dict[int, object]]:
    """How a picture is to be turned to stand upright, and where it was taken; None and nothing of notes that do not
    read, as a picture counts without them."""
    try:
        notes = opened.getexif()
        return TURNS.get(notes.get(ExifTags.Base.Orientation, 1)), dict(notes.get_ifd(ExifTags.IFD.GPSInfo))
    except Exception:  # over damaged notes Pillow raises whatever comes up
        log.info("a photograph's camera notes do not read", exc_info=True)
        return None, {}


def _encoded(picture: Image.Image, place: dict[int, object]) -> bytes:
    """A picture as a JPEG with its place, without it where that cannot be written."""
    notes, made = Image.Exif(), io.BytesIO()
    if place:
        notes[ExifTags.IFD.GPSInfo] = place
        try:
            notes.tobytes()
        except Exception:  # as above: a value of the wrong kind
            log.info("a photograph's place cannot be written", exc_info=True)
            notes = Image.Exif()
    picture.save(made, "JPEG", quality=JPEG_QUALITY, optimize=True, exif=notes)
    return made.getvalue()


def _refuse_large(opened: Image.Image, most: int) -> None:
    """Raise PhotoRefused by the size that a file says it has, or would be decoded at, before any of it is."""
    pixels = opened.width * opened.height
    if pixels > most:
        raise PhotoRefused(
            say(
                "found {n:.0f} million points, expected at most {most:.0f} million",
                n=pixels / 1e6, most=most / 1e6,
            )
        )  # fmt: skip
