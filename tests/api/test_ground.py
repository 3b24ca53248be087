"""The plan of the ground: distances by hand, what a pass would meet, what is not known, what is entered on the page."""

from __future__ import annotations

import html
import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from api.app import create_app
from api.command import main
from pipeline.diary.entry import DiaryEntry
from pipeline.service import load_settings
from pipeline.site.settings import ConfigFault
from tests.api.served import TestClient
from tests.api.site import HOUR_MS, NOW_MS, SETTINGS, Ground, MakeGround, ground_at, readings
from tests.api.test_pages import page, words

OWN = {"sec-fetch-site": "same-origin"}  # as a browser sends it from a page of this server
PLAN = """
[plan]
origin = "the middle of the square"
north_deg = 20
[[plan.mark]]
letter = "A"
title = "near left corner of the square"
at_m = [-15, -11]
[[plan.mark]]
letter = "B"
title = "near right corner of the square"
at_m = [15, -11]
[[plan.building]]
title = "shed"
corners_m = [[-34, -48], [-29, -48], [-29, -43], [-34, -43]]
[[plan.buried]]
title = "the cable to the outfield"
kind = "cable"
path_m = [[-29, -45], [-29, -30], [37, -30], [37, -6], [37, 12]]
cover_mm = [300, 250, 250, 180, 95]
measured = 2024-03-14
"""
PLANNED = (
    SETTINGS.replace(
        '[[surface]]\nname = "square"',
        f'{PLAN}[[surface]]\nname = "square"\noutline_m = [[-15, -11], [15, -11], [15, 11], [-15, 11]]\nstrips = 10',
    )
    .replace('name = "outfield"', 'name = "outfield"\noval_m = [0, 0, 62, 54]')
    .replace('name = "s1"', 'name = "s1"\nat_m = [0, 9]')
    .replace('name = "o1"', 'name = "o1"\nat_m = [37, 12]')
)


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    """The three stations with a plan of which one lacks its place, and two booked passes."""
    ground = ground_at(tmp_path_factory.mktemp("plan"), PLANNED)
    ground.hear(readings(24, first_hour=456))
    for surface, hours, body in (
        ("outfield", 26, {"pass": "solid_tining", "depth_mm": 100, "state": "booked"}),
        ("square", 50, {"pass": "scarifying", "depth_mm": 8, "state": "booked", "strips": "4 to 6, 9"}),
    ):
        ground.pipeline.diary.add(DiaryEntry("pass", surface, NOW_MS + hours * HOUR_MS, body))
    yield ground
    ground.pipeline.stop()


@pytest.fixture(scope="module")
def client(planned: Ground) -> TestClient:
    return TestClient(create_app(planned.pipeline))


@pytest.fixture(scope="module")
def found(client: TestClient) -> Any:
    return client.get("/api/v1/ground").json()


def test_tapes_are_the_distances_from_the_marks(found: Any) -> None:
    """(0, 9) is 25 m from both marks, 15 aside and 20 up: 3, 4, 5 five times. They meet there at 2 atan(15/20), and
    each out by 50 mm moves the place by at most 50 mm over the sine of half of that: 83 mm."""
    one = next(s for s in found["stations"] if s["station"] == "s1")["place"]
    assert [(t["mark"], t["metres"]) for t in one["tapes"]] == [("A", 25.0), ("B", 25.0)]
    assert one["is_left"] and one["within_m"] == pytest.approx(0.05 / math.sin(math.atan2(15, 20)))
    bend = found["buried"][0]["points"][2]["place"]
    assert [t["metres"] for t in bend["tapes"]] == pytest.approx([math.hypot(52, 19), math.hypot(22, 19)])
    assert not bend["is_left"] and found["buried"][0]["length_m"] == pytest.approx(15 + 66 + 24 + 18)


def test_cover_is_that_by_which_passes_are_refused(planned: Ground, found: Any) -> None:
    """The top of what the shallowest channel senses; a pass is too deep from 25 mm less, and meets what it would meet
    when it is written down as begun."""
    covers = {f"{p['station']}/{p['probe']}": (p["cover_mm"], p["too_deep_from_mm"]) for p in found["probes"]}
    assert set(covers) == {"s1/t1", "s1/p1", "s2/p2", "o1/d1"}  # a weather station is not in the ground
    assert all(lift == max(cover - 25.0, 0.0) for cover, lift in covers.values())
    client = TestClient(create_app(planned.pipeline))
    begun = {"kind": "pass", "surface": "square", "body": {"pass": "scarifying", "depth_mm": 8, "state": "begun"}}
    refused = client.post("/api/v1/diary", json=begun)
    assert refused.status_code == 422
    scarifying = next(one for one in found["passes"] if one["title"].startswith("scarif"))
    assert set(scarifying["probes"]) == {"s1/t1", "s1/p1", "s2/p2"}
    places = ("the north-end thatch probe", "the north-end probe", "the south-end probe")
    assert all(place in refused.json()["detail"] for place in places)


