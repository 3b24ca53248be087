"""The last wetting as it is shown: the stored account's figures, the same on page, in text and in JSON.

Four grounds of the simulator, a week or two each, go through the server's own stages: a rain with every line of its
account, a watering of the diary, one that the probes alone tell of, and one too young to be settled.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import pytest

from api.app import create_app
from api.state import FigureNow, WettingNow
from api.words import wetting_account
from pipeline.diary.entry import DiaryEntry
from pipeline.service import Pipeline
from simulator.history import History
from simulator.readings import readings
from simulator.scenario import ScenarioEntry, load
from simulator.scenario_run import run_station, weather_of
from simulator.scenario_site import run_site
from simulator.site import describe
from tests.api.served import TestClient
from tests.api.site import NOW_MS, MakeGround
from tests.bench.advice_heard import settings, table_of, work_out
from tests.pipeline.hand import HOUR_MS, HandClock

QUANTITIES = {
    "given_mm": "wetting_given", "thatch_kept_mm": "wetting_thatch_kept", "root_gain_mm": "wetting_root_gain",
    "below_gain_mm": "wetting_below_gain", "evaporation_mm": "wetting_evaporation",
    "unaccounted_mm": "wetting_unaccounted", "arrival_share": "arrival_share",
}  # fmt: skip


@dataclass(frozen=True)
class Story:
    """A stretch of a scenario: its first day, its days, and whether the keeper wrote his waterings down."""

    scenario: str
    first: str
    days: int
    written: bool = True


RAIN = Story("thatch_bound_square", "2025-04-01", 9)
WATERED = Story("sand_green", "2025-05-01", 9)
PROBES_ALONE = Story("climbing_roots", "2025-08-15", 10, written=False)
YOUNG = Story("late_frost", "2025-05-01", 7)


@dataclass(frozen=True)
class Shown:
    """A server over a stretch of a scenario, and the simulator's truth of its stations."""

    pipeline: Pipeline
    client: TestClient
    truths: dict[str, History]

    def stored(self, station: str) -> dict[str, dict[str, object]]:
        """Rows of the last wetting by the field of the interface, as the store has them."""
        now_ms = self.pipeline.clock.now_ms()
        frame = self.pipeline.store.findings(station, list(QUANTITIES.values()), 0, now_ms + 1)
        last_ms = frame[frame["quantity"] == "wetting_given"]["start_ms"].max()
        rows = {row["quantity"]: row for row in frame[frame["start_ms"] == last_ms].to_dict("records")}
        return {field: rows[quantity] for field, quantity in QUANTITIES.items() if quantity in rows}

    def told(self, station: str) -> dict[str, object]:
        """What `/api/v1/now` says of the last wetting."""
        now = {one["station"]: one for one in self.client.get("/api/v1/now").json()}[station]
        return now["wetting"] | {"line": next(line for line in now["words"] if line.startswith("Last wetting: "))}


@contextmanager
def shown(story: Story, folder: Path) -> Iterator[Shown]:
    whole = load(story.scenario)
    start = datetime.fromisoformat(story.first).replace(tzinfo=UTC)
    cut = replace(whole, start=start, lead_days=30, days=story.days, clock_steps=())
    weather = weather_of(cut, seed=whole.seed)
    truths = {s.name: run_station(cut, s, weather, seed=whole.seed, days=story.days) for s in cut.stations}
    core = ScenarioEntry("core", start + timedelta(hours=1), tuple(truths))
    site = run_site(replace(cut, diary=(*cut.diary, core)), truths, seed=whole.seed)
    poured = [e for e in cut.diary if e.kind == "watering" and 0 <= (e.at - start).days < story.days]
    diary = [
        DiaryEntry("watering", cut.surfaces[0].name, at_ms, {"water_mm": e.water_mm}, author="keeper",
                   end_ms=at_ms + round(e.hours * HOUR_MS))
        for e in poured if (at_ms := round(e.at.timestamp() * 1000))
    ]  # fmt: skip
    config = settings(describe(site, folder, rate=1.0), folder)
    work_out(config, table_of(readings(site)), diary if story.written else ()).stores.close()
    pipeline = Pipeline(config, clock=HandClock(site.history_end_ms), mosquitto=None)
    yield Shown(pipeline, TestClient(create_app(pipeline)), truths)
    pipeline.stop()


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[Story], Shown]]:
    """The server over a story, made when it is first asked for."""
    with ExitStack() as stack:
        yield cache(lambda story: stack.enter_context(shown(story, tmp_path_factory.mktemp(story.scenario))))


EVERY = pytest.mark.parametrize("story", [RAIN, WATERED, PROBES_ALONE, YOUNG], ids=lambda story: story.scenario)
GroundOf = Callable[[Story], Shown]


