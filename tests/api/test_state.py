"""A missed slot hides nothing: page, summary and JSON show the last answer and since when there is silence."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from html.parser import HTMLParser

import pytest

from api.app import create_app
from api.data import iso
from hardware.reading import Reading, Status
from tests.api.served import TestClient
from tests.api.site import HOURS, NOW_MS, MakeGround, outfield_water, readings
from tests.pipeline.hand import HOUR_MS

Change = Callable[[Reading], bool]


class Words(HTMLParser):
    """The words of a page, its table cells apart."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.feed(html)

    def handle_data(self, data: str) -> None:
        self.parts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.parts).replace("\N{NO-BREAK SPACE}", " ").split())


def none(reading: Reading) -> bool:
    return False


def ground_with(make_ground: MakeGround, missed: Change, *, garbled: Change = none) -> TestClient:
    """Two days of readings, the last in this very hour; those missed had no answer, those garbled one of no use."""
    ground, heard = make_ground(), []
    for r in readings(49, first_hour=HOURS - 48):
        if missed(r) or garbled(r):
            r = dataclasses.replace(r, raw=None, status=Status.SILENT if missed(r) else Status.BAD_CHECK)
        heard.append(r)
    ground.hear(heard)
    return TestClient(create_app(ground.pipeline))


@pytest.mark.parametrize(
    ("slots", "line"),
    [
        (1, "Silent since 01:00 today, 1 hour."),
        (3, "Silent since Wed 20 Mar 23:00, 3 hours."),
        (40, "Silent since Tue 19 Mar 10:00, 40 hours. What follows is how it was then."),
    ],
)
def test_a_station_that_misses_its_slots_is_silent_since_its_last_answer(
    make_ground: MakeGround, slots: int, line: str
) -> None:
    """Whether one slot was missed or forty, the last values stand with their age, alike in page, summary and JSON; the
    site's clock is two hours ahead of UTC, and the date is told where it is not today's."""
    last_ms = NOW_MS - slots * HOUR_MS
    client = ground_with(make_ground, lambda r: r.channel.startswith("o1/") and r.measured_at_ms > last_ms)
    value = outfield_water(HOURS - slots, 100)
    page, summary = Words(client.get("/stations/o1").text).text, client.get("/api/v1/summary.txt").text
    now = client.get("/api/v1/stations/o1").json()
    since = line.removeprefix("Silent ").partition(".")[0]
    for said in (page, summary, " ".join(now["words"])):
        assert line in said and "Root zone" in said
    assert f"Water content, 100 mm {value:.3f} m³/m³ good silent {since}" in page
    assert re.search(r"100 mm \d+ % silent", client.get("/stations/o1").text)
    assert f"100 mm  {value:.3f} m3/m3  good, silent {since}" in summary
    assert now["heard_at"] == iso(last_ms)
    channel = next(c for c in now["channels"] if c["id"] == "o1/d1/moisture_0100")
    assert (channel["value"], channel["flag"], channel["unit"]) == (value, 1, "m3 m-3")
    assert channel["at"] == channel["silent_since"] == iso(last_ms)
    probe = next(p for p in client.get("/api/v1/probes").json() if p["name"] == "d1")
    assert probe["heard_at"] == iso(last_ms)
    answered = client.get("/api/v1/answers").json()[-1]
    assert any(f"Outfield, long side: silent {since}." in text for text in answered["lines"])


def test_a_station_that_answers_is_not_silent(make_ground: MakeGround) -> None:
    """Nothing missed in the end: no word of silence, whatever was missed before."""
    client = ground_with(make_ground, lambda r: NOW_MS - 5 * HOUR_MS < r.measured_at_ms < NOW_MS)
    now = client.get("/api/v1/now").json()
    assert [c for s in now for c in s["channels"] if c["silent_since"]] == []
    assert [la for s in now for la in s["layers"] if la["silent_since"]] == []
    for station in ("s1", "o1"):
        said = Words(client.get(f"/stations/{station}").text).text
        assert "Last heard 02:00 today, less than a minute ago." in said and "silent" not in said.lower()


def test_a_channel_that_was_never_heard_has_no_answer(make_ground: MakeGround) -> None:
    """Slots missed from the beginning on: no value, no time, and not silent since then."""
    client = ground_with(make_ground, lambda r: r.channel == "o1/d1/moisture_0100")
    now = client.get("/api/v1/stations/o1").json()
    channel = next(c for c in now["channels"] if c["id"] == "o1/d1/moisture_0100")
    assert (channel["value"], channel["flag"], channel["at"], channel["silent_since"]) == (None, 9, None, None)
    assert "Water content, 100 mm no answer no answer" in Words(client.get("/stations/o1").text).text


def test_a_layer_stands_as_it_was_when_its_channel_last_answered(make_ground: MakeGround) -> None:
    """The thatch probe misses two slots while the roots are heard: the water of its 14 mm is that of its last answer,
    with its age, and the root zone is as of now."""
    last_ms = NOW_MS - 2 * HOUR_MS
    heard = ground_with(make_ground, lambda r: r.measured_at_ms > last_ms).get("/api/v1/stations/s1").json()
    client = ground_with(make_ground, lambda r: r.channel.startswith("s1/t1/") and r.measured_at_ms > last_ms)
    now = client.get("/api/v1/stations/s1").json()
    thatch, roots = now["layers"]
    assert {**thatch, "silent_since": None} == heard["layers"][0]  # a station silent since then says the same
    assert (thatch["at"], thatch["silent_since"]) == (iso(last_ms), iso(last_ms))
    assert (roots["at"], roots["silent_since"]) == (iso(NOW_MS), None)
    line = f"Thatch, silent since 00:00 today, 2 hours: {thatch['water_mm']:.1f} mm of water"
    for said in (
        Words(client.get("/stations/s1").text).text,
        client.get("/api/v1/summary.txt").text,
        now["words"][1],
    ):
        assert line in said
    assert "Last heard 02:00 today" in now["words"][0]


def test_a_layer_whose_channel_answers_badly_is_withheld(make_ground: MakeGround) -> None:
    """A check sum that does not fit is an answer: the silence of another channel does not explain why the thatch is
    withheld, and no figure of before is shown for it."""
    last_ms = NOW_MS - 2 * HOUR_MS
    client = ground_with(
        make_ground,
        lambda r: r.channel == "s1/p1/moisture_035" and r.measured_at_ms > last_ms,
        garbled=lambda r: r.channel == "s1/t1/moisture" and r.measured_at_ms == NOW_MS,
    )
    thatch, _ = client.get("/api/v1/stations/s1").json()["layers"]
    assert (thatch["wetness"], thatch["silent_since"]) == (None, None)
    assert thatch["reason"] == "no good reading from t1/moisture"