def test_what_of_a_cable_a_pass_would_meet(found: Any) -> None:
    """Tines to 100 mm with 25 to spare, cover from 180 to 95 mm over the last 18 m: less than 125 mm from where 55 of
    the 85 mm are gone, so over 18 (1 - 55/85) = 6.35 m; the square's blades at 8 mm meet none of it."""
    tining, scarifying = found["passes"]
    (near,) = tining["too_near"]
    assert near["metres"] == pytest.approx(18 * (1 - 55 / 85)) and near["least_cover_mm"] == 95.0
    assert near["parts_m"] == [pytest.approx([123 - near["metres"], 123.0])]
    assert tining["called"] == "the long-side probe" and scarifying["too_near"] == []
    assert next(s for s in found["surfaces"] if s["surface"] == "square")["strips_booked"] == [4, 5, 6, 9]


def test_the_page_says_what_the_data_say(client: TestClient, found: Any) -> None:
    """Each row with its tapes, reach and cover; each pass with its verdict; what is not entered by name."""
    answer = client.get("/ground")
    tags, said = page(client, "/ground"), words(page(client, "/ground")).replace("\N{NO-BREAK SPACE}", " ")
    rows = [re.sub(r"<[^>]+>", " ", row).split() for row in re.findall(r"<tr>.*?</tr>", answer.text)]
    points = [(p["place"], p["cover_mm"]) for p in [*found["probes"], *found["buried"][0]["points"]]]
    for place, cover in points:
        figures = [f"{t['metres']:.1f}" for t in place["tapes"]] if place else ["-", "-"]
        reach = [f"{place['within_m']:.1f}"] if place else ["not", "entered"]
        assert any(" ".join([*figures, *reach, f"{cover:.0f}"]) in " ".join(row) for row in rows), (place, cover)
    assert "Solid tining to 100 mm. Lift probe Lift the long-side probe first. Over 6 m of the cable" in said
    assert "the cover is down to 95 mm: draw it there, or keep 2 m off it." in said
    assert "booked for Saturday, strips 4 to 6, 9" in said and "Whose place is not entered: Square, south end." in said
    assert "look here, then the locator, then the first hole by hand" in said and "nothing else" in said
    assert len([s for s in tags.every("span") if str(s.get("class", "")).startswith("st")]) == 2


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("[15, -11], [15, 11]", "[15, 11], [15, -11]", "outline_m: found .*expected corners in their order"),
        ("at_m = [37, 12]", "at_m = [37, 12000]", "station.o1.at_m: found .*each from -2000 to 2000"),
        ("at_m = [37, 12]", "at_m = [37]", r"station.o1.at_m: found \[37\], expected two numbers"),
        ("[300, 250, 250, 180, 95]", "[300, 250]", r"cover_mm: found \[300.0, 250.0\], expected one number, or 5"),
        ('letter = "B"', 'letter = "A"', r"plan.mark\[1\].letter: found 'A', expected a letter that no other"),
        ("at_m = [15, -11]", "at_m = [-15, -11]", r"plan.mark\[1\].at_m: found the place of mark A"),
        ('kind = "cable"', 'kind = "rope"', "kind: found 'rope', expected one of cable, pipe, drain, box, thing"),
        (
            "oval_m = [0, 0, 62, 54]",
            "oval_m = [0, 0, 62, 54]\nstrips = 3",
            "strips: found a value, expected none unless",
        ),
        ("strips = 10", "strips = 10\noval_m = [0, 0, 5, 5]", "oval_m: found a value, expected none unless outline_m"),
    ],
)
def test_what_cannot_be_is_a_fault_of_the_settings(tmp_path: Path, old: str, new: str, fault: str) -> None:
    """Sides that cross, places off the earth, points without a cover, marks with one name: each named with its key."""
    assert old in PLANNED
    file = tmp_path / "underturf.toml"
    file.write_text(PLANNED.replace(old, new), encoding="utf-8")
    with pytest.raises(ConfigFault) as caught:
        load_settings(file)
    assert len(caught.value.faults) == 1 and re.search(fault, caught.value.faults[0]), caught.value.faults