def text_of(page: str) -> str:
    """The words of a page as they are read."""
    bare = html.unescape(re.sub(r"<[^>]+>", " ", page)).replace("\N{NO-BREAK SPACE}", " ")
    return re.sub(r"\s+", " ", bare)


def in_words(field: str, value: float) -> str:
    """A stored figure as a groundsman reads it: whole % or none of it, mm with one decimal below ten or nothing."""
    if field == "arrival_share":
        return f"{value * 100:.0f} %" if round(value * 100) > 0 else "None of it reached"
    size = abs(value)
    return "nothing" if size < 0.05 else f"{size:.0f} mm" if size >= 10 else f"{size:.1f} mm"


@EVERY
def test_the_interface_has_the_figures_of_the_store(story: Story, ground: GroundOf) -> None:
    """Value, interval and reason of each line are those of the stored finding; a line not stored is null."""
    one = ground(story)
    for station in one.truths:
        stored, told = one.stored(station), one.told(station)
        assert len(stored) >= 6
        for field in QUANTITIES:
            assert (told[field] is None) == (field not in stored), field
            for part in ("value", "low", "high") if field in stored else ():
                assert told[field][part] == (None if stored[field][part] != stored[field][part]
                                             else stored[field][part]), (field, part)  # fmt: skip
            if field in stored:
                assert told[field]["reason"] == (stored[field]["reason"] or "")


@EVERY
def test_page_text_and_interface_say_the_stored_figures(story: Story, ground: GroundOf) -> None:
    """One line, word for word the same in all of them, with each figure that is stored and the reason of each that is
    withheld."""
    one = ground(story)
    summary = one.client.get("/api/v1/summary.txt").text
    pages = {station: text_of(one.client.get(f"/stations/{station}").text) for station in one.truths}
    answers = {a["question"]: a["lines"] for a in one.client.get("/api/v1/answers").json()}["Where did it go?"]
    for station in one.truths:
        line = one.told(station)["line"]
        for field, row in one.stored(station).items():
            if row["value"] == row["value"]:
                assert in_words(field, row["value"]) in line, (field, line)
            if row["reason"]:
                assert all(part in line for part in row["reason"].split("; ")), (field, line)
            for bound in {"arrival_share": ("high",), "unaccounted_mm": ("low", "high")}.get(field, ()):
                assert row[bound] != row[bound] or in_words(field, row[bound]) in line, (field, bound, line)
        assert line in pages[station] and line in summary
        told = line.removeprefix("Last wetting: ")
        assert any(told in answer or told[:1].lower() + told[1:] in answer for answer in answers)


@EVERY
def test_every_line_of_a_station_is_on_its_page_and_in_the_text(story: Story, ground: GroundOf) -> None:
    """Page, text and data draw from one list of lines."""
    one = ground(story)
    summary = one.client.get("/api/v1/summary.txt").text
    for now in one.client.get("/api/v1/now").json():
        page = text_of(one.client.get(f"/stations/{now['station']}").text)
        assert len(now["words"]) >= 4
        for line in now["words"]:
            told = line.replace("m3", "m³")
            assert line in summary and told in page, line


