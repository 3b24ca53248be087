"""The page of a station as it comes from the server: what is drawn is what the findings and the readings say."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pytest
from contourpy import contour_generator

from api.app import create_app
from api.depths import DepthHistory, StationHistory, station_history
from api.plots import depth_plots, path, picture, thinned
from pipeline.diary.entry import DiaryEntry
from tests.api.served import TestClient
from tests.api.site import HOUR_MS, NOW_MS, MakeGround, readings
from tests.api.test_pages import page, words

DAY_MS = 24 * HOUR_MS


def history_by_hand(rows: dict[float, np.ndarray], *, lies_in: str = "soil", thatch_mm: float = 10.0) -> StationHistory:
    """A day of steps of an hour with these wetnesses by depth. [1], [mm]"""
    steps = len(next(iter(rows.values())))
    no = np.zeros(steps, dtype=bool)
    depths = tuple(
        DepthHistory(f"s/p/{mm:g}", mm, mm - 10.0, mm + 10.0, lies_in, wet, wet, no, no) for mm, wet in rows.items()
    )
    return StationHistory(0, steps * HOUR_MS, HOUR_MS, thatch_mm, depths, None, HOUR_MS)


def test_a_thinned_line_is_never_further_off_than_its_tolerance() -> None:
    """Each point left out lies within the tolerance of the line through its kept neighbours (Douglas and Peucker): a
    random walk by the distance of a point to a line, and three points on one line to the two at its ends."""
    chance = np.random.default_rng(5)
    x, y = np.arange(400.0), np.cumsum(chance.normal(size=400))
    keep = thinned(x, y, 0.8)
    assert 10 < np.count_nonzero(keep) < 300
    assert np.abs(y - np.interp(x, x[keep], y[keep])).max() <= 0.8 * np.hypot(1.0, np.abs(np.diff(y)).max())
    assert thinned(np.arange(3.0), np.arange(3.0)).tolist() == [True, False, True]
    assert path(np.arange(3.0), np.arange(3.0)) == "M0 0l2 2"


def test_the_line_of_half_lies_where_half_is() -> None:
    """Wetness that falls straight from 1 at 20 mm to 0 at 220 mm is half at 120 mm, three quarters at 70: algebra."""
    level = {mm: np.full(24, 1.0 - (mm - 20.0) / 200.0) for mm in (20.0, 120.0, 220.0)}
    drawn = picture(history_by_hand(level), 262.0)
    lines = [(heavy, int(n)) for d, heavy in drawn.lines for n in re.findall(r"M\d+ (\d+)", d)]
    assert (True, 120) in lines and (False, 70) in lines and len([one for one in lines if one[0]]) == 1
    assert {one.words for one in drawn.names} >= {"half", "three quarters"}


def test_nothing_is_drawn_across_a_gap() -> None:
    """Six hours without a reading to be believed at 120 mm: bare paper from the probe above to the one below, no wash
    in it, from the middle of the last hour with one to that of the next, and the line of that depth in two parts."""
    level = {mm: np.full(24, 0.9) for mm in (20.0, 120.0, 220.0)}
    level[120.0] = np.where((np.arange(24) > 8) & (np.arange(24) < 15), np.nan, 0.9)
    drawn = picture(history_by_hand(level), 262.0)
    assert drawn.gaps == "M354 20h292V220h-292z"
    assert [one.words for one in drawn.names if one.words == "no reading"] == ["no reading"]
    points = np.concatenate([_points(part) for one in drawn.washes for part in one.d.split("z") if part])
    inside = points[(points[:, 1] > 20) & (points[:, 1] < 220)]
    assert len(inside) and not ((inside[:, 0] > 376) & (inside[:, 0] < 624)).any()
    lines = {one.depth_mm: one.line.count("M") for one in depth_plots(history_by_hand(level))}
    assert lines == {20.0: 1, 120.0: 2, 220.0: 1}


def test_washes_are_those_of_the_contour_library() -> None:
    """The area above half of a random ground is that of contourpy over the same rows, within what thinning takes."""
    chance = np.random.default_rng(7)
    rows = {mm: 0.5 + np.cumsum(chance.normal(scale=0.05, size=120)) for mm in (20.0, 80.0, 150.0, 220.0)}
    drawn = picture(history_by_hand(rows, thatch_mm=19.0), 262.0)
    depths = np.array([19.0, 20.0, 80.0, 150.0, 220.0, 246.0])
    z = np.stack([rows[mm] for mm in (20.0, 20.0, 80.0, 150.0, 220.0, 220.0)])
    x = np.concatenate([[0.0], (np.arange(120) + 0.5) * 1000 / 120, [1000.0]])
    z = np.concatenate([z[:, :1], z, z[:, -1:]], axis=1)
    polygons, offsets = contour_generator(x, depths, z).filled(0.5, 0.75)
    expected = sum(
        abs(_area(ring[a:b])) * (1 if not k else -1)
        for ring, off in zip(polygons, offsets, strict=True)
        for k, (a, b) in enumerate(pairwise(off))
    )
    wash = next(one for one in drawn.washes if one.strength == 0.28)
    rings = [_points(part) for part in wash.d.split("z") if part]
    assert abs(sum(_area(ring) for ring in rings)) == pytest.approx(expected, rel=0.03)


def _points(d: str) -> np.ndarray:
    first, _, steps = d.removeprefix("M").partition("l")
    start = [float(n) for n in first.split()]
    return np.cumsum([start, *np.array(steps.split(), dtype=float).reshape(-1, 2)], axis=0)


def _area(ring: np.ndarray) -> float:
    """Signed area of a polygon: the shoelace formula."""
    x, y = ring[:, 0], ring[:, 1]
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2)


def test_a_history_has_the_readings_of_each_step(make_ground: MakeGround) -> None:
    """A value for each hour that was heard and none for the others; wetness lies between the limits of the settings,
    0.15 and 0.35, and the data have what is drawn."""
    ground = make_ground()
    ground.hear(readings(24, first_hour=456))
    history = station_history(ground.pipeline, "s1", 14, NOW_MS)
    assert len(history.step_ends_ms) == 14 * 24 and history.end_ms - history.start_ms == 14 * DAY_MS
    one = next(d for d in history.depths if d.channel == "s1/p1/moisture_035")
    assert np.isfinite(one.wetness).sum() == 24 and np.isnan(one.wetness[:-25]).all()
    known = np.isfinite(one.wetness)
    assert one.wetness[known] == pytest.approx((one.water_content[known] - 0.15) / 0.20)
    twin = TestClient(create_app(ground.pipeline)).get("/api/v1/stations/s1/depths?days=14").json()
    told = next(d for d in twin["depths"] if d["channel"] == "s1/p1/moisture_035")
    assert [v for v in told["wetness"] if v is not None] == pytest.approx(one.wetness[known].tolist())
    assert TestClient(create_app(ground.pipeline)).get("/api/v1/stations/s1/depths?days=2").status_code == 422


def test_every_span_is_drawn(client: TestClient) -> None:
    """From a day to a year, with the span that is shown marked, and another value taken for the usual one."""
    for days, name in {"1": "a day", "3": "3 days", "14": "2 weeks", "90": "3 months", "366": "a year"}.items():
        tags = page(client, f"/stations/s1?days={days}")
        marked = [a for a in tags.every("a") if a.get("aria-current") == "true"]
        assert [str(a["href"]) for a in marked] == [f"/stations/s1?days={days}#span"] and name in words(tags)
        assert len([s for s in tags.every("svg") if "from" in str(s.get("aria-label"))]) >= 7
    marked = [a for a in page(client, "/stations/s1?days=2").every("a") if a.get("aria-current") == "true"]
    assert str(marked[0]["href"]).endswith("days=14#span")


def test_a_probe_is_drawn_where_the_diary_has_it(make_ground: MakeGround) -> None:
    """Under 36 mm of thatch a probe that reads from 25 to 45 mm lies in neither thatch nor soil, and a depth measured
    anew counts: slice, picture, text and data say so."""
    ground = make_ground()
    ground.hear(readings(60, first_hour=420))
    client = TestClient(create_app(ground.pipeline))
    assert "mixed" not in words(page(client, "/stations/s1"))
    for kind, station, body in (
        ("core", "s1", {"thatch_mm": 36}),
        ("depth", None, {"channel": "s1/p1/moisture_220", "depth_mm": 205}),
    ):
        ground.pipeline.diary.add(DiaryEntry(kind, "square", NOW_MS - HOUR_MS, body, station))
    client = TestClient(create_app(ground.pipeline))
    tags = page(client, "/stations/s1")
    assert "vol., mixed" in words(tags) and "at 205 mm" in words(tags) and "Mixed: a probe" in words(tags)
    told = [str(s["aria-label"]) for s in tags.every("svg") if s.get("role") == "img"]
    assert re.search(r"35 mm \d+ % mixed; 65 mm .* 205 mm", told[0])
    places = {d["channel"]: d["lies_in"] for d in client.get("/api/v1/stations/s1").json()["depths"]}
    assert places["s1/p1/moisture_035"] == "mixed" and places["s1/t1/moisture"] == "thatch"
    assert " 205 mm  0." in client.get("/api/v1/summary.txt").text


def test_what_was_done_stands_over_the_picture_and_in_words(make_ground: MakeGround) -> None:
    """A watering, a pass, a lift and a core within the span, each at its time; one before it and a booked one not."""
    ground = make_ground()
    ground.hear(readings(60, first_hour=420))
    diary = ground.pipeline.diary
    for kind, at_ms, body, station in (
        ("watering", NOW_MS - 7 * DAY_MS, {"water_mm": 5}, None),
        ("pass", NOW_MS - DAY_MS, {"pass": "verticutting", "depth_mm": 2}, None),
        ("pass", NOW_MS - DAY_MS, {"pass": "scarifying", "state": "booked"}, None),
        ("lift", NOW_MS - 2 * DAY_MS, {"probe": "p1"}, "s1"),
        ("watering", NOW_MS - 20 * DAY_MS, {"water_mm": 9}, None),
    ):
        diary.add(DiaryEntry(kind, "square", at_ms, body, station))
    tags = page(TestClient(create_app(ground.pipeline)), "/stations/s1")
    said = words(tags)
    assert "What was done, 3" in said and "water given: 5" in said and "verticutting" in said and "lifted" in said
    assert "water given: 9" not in said and "scarifying" not in said
    lefts = [re.search(r"left:([\d.]+)%", str(s.get("style", ""))) for s in tags.every("span")]
    assert any(m and float(m[1]) == pytest.approx(50.0, abs=0.4) for m in lefts)


def test_a_ground_without_a_gauge_thatch_or_depth_stays_usable(make_ground: MakeGround) -> None:
    """A station with one weather probe alone has no slice and says so; one without a gauge has no rain drawn."""
    settings = (
        '[site]\nname = "m"\n[data]\ndir = "data"\n[[surface]]\nname = "g"\ntitle = "G"\nkind = "green"\n'
        '[[surface.station]]\nname = "w"\ntitle = "mast"\nsoil = "sand"\n[[surface.station.probe]]\nname = "w1"\n'
        'model = "climate_station"\n'
    )
    tags = page(TestClient(create_app(make_ground(settings=settings).pipeline)), "/stations/w")
    assert "No moisture probe stands here" in words(tags)