def test_check_warns_of_what_is_doubtful(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A station far off its surface, marks close by each other, a place in line with them: told, and no fault."""
    file = tmp_path / "underturf.toml"
    doubtful = PLANNED.replace("at_m = [0, 9]", "at_m = [40, -11]").replace("at_m = [15, -11]", "at_m = [-12, -11]")
    file.write_text(doubtful, encoding="utf-8")
    assert main(["check", "--config", str(file)]) == 0
    said = capsys.readouterr().err
    assert "plan: warning: Square, north end lies 25 m outside the outline of its surface" in said
    assert "Marks A and B are less than 5 m apart" in said and "meet at too flat an angle" in said


def test_a_place_entered_on_the_page_stands_over_the_settings(make_ground: MakeGround) -> None:
    """By metres, then by two tapes; the newest stands, and the place of a probe stands over that of its station."""
    client = TestClient(create_app(make_ground(settings=PLANNED).pipeline))

    def place(name: str) -> Any:
        told = client.get("/api/v1/ground").json()
        return next(p["place"] for p in told["probes"] if f"{p['station']}/{p['probe']}" == name)

    sent = client.post(
        "/ground/place", data={"what": "s1", "x_m": "1,5", "y_m": "-2"}, headers=OWN, follow_redirects=False
    )
    assert sent.status_code == 303 and sent.headers["location"] == "/ground"
    assert (place("s1/t1")["x_m"], place("s1/t1")["y_m"]) == (1.5, -2.0)
    tapes = {"what": "s1/p1", "tape_1": "25", "tape_2": "25", "side": "right"}
    assert client.post("/ground/place", data=tapes, headers=OWN).status_code == 200
    assert (place("s1/p1")["x_m"], place("s1/p1")["y_m"]) == pytest.approx((0.0, -31.0))
    assert place("s1/t1")["x_m"] == 1.5


@pytest.mark.parametrize(
    ("address", "form", "said"),
    [
        ("place", {"what": "s9", "x_m": "1", "y_m": "1"}, "found 's9', expected a station of the list"),
        ("place", {"what": "s1", "x_m": "here", "y_m": ""}, "found here, expected a number; up: found nothing"),
        (
            "place",
            {"what": "s1", "x_m": "1", "y_m": "99999"},
            "y_m: found 99999.0, expected a number from -2000 to 2000",
        ),
        ("place", {"what": "s1", "tape_1": "3", "tape_2": "4"}, "expected two lengths that meet from marks A and B"),
        ("place", {"what": "s1/zz", "x_m": "1", "y_m": "1"}, "probe: found 'zz'"),
        (
            "buried",
            {"what": "drain", "title": "old", "path": "1 2\nthree"},
            "its way: found 'three', expected two numbers",
        ),
        (
            "buried",
            {"what": "drain", "title": "old", "path": ""},
            "its way: found nothing, expected at least one point",
        ),
        (
            "buried",
            {"what": "rope", "title": "", "path": "1 2", "cover_mm": "deep"},
            "cover: found deep, expected a number",
        ),
    ],
)
def test_what_cannot_be_is_refused_on_the_page(
    make_ground: MakeGround, address: str, form: dict[str, str], said: str
) -> None:
    """Nothing is written, and the page says what was found and what was expected."""
    ground = make_ground(settings=PLANNED)
    client = TestClient(create_app(ground.pipeline))
    answer = client.post(f"/ground/{address}", data=form, headers={**OWN, "Accept": "text/html"})
    assert answer.status_code == 422 and said.casefold() in html.unescape(answer.text).casefold()
    assert not ground.pipeline.diary.entries(("place", "buried"), 0, 2**62)
    assert client.post(f"/ground/{address}", data=form, headers={"sec-fetch-site": "cross-site"}).status_code == 403


def test_something_buried_is_written_down_held_against_passes_and_struck(make_ground: MakeGround) -> None:
    """A drain without a cover counts as lying at the surface; struck out, it is gone."""
    ground = make_ground(settings=PLANNED)
    booked = {"pass": "scarifying", "depth_mm": 8, "state": "booked"}
    ground.pipeline.diary.add(DiaryEntry("pass", "square", NOW_MS + HOUR_MS, booked))
    client = TestClient(create_app(ground.pipeline))
    form = {"what": "drain", "title": "the old drain", "path": "-20 0\n20; 0", "cover_mm": ""}
    assert client.post("/ground/buried", data=form, headers=OWN).status_code == 200
    found = client.get("/api/v1/ground").json()
    (near,) = next(one for one in found["passes"] if one["surface"] == "square")["too_near"]
    assert (near["metres"], near["least_cover_mm"], near["title"]) == (30.0, None, "the old drain")
    said = words(page(client, "/ground"))
    assert "The cover of the old drain is not known: keep" in said and "a buried drain on the plan" not in said
    entry = found["buried"][1]["entry"]
    assert (
        client.post(
            f"/ground/buried/{entry}/strike", headers={**OWN, "content-type": "application/x-www-form-urlencoded"}
        ).status_code
        == 200
    )
    assert len(client.get("/api/v1/ground").json()["buried"]) == 1
    assert client.post("/ground/buried/999/strike", data={"a": "b"}, headers=OWN).status_code == 404


def test_a_ground_without_a_plan_says_how_to_begin(
    client: TestClient, filled: Ground, empty_client: TestClient
) -> None:
    """No drawing, what to write, and still each probe with its cover; without a station, how to begin with one."""
    bare = TestClient(create_app(filled.pipeline))
    said = words(page(bare, "/ground"))
    assert "Nothing has a place yet." in said and "[[plan.mark]]" in said and "No mark to measure from" in said
    assert "Whose place is not entered: Square, north end, Square, south end and Outfield, long side." in said
    assert "No cable or pipe is entered. That does not say that none is there." in said
    assert len(re.findall(r'<tbody id="of-', bare.get("/ground").text)) == 3
    assert "No station yet" in words(page(empty_client, "/ground"))
    assert empty_client.get("/api/v1/ground").json()["stations"] == []