@EVERY
def test_what_was_given_is_what_fell_and_was_poured(story: Story, ground: GroundOf) -> None:
    """Against the simulator's own sums of rain and watering; a gauge tells to 0.2 mm, at either end."""
    one = ground(story)
    for station, truth in one.truths.items():
        given = one.stored(station)["given_mm"]
        first, last = ((int(given[end]) - truth.start_ms) // HOUR_MS for end in ("start_ms", "end_ms"))
        hours = slice(first - 1, last)  # a gauge tells at the end of an hour what fell in it
        fallen = truth.flux["rain_mm"][hours].sum() + truth.flux["watering_mm"][hours].sum()
        if story is PROBES_ALONE:
            assert fallen > 10.0 and given["value"] != given["value"]
        else:
            assert given["value"] == pytest.approx(fallen, abs=0.4)


def test_every_line_of_a_rain_that_was_read_well_is_there(ground: GroundOf) -> None:
    """Thatch over clay, all probes well: no line is empty or withheld, and each stands in the words."""
    one = ground(RAIN)
    told = one.told("square-1")
    assert all(told[field]["value"] is not None and abs(told[field]["value"]) > 0.05 for field in QUANTITIES)
    for words in ("of it reached the soil (somewhere between", "It was 16 mm of water, and ended Tue 8 Apr 12:00.",
                  "Leaf and thatch kept", "reached the roots", "went deeper", "evaporated",
                  "is unaccounted for (somewhere between"):  # fmt: skip
        assert words in told["line"], words


def test_a_watering_of_the_diary_is_a_wetting(ground: GroundOf) -> None:
    """12 mm by the sprinkler at three in the morning, which no gauge saw."""
    one = ground(WATERED)
    told = one.told("green-1")
    assert told["given_mm"]["value"] == 12.0
    assert (told["start"], told["end"]) == ("2025-05-08T03:00:00Z", "2025-05-08T04:00:00Z")
    assert "It was 12 mm of water, and ended Thu 8 May 04:00." in told["line"]


def test_a_wetting_that_the_probes_alone_tell_of_says_what_nobody_wrote_down(ground: GroundOf) -> None:
    """How much was given is not known, so no share is: that comes first; what the ground gained is told."""
    one = ground(PROBES_ALONE)
    line = one.told("outfield-1")["line"]
    assert line.startswith(
        "Last wetting: How much was given, how much of it reached the soil and what is unaccounted for cannot be told: "
        "nobody wrote down how much was given. It ended "
    )
    assert "16 mm reached the roots" in line


def test_an_account_that_is_not_settled_says_so_once(ground: GroundOf) -> None:
    """The record ends with the rain: so does the account, and that is said beside the first figure it concerns."""
    one = ground(YOUNG)
    assert one.told("left-1")["line"].count("read only until") == 1


def test_no_wetting_is_said_to_be_none_only_when_all_is_worked_out(make_ground: MakeGround) -> None:
    """Before any reading the gauge has told of none; while readings wait for the stages nobody can tell."""
    pipeline = make_ground().pipeline
    client = TestClient(create_app(pipeline))
    assert "the gauge has told of none of 1 mm or more in 60 days" in client.get("/api/v1/stations/s1").text
    pipeline._stages.mark_span("s1", NOW_MS - HOUR_MS, NOW_MS, 0.0)
    pipeline.changes.bump("readings")
    waiting, settled = (client.get(f"/api/v1/stations/{name}").json()["words"] for name in ("s1", "s2"))
    assert "Last wetting: cannot tell yet. Readings are still being worked on." in waiting
    assert "Last wetting: the gauge has told of none of 1 mm or more in 60 days." in settled


# --- the words alone, of accounts made by hand -----------------------------------------------------------------------


def figure(value: float | None, low: float | None = None, high: float | None = None, reason: str = "") -> FigureNow:
    return FigureNow(value, value if low is None else low, value if high is None else high, reason)


FULL = WettingNow(
    0, 0, figure(6.77), figure(6.11, 5.09, 7.12), figure(0.44, 0.1, 0.8), figure(0.03, -0.1, 0.2), figure(0.23),
    figure(-0.03, -1.28, 1.22), figure(0.07, 0.0, 0.14),
)  # fmt: skip


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({}, "7 % of it reached the soil (at most 14 %). It was 6.8 mm of water, and ended at noon. Leaf and thatch "
         "kept 6.1 mm, 0.4 mm reached the roots, nothing went deeper, 0.2 mm evaporated and nothing is unaccounted "
         "for (somewhere between 1.3 mm too much and 1.2 mm missing)."),
        ({"arrival_share": figure(0.45, 0.36, 0.62), "unaccounted": figure(2.85, 0.76, 4.93)},
         "45 % of it reached the soil (somewhere between 36 % and 62 %). It was 6.8 mm of water, and ended at noon. "
         "Leaf and thatch kept 6.1 mm, 0.4 mm reached the roots, nothing went deeper, 0.2 mm evaporated and 2.9 mm is "
         "unaccounted for (somewhere between 0.8 mm and 4.9 mm)."),
        ({"thatch_kept": None, "root_gain": figure(-0.2), "unaccounted": figure(-1.64, -3.23, -0.04)},
         "7 % of it reached the soil (at most 14 %). It was 6.8 mm of water, and ended at noon. The root zone gave up "
         "0.2 mm, nothing went deeper, 0.2 mm evaporated and 1.6 mm more turned up than was given (somewhere between "
         "nothing and 3.2 mm)."),
        ({"evaporation": figure(None, reason="no sun or air temperature is measured here"),
          "unaccounted": figure(0.2, -1.0, 1.4, "evaporation is in it, not known apart")},
         "7 % of it reached the soil (at most 14 %). It was 6.8 mm of water, and ended at noon. Leaf and thatch kept "
         "6.1 mm, 0.4 mm reached the roots, nothing went deeper and 0.2 mm is unaccounted for (somewhere between 1.0 "
         "mm too much and 1.4 mm missing; evaporation is in it, not known apart). What evaporated cannot be told: no "
         "sun or air temperature is measured here."),
        ({"arrival_share": figure(None, reason="water was at 110 mm before it was above")},
         "How much of it reached the soil cannot be told: water was at 110 mm before it was above. It was 6.8 mm of "
         "water, and ended at noon. Leaf and thatch kept 6.1 mm, 0.4 mm reached the roots, nothing went deeper, 0.2 mm "
         "evaporated and nothing is unaccounted for (somewhere between 1.3 mm too much and 1.2 mm missing)."),
        ({name: None for name in ("thatch_kept", "root_gain", "below_gain", "unaccounted", "arrival_share")},
         "Where it went cannot be told, for want of readings from the soil. It was 6.8 mm of water, and ended at noon. "
         "0.2 mm evaporated."),
        ({"arrival_share": figure(-0.02, -0.2, 0.004)},
         "None of it reached the soil (at most 0 %). It was 6.8 mm of water, and ended at noon. Leaf and thatch kept "
         "6.1 mm, 0.4 mm reached the roots, nothing went deeper, 0.2 mm evaporated and nothing is unaccounted for "
         "(somewhere between 1.3 mm too much and 1.2 mm missing)."),
    ],
)  # fmt: skip
def test_an_account_in_words(change: dict[str, FigureNow | None], said: str) -> None:
    """The share first, then the water, then each line in a whole clause; what is withheld with its reason (by hand)."""
    assert wetting_account(replace(FULL, **change), "at noon") == said  # type: ignore[arg-type]


