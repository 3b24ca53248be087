"""Photographs: what is kept of one, what is not kept and why, and who is given it.

Pictures are made by Pillow as a camera would write them (Exif 2.3: orientation 6 is a quarter turn, IFD 0x8825 the
place); what must come out of them is known from how they were made.
"""

from __future__ import annotations

import io
import re
import resource
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from PIL import ExifTags, Image
from starlette.datastructures import UploadFile

from api.app import create_app
from api.photos import LONGEST_PX, MOST_PIXELS, PhotoRefused, keep_photo, keep_photos
from api.writing import FORM_TYPE, MAX_BODY_BYTES, MAX_PHOTO_BODY_BYTES
from pipeline.diary.entry import MOST_PHOTOS, DiaryEntry
from pipeline.store import photos as store
from pipeline.store.photos import FolderPhotographs
from tests.api.served import TestClient, from_afar, signed_in
from tests.api.site import NOW_MS, Ground, MakeGround

TURN, MAKER, PLACE = 0x0112, 0x010F, {1: "N", 2: (51.0, 28.0, 38.0), 3: "W", 4: (0.0, 0.0, 5.0)}


FROM_OWN = {"Origin": "https://192.0.2.10", "Sec-Fetch-Site": "same-origin"}


def camera(width: int = 400, height: int = 300, turn: int = 6, form: str = "JPEG") -> bytes:
    """A picture whose left half is black and whose right half is white, with a camera's notes."""
    made, notes, out = Image.new("RGB", (width, height), "white"), Image.Exif(), io.BytesIO()
    made.paste("black", (0, 0, width // 2, height))
    notes[TURN], notes[MAKER], notes[ExifTags.IFD.GPSInfo] = turn, "a camera", PLACE
    made.save(out, form, exif=notes)
    return out.getvalue()


def kept(data: Path, sent: bytes, *, with_place: bool = False) -> Image.Image:
    name = keep_photo(FolderPhotographs(data), io.BytesIO(sent), with_place=with_place)
    return Image.open(data / "photos" / f"{name}.jpg")


def test_a_picture_is_kept_upright_without_the_notes_of_the_camera(tmp_path: Path) -> None:
    """Orientation 6 is shown by a quarter turn clockwise: the left half comes to lie on top. No tag is left."""
    found = kept(tmp_path, camera())
    assert found.size == (300, 400) and found.format == "JPEG" and dict(found.getexif()) == {}
    assert max(found.getpixel((150, 50))) < 20 and min(found.getpixel((150, 350))) > 235  # type: ignore[arg-type]
    (file,) = (tmp_path / "photos").iterdir()
    assert b"a camera" not in file.read_bytes()


def test_camera_notes_that_do_not_read_cost_no_picture(tmp_path: Path) -> None:
    """Of a turned picture, each byte of its notes (Exif 2.3, after the marker APP1) set to 0, and to 3, in turn: it is
    kept."""
    good = camera()
    first = good.index(b"Exif\0\0") + 6
    for n in range(first, first + 120):
        for byte in (b"\0", b"\3"):
            found = kept(tmp_path, good[:n] + byte + good[n + 1 :], with_place=True)
            assert found.size in ((300, 400), (400, 300)), (n, byte)


def test_the_place_stays_where_it_is_wanted(tmp_path: Path) -> None:
    """Latitude and longitude as the camera wrote them, and nothing else of it."""
    notes = kept(tmp_path, camera(), with_place=True).getexif()
    place = notes.get_ifd(ExifTags.IFD.GPSInfo)
    assert [float(one) for one in place[2]] == [51.0, 28.0, 38.0] and MAKER not in notes and TURN not in notes


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_a_large_one_is_made_smaller(tmp_path: Path, form: str) -> None:
    """The longer side is at most the bound, the shape as before."""
    found = kept(tmp_path, camera(4000, 3000, turn=1, form=form))
    assert found.size == (LONGEST_PX, LONGEST_PX * 3 // 4)


@pytest.mark.parametrize("mode", ["1", "P", "L", "LA", "RGBA"])
def test_a_drawing_of_any_mode_is_made_smaller_and_white_stays_white(tmp_path: Path, mode: str) -> None:
    """Of a PNG (its five kinds of colour), which is decoded whole."""
    out = io.BytesIO()
    Image.new("RGB", (3000, 1500), "white").convert(mode).save(out, "PNG")
    found = kept(tmp_path, out.getvalue())
    assert found.size == (LONGEST_PX, LONGEST_PX // 2) and min(found.getpixel((9, 9))) > 250  # type: ignore[arg-type]


def test_a_large_picture_takes_little_more_than_it_is_decoded_to(tmp_path: Path) -> None:
    """A PNG of 15 million points is 60 MB decoded (4 bytes a point); its copies are made of the small one. Measured by
    the system in a process of its own, over one that takes a small picture."""
    out = io.BytesIO()
    Image.new("RGB", (5000, 3000), "white").save(out, "PNG")
    (tmp_path / "large.png").write_bytes(out.getvalue())
    (tmp_path / "small.png").write_bytes(camera(form="PNG"))
    code = (
        "import sys; from pathlib import Path; from api.photos import keep_photo\n"
        "from pipeline.store.photos import FolderPhotographs\n"
        "with open(sys.argv[1], 'rb') as f: keep_photo(FolderPhotographs(Path(sys.argv[2])), f)\n"
        "print(Path('/proc/self/status').read_text().partition('VmHWM:')[2].split()[0])"  # kB, proc(5)
    )
    small, large = (
        int(
            subprocess.run(
                [sys.executable, "-c", code, tmp_path / name, tmp_path], capture_output=True, check=True
            ).stdout
        )
        for name in ("small.png", "large.png")
    )
    assert (large - small) / 1000 < 60 + 40, (small, large)


def test_a_progressive_jpeg_is_held_to_what_is_decoded_at_once(tmp_path: Path) -> None:
    """Its whole has to be held before any of it can be made smaller (ITU-T T.81, progressive mode)."""
    out = io.BytesIO()
    Image.new("RGB", (5000, 4000), "white").save(out, "JPEG", progressive=True)
    with pytest.raises(PhotoRefused, match="20 million points, expected at most 16"):
        kept(tmp_path, out.getvalue())


def test_the_same_one_sent_again_is_the_same_file(tmp_path: Path) -> None:
    """One name and one file, which only owner and group can read."""
    names = {keep_photo(FolderPhotographs(tmp_path), io.BytesIO(camera())) for _ in range(2)}
    (file,) = (tmp_path / "photos").iterdir()
    assert {file.stem} == names and file.stat().st_mode & 0o777 == 0o640


def bomb() -> bytes:
    """A file of a few kilobytes that says it has more points than are taken."""
    out = io.BytesIO()
    Image.new("1", (MOST_PIXELS // 5000 + 1, 5000)).save(out, "PNG")
    return out.getvalue()


def flat(form: str, mode: str = "L", width: int = 5000, height: int = 4000) -> bytes:
    out = io.BytesIO()
    Image.new(mode, (width, height), 255).save(out, form)
    return out.getvalue()


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        (flat("PNG"), "found 20 million points, expected at most 16 million"),
        (flat("WEBP", "RGB"), "found 20 million points, expected at most 16 million"),
        (b"no picture at all", "found no picture, expected one of JPEG, PNG, WEBP"),
        (b"", "found no picture"),
        (camera()[:-900], "found a damaged picture"),
        (camera(form="PNG")[:300], "found a damaged picture"),
        (bomb(), "found 60 million points, expected at most 60 million"),
        (b'<svg xmlns="http://www.w3.org/2000/svg"><script>1</script></svg>', "found no picture"),
    ],
    ids=["large PNG", "large WEBP", "text", "nothing", "half a JPEG", "half a PNG", "too many points", "SVG"],
)
def test_what_is_no_whole_picture_is_not_kept(tmp_path: Path, sent: bytes, told: str) -> None:
    """The reason says what was found; nothing of it is on the disk."""
    with pytest.raises(PhotoRefused) as refused:
        keep_photo(FolderPhotographs(tmp_path), io.BytesIO(sent))
    assert str(refused.value).startswith(told) and not (tmp_path / "photos").exists()


def test_a_disk_that_is_full_is_told_and_nothing_half_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The system refuses a file of this length (setrlimit(2), EFBIG as a full disk gives ENOSPC); then the folder has
    as much as is kept."""
    content, limits = camera(2000, 1500), resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, limits[1]))
    try:
        names, told = keep_photos(FolderPhotographs(tmp_path), [UploadFile(io.BytesIO(content))], with_place=False)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert names == [] and told[0].startswith(
        "Photograph 1 was not kept, the entry is: where it would be kept there is a fault ("
    )
    assert list((tmp_path / "photos").iterdir()) == []
    monkeypatch.setattr(store, "MOST_KEPT_BYTES", 1000)
    with pytest.raises(PhotoRefused, match="the most that are kept"):
        keep_photo(FolderPhotographs(tmp_path), io.BytesIO(content))


def test_an_entry_takes_so_many_and_no_more(tmp_path: Path) -> None:
    """Those beyond are told by their number."""
    sent = [UploadFile(io.BytesIO(camera(400 + 10 * n))) for n in range(MOST_PHOTOS + 1)]
    names, told = keep_photos(FolderPhotographs(tmp_path), sent, with_place=False)
    assert len(set(names)) == MOST_PHOTOS and told == [
        "Photograph 5 was not kept, the entry is: an entry takes at most 4."
    ]


@pytest.fixture
def ground(make_ground: MakeGround) -> Ground:
    return make_ground()


def core_with(ground: Ground, photo: str) -> DiaryEntry:
    body = {"thatch_mm": 14.0, "photos": [photo]}
    return ground.pipeline.diary.add(DiaryEntry("core", "square", NOW_MS - 3_600_000, body, "s1", None, "Ann", NOW_MS))


def test_it_stands_on_the_pages_of_its_entry_its_station_and_its_year(ground: Ground) -> None:
    """Beside its entry in words, on those three and not on others; one that is not here is left out."""
    name = keep_photo(ground.pipeline.photographs, io.BytesIO(camera()))
    entry, other = core_with(ground, name), core_with(ground, "0" * 32)
    client = TestClient(create_app(ground.pipeline))
    for path in (f"/diary/{entry.id}", "/stations/s1", "/season/square"):
        page = client.get(path).text
        assert page.count(f'<img src="/photos/{name}"') == 1 and "0" * 32 not in page
        assert "thatch 14 mm" in page.replace("\N{NO-BREAK SPACE}", " ").partition('<ul class="photos')[2]
    for path in (f"/diary/{other.id}", "/stations/s2", "/season/outfield"):
        assert "<img" not in client.get(path).text
    answer = client.get(f"/photos/{name}")
    assert answer.headers["content-type"] == "image/jpeg" and answer.headers["x-content-type-options"] == "nosniff"
    assert client.get("/photos/nothing").status_code == client.get("/photos/..%2Fjournal.db").status_code == 404


def test_who_may_see_the_season_may_see_it(ground: Ground) -> None:
    """A reader is given it; nobody who has not signed in is."""
    app, name = create_app(ground.pipeline), keep_photo(ground.pipeline.photographs, io.BytesIO(camera()))
    assert signed_in(app, "reader").get(f"/photos/{name}").status_code == 200
    assert from_afar(app).get(f"/photos/{name}").status_code == 401


FORM = {"kind": "core", "surface": "square", "station": "s1", "thatch_mm": "14"}
OWN = {"Origin": "http://localhost", "Sec-Fetch-Site": "same-origin"}
JSON_TOO = {**OWN, "Accept": "application/json"}


def photos_sent(client: TestClient, sent: bytes, form: dict[str, str], headers: dict[str, str]) -> Any:
    return client.post(
        "/diary", data=form, files={"photo": ("core.jpg", sent)}, headers=headers, follow_redirects=False
    )


def test_a_form_brings_its_photograph(ground: Ground) -> None:
    """A script is answered 201 with the entry, a browser is led to it; sent again under its identity it is one entry
    with one photograph."""
    client, form = TestClient(create_app(ground.pipeline)), {**FORM, "sent_as": "phone-1"}
    first, again = (photos_sent(client, camera(), form, JSON_TOO) for _ in range(2))
    assert first.status_code == 201 and first.json()["questions"] == []
    assert first.json()["entry"]["id"] == again.json()["entry"]["id"]
    (name,) = first.json()["entry"]["body"]["photos"]
    assert client.get(f"/photos/{name}").status_code == 200
    led = photos_sent(client, camera(500), FORM, {**OWN, "Accept": "text/html"})
    assert led.status_code == 303 and "photo=lost" not in led.headers["location"]


def test_an_entry_is_written_though_its_photograph_is_not_kept(ground: Ground) -> None:
    """A file where the folder would be, as a disk that takes nothing, and half a picture: the entry stands, and what
    became of the picture is said to script and browser."""
    client, folder = TestClient(create_app(ground.pipeline)), ground.pipeline.config.data.dir / "photos"
    folder.write_text("in the way")
    told = photos_sent(client, camera(), {**FORM, "sent_as": "phone-1"}, JSON_TOO).json()
    assert "where it would be kept there is a fault" in told["questions"][0] and "photos" not in told["entry"]["body"]
    folder.unlink()
    told = photos_sent(client, camera()[:-900], {**FORM, "sent_as": "phone-2"}, {**OWN, "Accept": "text/html"})
    assert told.status_code == 303
    assert "its photograph was not kept" in client.get(told.headers["location"]).text
    assert len(ground.pipeline.diary.entries(["core"], 0, 2**60)) == 2


def test_a_form_with_photographs_has_a_bound_of_its_own(ground: Ground) -> None:
    """413 before any of it is read (RFC 9110), for a plain form and another address at the bound of before."""
    client = TestClient(create_app(ground.pipeline))
    for path, most in (("/diary", MAX_PHOTO_BODY_BYTES), ("/work/book", MAX_BODY_BYTES)):
        told = {"Content-Type": "multipart/form-data; boundary=x", "Content-Length": str(most + 1), **JSON_TOO}
        assert client.post(path, content=b"", headers=told).status_code == 413
    plain = client.post("/diary", content="a=" + "b" * MAX_BODY_BYTES, headers={**JSON_TOO, "Content-Type": FORM_TYPE})
    assert plain.status_code == 413


def test_what_was_typed_beside_a_photograph_outlives_the_sign_in(ground: Ground) -> None:
    """Nobody is signed in: the sign-in has the fields hidden in it, and says that something is kept."""
    app = create_app(ground.pipeline)
    signed_in(app, "keeper")
    sent = from_afar(app).post(
        "/diary", data=FORM, files={"photo": ("core.jpg", camera())},
        headers={**FROM_OWN, "Accept": "text/html"},
    )  # fmt: skip
    assert sent.status_code == 401 and "thatch_mm=14" in sent.text


def part(name: str, content: bytes, more: str = "") -> bytes:
    """One part of a form (RFC 7578, 4)."""
    return b'--x\r\nContent-Disposition: form-data; name="%s"%s\r\n\r\n%s\r\n' % (name.encode(), more.encode(), content)


def test_nothing_of_a_stranger_s_file_is_taken_in(ground: Ground, monkeypatch: pytest.MonkeyPatch) -> None:
    """The fields before and behind it are kept for after the sign-in, within the bound of a plain form; no byte of the
    file is written anywhere."""
    app, wrote, as_before = create_app(ground.pipeline), list[int](), UploadFile.write
    signed_in(app, "keeper")

    async def noted(self: UploadFile, data: bytes) -> None:
        wrote.append(len(data))
        await as_before(self, data)

    monkeypatch.setattr(UploadFile, "write", noted)
    told = {"Content-Type": "multipart/form-data; boundary=x", "Accept": "text/html", **FROM_OWN}
    sent = part("thatch_mm", b"14") + part("photo", b"y" * 2_000_000, '; filename="core.jpg"') + part("at", b"09:00")
    answer = from_afar(app).post("/diary", content=sent + b"--x--\r\n", headers=told)
    assert answer.status_code == 401 and "thatch_mm=14&amp;at=09%3A00" in answer.text and wrote == []
    long = part("a", b"y" * (MAX_BODY_BYTES // 2 + 1)) + part("b", b"y" * (MAX_BODY_BYTES // 2))
    assert from_afar(app).post("/diary", content=long + b"--x--\r\n", headers=told).status_code == 400


def test_a_form_sent_too_late_asks_for_its_photograph_once_more(ground: Ground) -> None:
    """The page that has kept what was typed has a field for it, and does not say that nothing was lost; a form that
    takes none is asked for none."""
    client = signed_in(create_app(ground.pipeline), "keeper")
    headers = {"Accept": "text/html", **FROM_OWN}
    late = client.post("/diary", data=FORM, files={"photo": ("core.jpg", camera())}, headers=headers)
    assert late.status_code == 403 and 'name="photo" type="file"' in late.text
    assert "choose it again" in late.text and "Nothing of it was lost" not in late.text
    again = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', late.text))
    client.post("/diary", data=again, files={"photo": ("core.jpg", camera())}, headers=headers)
    (core,) = ground.pipeline.diary.entries(("core",), 0, 2**60)
    assert core.body["thatch_mm"] == 14 and len(core.body["photos"]) == 1
    plain = client.post("/diary", data={**FORM, "kind": "mowing"}, headers=headers)
    assert plain.status_code == 403 and "Nothing of it was lost" in plain.text and 'type="file"' not in plain.text


def test_an_entry_names_photographs_that_are_here(ground: Ground) -> None:
    """Others are refused with what was found, over the data interface."""
    client = TestClient(create_app(ground.pipeline))
    name = keep_photo(ground.pipeline.photographs, io.BytesIO(camera()))
    core = {"kind": "core", "surface": "square", "station": "s1", "body": {"thatch_mm": 30, "photos": [name]}}
    assert client.post("/api/v1/diary", json=core).status_code == 201
    told = client.post("/api/v1/diary", json={**core, "body": {"thatch_mm": 30, "photos": ["0" * 32]}})
    assert told.status_code == 422 and "expected the name of a photograph that is kept here" in told.json()["detail"]
    told = client.post("/api/v1/diary", json={**core, "body": {"thatch_mm": 30, "photos": ["../../x"]}})
    assert told.status_code == 422
