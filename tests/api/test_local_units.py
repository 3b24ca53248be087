"""A site in inches: no page, text, calendar or message tells millimetres, Celsius or the day before the month."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from api.app import create_app
from pipeline.advice.advisor import site_advice
from pipeline.diary.entry import DiaryEntry
from pipeline.site.plan import Plan
from tests.api.served import TestClient, plain_form
from tests.api.site import DAYS, NOW_MS, SETTINGS, ground_at, readings

DAY_MS = 86_400_000
METRIC = re.compile(r"\d[ \N{NO-BREAK SPACE}]?(?:mm|°C|m³(?!/)|m)(?![\w/³²])|\b\d{1,2} (?:Jan|Feb|Mar|Apr|May|Jun)\b")
HEADED = re.compile(r"\b(?:mm|metres)\b")
MARKS = [
    {"letter": "A", "title": "the left peg", "at_m": (-15.0, -11.0)},
    {"letter": "B", "title": "the right peg", "at_m": (15.0, -11.0)},
]
THEIRS = (  # as people wrote it
    "the roller left 12 mm on 3 May", "drains 30 mm too high", "40 mm of sand", "13 mm tines are paid for",
)  # fmt: skip


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """The ground of all tests, in the United States."""
    settings = SETTINGS.replace('title = "Meadow Ground"\n', 'title = "Meadow Ground"\ncountry = "United States"\n')
    made = ground_at(tmp_path_factory.mktemp("inches"), settings)
    made.hear(readings(120, first_hour=24 * DAYS - 120))
    pipeline = made.pipeline
    pipeline.config = pipeline.config.model_copy(update={"plan": Plan.model_validate({"mark": MARKS})})
    write = pipeline.diary.add
    write(DiaryEntry("core", "square", NOW_MS - 9 * DAY_MS, {"thatch_mm": 14}, "s1"))
    write(DiaryEntry("place", "square", NOW_MS, {"x_m": 4.0, "y_m": 5.0}, "s1"))
    cable = {"title": "the wire", "what": "cable", "path_m": [[-9, -9], [9, 9]], "cover_mm": 62}
    write(DiaryEntry("buried", "square", NOW_MS, cable))
    write(DiaryEntry("note", "square", NOW_MS - 5 * 3_600_000, {"text": THEIRS[0]}))
    write(DiaryEntry("closed", "square", NOW_MS - DAY_MS, {"reason": THEIRS[1]}))
    write(DiaryEntry("cost", "square", NOW_MS - DAY_MS, {"amount": 90.0, "what": THEIRS[2]}))
    word = {"pass": "solid_tining", "reason": THEIRS[3]}
    write(DiaryEntry("override", "square", NOW_MS - DAY_MS, word, None, NOW_MS + 3 * DAY_MS, author="Ann"))
    write(DiaryEntry("watering", "square", NOW_MS - DAY_MS, {"water_mm": 8}, None, NOW_MS - DAY_MS + 3_600_000))
    tined = {"pass": "solid_tining", "depth_mm": 60}
    write(DiaryEntry("pass", "square", NOW_MS + 2 * DAY_MS, {**tined, "state": "booked"}))
    write(DiaryEntry("pass", "square", NOW_MS - 3 * DAY_MS, {"pass": "verticutting", "depth_mm": 2}))
    made.advise(site_advice(pipeline.config, pipeline.store, pipeline.diary, NOW_MS, forecast=None, fixtures=None))
    yield TestClient(create_app(pipeline))
    pipeline.stop()


def words_of(page: str) -> str:
    """Words of a page, those for a reader's voice too; without style, script, code and forms."""
    kept = re.sub(r"<(style|script|pre|code|textarea)\b.*?</\1>", " ", page, flags=re.S)
    for own in THEIRS:
        kept = kept.replace("\N{NO-BREAK SPACE}", " ").replace(own, "")
    return " ".join([*re.findall(r'(?:aria-label|title)="([^"]*)"', kept), re.sub(r"<[^>]*>", "\n", kept)])


@pytest.mark.parametrize("path", [
    "/", "/work", "/work/book?surface=square", "/work/square/windows", "/season/square", "/sheet/square", "/probes",
    "/alerts", "/ground", "/compare", "/stations/s1", "/stations/o1?days=366", "/stations/s2",
])  # fmt: skip
def test_no_page_tells_metric_figures(client: TestClient, path: str) -> None:
    """Neither with a figure nor as the head of a column, and no date with its day first."""
    answer = client.get(path)
    words = words_of(answer.text)
    assert answer.status_code == 200 and METRIC.findall(words) == [] and HEADED.findall(words) == []


def test_text_and_calendar_are_told_so_and_json_stays(client: TestClient) -> None:
    """The text has inches and Fahrenheit; the JSON of the same keeps its keys, figures and sentences in SI."""
    text = client.get("/api/v1/summary.txt").text
    assert METRIC.findall(text) == [] and re.search(r"\d in of water", text) and "°F" in text
    lines = re.sub(r"\r\n ", "", client.get("/calendar/work.ics").text).replace(THEIRS[3], "").splitlines()
    assert METRIC.findall("\n".join(line for line in lines if not line.startswith("UID:"))) == []
    told: Any = client.get("/api/v1/stations/s1").json()
    assert METRIC.search(" ".join(told["text"]) if "text" in told else str(told))


def test_what_a_person_wrote_stays_as_it_was_written(client: TestClient) -> None:
    """A note, a reason and a cost that hold figures and dates of their own; the figure beside them is converted."""
    work, season = (client.get(path).text.replace("\N{NO-BREAK SPACE}", " ") for path in ("/work", "/season/square"))
    assert all(own in work for own in THEIRS[:3]) and all(own in season for own in THEIRS[1:3])
    calendar = re.sub(r"\r\n ", "", client.get("/calendar/work.ics").text)
    windows = client.get("/work/square/windows").text.replace("\N{NO-BREAK SPACE}", " ")
    assert f"open on the word of Ann: {THEIRS[3]}" in windows and f"({THEIRS[3]})" in calendar
    assert "water given: 0.31 in" in work
    for path in ("/work", "/season/square", "/api/v1/summary.txt"):
        assert not set("\N{FIRST STRONG ISOLATE}\N{POP DIRECTIONAL ISOLATE}") & set(client.get(path).text)


def test_what_a_form_takes_in_inches_is_kept_in_millimetres(client: TestClient) -> None:
    """A depth of 4 in is 101.6 mm in the diary, and 4 in the form of the booking."""
    day = {"day": "2024-03-25", "time": "09:00"}
    form = {"surface": "outfield", "what": "solid_tining.12mm", "depth_mm": "4", **day}
    number = int(plain_form(client, "/work/book", form).rpartition("-")[2])
    entry = next(e for e in client.get("/api/v1/diary").json()["entries"] if e["id"] == number)
    assert entry["body"]["depth_mm"] == 101.6
    assert re.search(r'name="depth_mm"[^>]*value="4"', client.get(f"/work/book?entry={number}").text)