@EVERY
def test_every_figure_of_the_pages_is_that_of_the_findings(story: Story, ground: GroundOf) -> None:
    """The strokes of the slice, small and large, stand where the wetness in the data puts them; the labels, the numbers
    for who cannot see it, the roots and the bar of the last water are those of the data too."""
    one = ground(story)
    today = one.client.get("/").text
    for station in one.truths:
        now = one.client.get(f"/api/v1/stations/{station}").json()
        page = one.client.get(f"/stations/{station}").text
        layers = {layer["layer"]: layer["wetness"] for layer in now["layers"]}
        known = {k["quantity"]: k["value"] for k in one.client.get(f"/api/v1/stations/{station}/known").json()}
        for depth in now["depths"]:
            way = "untold" if depth["wetness"] is None else f"{round(depth['wetness'] * 100) + 0} %"
            assert f'data-way="{depth["channel"]}">{way}</tspan>' in page
        large = page[page.index('<figure class="big">') :]
        small = today[today.index(f'id="slice-{station}"') :]
        for drawing, left, width in ((large, 44.0, 122.0), (small, 2.0, 92.0)):
            svg = drawing[drawing.index("<svg") : drawing.index("</svg>")]
            numbers = html.unescape(re.search(r'aria-label="([^"]*)"', svg)[1])
            for depth in now["depths"]:
                if depth["wetness"] is not None and (width > 100 or depth["depth_mm"] <= 300):
                    assert f"{depth['depth_mm']:.0f} mm {round(depth['wetness'] * 100) + 0} %" in numbers

            def drawn_at(wetness: float, left: float = left, width: float = width) -> float:
                return left + min(max(wetness, 0.0), 1 / 0.74) * 0.74 * width

            soil = [d for d in now["depths"] if d["lies_in"] == "soil" and d["wetness"] is not None]
            edge = re.search(r'data-draw="edge" d="M([^"]*)"', svg)
            if edge and soil:
                xs = [float(point.split()[0]) for point in edge[1].split("L")]
                assert xs[0] == pytest.approx(drawn_at(soil[0]["wetness"]), abs=0.06)
                assert [x for x in (drawn_at(d["wetness"]) for d in soil) if min(abs(x - y) for y in xs) > 0.06] == []
            stroke = re.search(r'data-draw="thatch" d="M([\d.]+) ', svg)
            assert (stroke is not None) == (layers.get("thatch") is not None)
            if stroke:
                assert float(stroke[1]) == pytest.approx(max(drawn_at(layers["thatch"]), left + 0.8), abs=0.06)
            assert (f'id="{station}-r"' in svg) == (known.get("root_depth_90") is not None)
        bar = [float(n) for n in re.findall(r"flex:([\d.]+)", page.partition('class="went"')[2].partition("</div>")[0])]
        parts = ("thatch_kept_mm", "root_gain_mm", "below_gain_mm", "evaporation_mm", "unaccounted_mm")
        wetting = now["wetting"] or {}
        values = [wetting[p]["value"] for p in parts if wetting.get(p) and wetting[p]["value"] is not None]
        assert bar == [pytest.approx(v, abs=0.006) for v in values if v > 0.005]
