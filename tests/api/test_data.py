"""The JSON interface, against sums done by hand on the numbers that were sent."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Sequence
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import numpy as np
import pandas as pd
import pytest

from api.app import create_app
from api.data import DAY_MS, MAX_CHANNELS, iso
from api.export import json_rows
from hardware.reading import Reading, Status
from pipeline.store.packed import unpack_days
from pipeline.store.series import numbers_of
from tests.api.served import TestClient
from tests.api.site import HOURS, NOW_MS, RAIN_AT_HOUR, SETTINGS, MakeGround, outfield_water, readings
from tests.pipeline.hand import HOUR_MS, OUTBOX, START_MS

CHANNEL = "o1/d1/moisture_0100"
RAIN = "o1/w1/rain"
OBSERVATIONS = "/api/v1/observations"
FINDINGS = "/api/v1/findings"


def span(first_hour: int, last_hour: int) -> dict[str, str]:
    return {"from": iso(START_MS + first_hour * HOUR_MS), "to": iso(START_MS + last_hour * HOUR_MS)}


def test_raw_observations_are_what_was_sent(client: TestClient) -> None:
    """Undrawn, each observation has its time, its value, its raw value and its flag; the span is half open."""
    answer = client.get(OBSERVATIONS, params={"channel": CHANNEL, "every": "raw", **span(24, 48)}).json()
    assert [o["at"] for o in answer["observations"]] == [iso(START_MS + h * HOUR_MS) for h in range(24, 48)]
    assert [o["value"] for o in answer["observations"]] == [outfield_water(h, 100) for h in range(24, 48)]
    assert all(o["raw"] == o["value"] and o["low"] is None and o["n"] is None for o in answer["observations"])
    assert answer["units"] == {CHANNEL: "m3 m-3"}
    assert answer["next"] is None


@pytest.mark.parametrize("empty", ["", "a", "b", "c", "ab", "bc"])
def test_rows_by_column_are_what_json_has(empty: str) -> None:
    """The array is that of Python's json for the same rows, wherever a column without any value stands."""
    rows = [{"a": i, "b": f"x{i}", "c": i / 3} for i in range(3)]
    rows = [{name: None if name in empty else value for name, value in row.items()} for row in rows]
    columns: dict[str, list[str] | None] = {"a": ["0", "1", "2"], "b": ["x0", "x1", "x2"]}
    columns |= {"c": [json.dumps(i / 3) for i in range(3)]}
    text = json_rows({n: None if n in empty else c for n, c in columns.items()}, quoted=("b",))
    assert json.loads(text) == rows


def test_hours_and_days_are_the_hand_sums(client: TestClient) -> None:
    """A day drawn together is the mean, least and greatest of its 24 values; an hour that has one value is that."""
    hour = client.get(OBSERVATIONS, params={"channel": CHANNEL, "every": "hour", **span(24, 48)}).json()["observations"]
    assert [(o["value"], o["low"], o["high"], o["n"]) for o in hour] == [
        (outfield_water(h, 100),) * 3 + (1,) for h in range(24, 48)
    ]
    day = client.get(OBSERVATIONS, params={"channel": CHANNEL, "every": "day", **span(24, 48)}).json()["observations"]
    values = [outfield_water(h, 100) for h in range(24, 48)]
    assert [(o["at"], o["n"]) for o in day] == [(iso(START_MS + DAY_MS), 24)]
    # The store keeps binary floats: the mean of 24 of them may be off by their last bit.
    assert day[0]["value"] == pytest.approx(math.fsum(values) / 24, abs=1e-12)
    assert (day[0]["low"], day[0]["high"]) == (min(values), max(values))


@pytest.mark.parametrize("every", ["hour", "day"])
def test_rain_is_summed_not_averaged(client: TestClient, every: str) -> None:
    """Six millimetres fell in three hours: so much is in their hours together, and in their day."""
    first = RAIN_AT_HOUR // 24 * 24
    rows = client.get(OBSERVATIONS, params={"channel": RAIN, "every": every, **span(first, first + 24)}).json()
    wet = [o["value"] for o in rows["observations"] if o["value"]]
    assert wet == pytest.approx([2.0] * 3 if every == "hour" else [6.0], abs=1e-9)
    assert rows["units"] == {RAIN: "mm"}


def test_an_hour_of_many_readings_is_their_mean_and_of_rain_their_sum(make_ground: MakeGround) -> None:
    """Four readings a quarter of an hour apart: water 0.20, 0.22, 0.24, 0.26 is 0.23 on the mean, and four tips of
    0.5 mm, the first of them unknown for want of a count before it, are 1.5 mm."""
    ground = make_ground()
    heard = []
    for i, (water, total) in enumerate(((0.20, 0.5), (0.22, 1.0), (0.24, 1.5), (0.26, 2.0))):
        at_ms = NOW_MS - 4 * HOUR_MS + i * HOUR_MS // 4
        for channel, raw in ((CHANNEL, water), (RAIN, total)):
            slot = str(at_ms // 1000)
            heard.append(
                Reading("meadow", "node-1", OUTBOX, len(heard) + 1, channel, slot, at_ms, raw, Status.OK, 1, True)
            )
    ground.hear(heard)
    client = TestClient(create_app(ground.pipeline))
    rows = client.get(OBSERVATIONS, params={"channel": [CHANNEL, RAIN], "every": "hour"}).json()["observations"]
    assert [(o["channel"], o["n"]) for o in rows] == [(CHANNEL, 4), (RAIN, 3)]
    assert rows[0]["value"] == pytest.approx(0.23, abs=1e-12)
    assert (rows[0]["low"], rows[0]["high"]) == (0.20, 0.26)
    assert rows[1]["value"] == pytest.approx(1.5, abs=1e-9)


@pytest.mark.parametrize(
    ("days", "step"), [(14, "raw"), (14.1, "hour"), (190, "hour"), (190.1, "day")], ids=lambda v: str(v)
)
def test_long_spans_are_drawn_together_by_themselves(client: TestClient, days: float, step: str) -> None:
    """Up to two weeks every observation, up to half a year hours, beyond days."""
    params = {"channel": CHANNEL, "from": iso(NOW_MS - round(days * DAY_MS)), "to": iso(NOW_MS)}
    assert client.get(OBSERVATIONS, params=params).json()["every"] == step


@pytest.mark.parametrize("limit", [1, 7, 24, 25])
def test_pages_join_to_the_whole(client: TestClient, limit: int) -> None:
    """Following `next` to its end gives every observation once and in order, whatever the size of a page."""
    params: dict[str, object] = {"channel": [CHANNEL, RAIN], "every": "raw", **span(0, 12)}
    whole = client.get(OBSERVATIONS, params=params).json()["observations"]
    assert len(whole) == 24
    joined, answer = [], client.get(OBSERVATIONS, params={**params, "limit": limit}).json()
    pages = 1
    while True:
        assert len(answer["observations"]) <= limit
        joined += answer["observations"]
        if answer["next"] is None:
            break
        answer, pages = client.get(answer["next"]).json(), pages + 1
    assert joined == whole
    assert pages == math.ceil(24 / limit)


def test_a_page_beyond_the_last_is_empty(client: TestClient) -> None:
    """Asking on past the end gives nothing, and no further page."""
    answer = client.get(
        OBSERVATIONS, params={"channel": CHANNEL, "after": f"{CHANNEL}@{iso(NOW_MS)}", **span(0, 12)}
    ).json()
    assert answer["observations"] == [] and answer["next"] is None


def test_next_keeps_what_was_asked(client: TestClient) -> None:
    """The address of the next page names the same channels, span and step."""
    following = client.get(OBSERVATIONS, params={"channel": CHANNEL, "limit": 5, **span(0, 12)}).json()["next"]
    asked = dict(parse_qsl(urlsplit(following).query))
    place = f"{CHANNEL}@{iso(START_MS + 4 * HOUR_MS)}"  # the fifth of an hourly record
    assert asked == {"channel": CHANNEL, "every": "raw", "limit": "5", "after": place, **span(0, 12)}


@pytest.mark.parametrize("limit", [1, 10])
def test_a_page_reads_no_more_than_it_gives(client: TestClient, limit: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of twenty days of two channels those are fetched that hold the page and the one row beyond it, which tells that
    there is another page, and of each channel at most one day more; so on the first page, in the middle, and where one
    channel ends and the other begins."""
    read = list[int]()

    def counted(days: Sequence[bytes]) -> tuple[np.ndarray, np.ndarray]:
        read.append(len(days))
        return unpack_days(days)

    monkeypatch.setattr("pipeline.store.series.unpack_days", counted)
    asked = {"channel": [CHANNEL, RAIN], "every": "raw", "limit": limit, **span(0, HOURS)}
    for after in (None, f"{CHANNEL}@{iso(START_MS + 200 * HOUR_MS)}", f"{CHANNEL}@{iso(NOW_MS - 2 * HOUR_MS)}"):
        read.clear()
        answer = client.get(OBSERVATIONS, params={**asked, **({"after": after} if after else {})}).json()
        assert len(answer["observations"]) == limit and answer["next"] is not None
        channels = {row["channel"] for row in answer["observations"]}
        assert 1 <= sum(read) <= len(read) * 2 and len(channels) <= len(read) <= 2


@pytest.mark.parametrize("every", ["hour", "day"])
def test_years_without_readings_cost_no_time(
    make_ground: MakeGround, every: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From 1970 to 2190, on every channel, a page is that of the days that were recorded, a lone reading twenty years
    before among them; the store is asked four times a channel at most, whatever the years."""
    ground = make_ground()
    lone = START_MS - 20 * 365 * DAY_MS - 30 * 60_000
    ground.hear([Reading("meadow", "node-2", OUTBOX, 1, CHANNEL, str(lone // 1000), lone, 0.2, Status.OK, 1, True)])
    ground.hear(readings(24))
    client, asked = TestClient(create_app(ground.pipeline)), {"every": every, "limit": "1000"}
    whole = client.get(OBSERVATIONS, params={**asked, **span(0, 24)}).json()["observations"]
    steps, calls = ground.pipeline.store.steps, list[object]()

    def counted(*of: Any) -> pd.DataFrame:
        calls.append(of)
        assert len(calls) < 1000, "asked year after year"
        return steps(*of)

    monkeypatch.setattr(ground.pipeline.store, "steps", counted)
    far = {**asked, "from": "1970-01-01T00:00:00Z", "to": "2190-01-01T00:00:00Z"}
    rows = client.get(OBSERVATIONS, params=far).json()["observations"]
    assert rows == sorted([row for row in rows if row["at"] < iso(START_MS)] + whole, key=_by_place)
    step_ms = {"hour": HOUR_MS, "day": DAY_MS}[every]
    assert [row["at"] for row in rows if row["at"] < iso(START_MS)] == [iso(lone // step_ms * step_ms)]
    assert len(whole) >= 10 and len(calls) <= 4 * len(ground.pipeline.config.channels())


def _by_place(row: dict[str, str]) -> tuple[str, str]:
    return row["channel"], row["at"]


@pytest.mark.parametrize("every", ["raw", "hour", "day"])
def test_a_reading_that_comes_late_moves_no_page(make_ground: MakeGround, every: str) -> None:
    """What arrives behind the place a reader has come to is not given, and shifts nothing that still is."""
    ground = make_ground()
    ground.hear(readings(72))
    client = TestClient(create_app(ground.pipeline))
    asked: dict[str, object] = {"channel": CHANNEL, "every": every, "limit": 2, **span(-24, 72)}
    first = client.get(OBSERVATIONS, params=asked).json()
    whole = client.get(OBSERVATIONS, params={**asked, "limit": 100}).json()["observations"]
    late = START_MS - 30 * 60_000
    ground.hear([Reading("meadow", "node-2", OUTBOX, 1, CHANNEL, str(late // 1000), late, 0.2, Status.OK, 1, True)])
    assert client.get(first["next"]).json()["observations"] == whole[2:4] != []


def test_every_channel_has_its_unit(client: TestClient) -> None:
    """The unit that the list of probes gives is that of the observations."""
    probes = client.get("/api/v1/probes").json()
    units = {c["id"]: c["unit"] for p in probes for c in p["channels"]}
    answer = client.get(OBSERVATIONS, params={"limit": 1}).json()
    assert answer["units"] == units
    assert units[CHANNEL] == "m3 m-3" and units["o1/w1/air_temperature"] == "degC" and units[RAIN] == "mm"


def test_every_channel_says_what_it_lies_in(client: TestClient) -> None:
    """12 mm of sensing height at 8 mm in 14 mm of thatch: its top 2, its end 14 mm, so thatch (by hand); 35 mm with a
    height of 20 lies in soil; a gauge in none."""
    channels = {c["id"]: c for p in client.get("/api/v1/probes").json() for c in p["channels"]}
    assert (channels["s1/t1/moisture"]["lies_in"], channels["s1/t1/moisture"]["depth_mm"]) == ("thatch", 8.0)
    assert channels["s1/p1/moisture_035"]["lies_in"] == "soil"
    assert channels[RAIN]["lies_in"] is None and channels[RAIN]["depth_mm"] is None


def test_csv_has_every_observation_of_the_span(client: TestClient) -> None:
    """The file has a header, one line an observation, times in UTC, and the unit beside each value."""
    answer = client.get("/api/v1/observations.csv", params={"channel": [CHANNEL, RAIN], **span(24, 48)})
    rows = list(csv.DictReader(line for line in io.StringIO(answer.text) if not line.startswith("#")))
    assert (
        answer.headers["content-type"].startswith("text/csv") and "attachment" in answer.headers["content-disposition"]
    )
    assert len(rows) == 48
    assert rows[0]["channel"] == CHANNEL and rows[0]["time"] == "2024-03-02T00:00:00.000Z"
    assert float(rows[0]["value"]) == outfield_water(24, 100)
    assert {(r["channel"], r["unit"], r["flag"]) for r in rows} >= {(CHANNEL, "m3 m-3", "good")}


def test_unknown_names_are_refused_with_what_is_known(client: TestClient) -> None:
    """A channel or a station that is not there is 404, and the problem names what was asked for."""
    for path, name in (
        (f"{OBSERVATIONS}?channel=o1/d1/nothing", "o1/d1/nothing"),
        ("/api/v1/observations.csv?channel=o1/d1/nothing", "o1/d1/nothing"),
        ("/api/v1/findings?station=s9", "s9"),
        ("/api/v1/stations/s9", "s9"),
    ):
        answer = client.get(path)
        assert answer.status_code == 404, path
        assert answer.headers["content-type"] == "application/problem+json"
        assert name in answer.json()["detail"]


def test_an_empty_span_is_refused(client: TestClient) -> None:
    """A span that ends where or before it begins is 422, with both ends named."""
    for first, last in ((5, 5), (6, 5)):
        answer = client.get(OBSERVATIONS, params={"channel": CHANNEL, **span(first, last)})
        assert answer.status_code == 422
        assert span(first, last)["from"] in answer.json()["detail"]


@pytest.mark.parametrize(
    "query",
    ["limit=0", "limit=10001", "after=-1", "after=o1/d1/moisture_0100@yesterday", "every=week", "from=yesterday"],
)
def test_a_query_of_the_wrong_form_is_refused(client: TestClient, query: str) -> None:
    """Limits of a page are held, and the problem names the parameter."""
    answer = client.get(f"{OBSERVATIONS}?{query}")
    assert answer.status_code == 422
    assert query.split("=")[0] in answer.json()["detail"]


@pytest.mark.parametrize(
    "query",
    [
        "to=0001-01-01T00:00:00Z", "from=0001-01-01T00:00:00%2B14:00", "to=9999-12-31T23:59:59-14:00",
        "to=-62135596800", "from=1969-12-31T23:59:59Z", "after=o1/w1/rain@0001-01-01T00:00:00Z",
    ],
)  # fmt: skip
@pytest.mark.parametrize("path", ["observations", "observations.csv", "findings?station=s1", "alerts/events", "diary"])
def test_a_time_that_no_clock_shows_is_refused(client: TestClient, path: str, query: str) -> None:
    """422 with what was found, not a fault of the program; days before 1970 are no time of a reading."""
    answer = client.get(f"/api/v1/{path}{'&' if '?' in path else '?'}{query}")
    if query.startswith("after") and path != "observations":
        assert answer.status_code in (400, 422)
    else:
        assert answer.status_code == 422, answer.text
        assert "found" in answer.json()["detail"]


def test_the_first_week_of_1970_is_a_span(client: TestClient) -> None:
    """The default span ends at the beginning of time, and is empty."""
    answer = client.get("/api/v1/observations?to=1970-01-02T00:00:00Z")
    assert answer.status_code == 200 and answer.json()["observations"] == []


def test_too_many_channels_are_refused_not_cut(make_ground: MakeGround) -> None:
    """A site with more channels than one answer may have says so, instead of leaving some out."""
    station = '[[surface.station]]\nname = "x{0}"\nsoil = "loam"\n[[surface.station.probe]]\nname = "p"\n'
    many = SETTINGS + "".join(station.format(i) + 'model = "root_zone_profile"\n' for i in range(6))
    ground = make_ground(settings=many)
    client = TestClient(create_app(ground.pipeline))
    assert len(ground.pipeline.config.channels()) > MAX_CHANNELS
    assert client.get(OBSERVATIONS).status_code == 422
    assert client.get(OBSERVATIONS, params={"channel": CHANNEL}).status_code == 200


def test_findings_carry_value_range_and_reason(client: TestClient) -> None:
    """Water in the thatch is its water content over its 14 mm; a table's limits leave the outfield a range."""
    asked: dict[str, object] = {"station": "s1", "quantity": "thatch_water", "limit": 3}
    thatch = client.get(FINDINGS, params=asked).json()["findings"]
    assert [f["unit"] for f in thatch] == ["mm"] * 3
    content = client.get(OBSERVATIONS, params={"channel": "s1/t1/moisture", "every": "raw", "limit": 1}).json()
    assert thatch[0]["value"] == pytest.approx(content["observations"][0]["value"] * 14.0, abs=1e-9)
    outfield = client.get(FINDINGS, params={"station": "o1", "quantity": "root_zone_wetness"}).json()["findings"]
    assert outfield and all(f["low"] < f["value"] < f["high"] for f in outfield)


@pytest.mark.parametrize("limit", [1, 7, 24, 25])
def test_pages_of_findings_join_to_the_whole(client: TestClient, limit: int) -> None:
    """Following `next` to its end gives every finding once and in order, and no page is longer than was asked for."""
    asked: dict[str, object] = {"station": "s1", "quantity": ["thatch_water", "root_zone_water"], **span(0, 12)}
    whole = client.get(FINDINGS, params=asked).json()
    assert len(whole["findings"]) == 24 and whole["next"] is None
    answer = client.get(FINDINGS, params={**asked, "limit": limit}).json()
    pages = [answer["findings"]]
    while answer["next"] is not None:
        answer = client.get(answer["next"]).json()
        pages.append(answer["findings"])
    assert [one for page in pages for one in page] == whole["findings"]
    assert [len(page) for page in pages] == [limit] * (24 // limit) + [24 % limit] * bool(24 % limit)


def test_a_page_of_findings_reads_no_more_rows_than_it_gives(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of hundreds of findings the store hands out those of the page and one more, wherever the page begins."""
    read = list[int]()

    def counted(rows: Iterable[Sequence[float]], width: int) -> np.ndarray:
        table = numbers_of(rows, width)
        read.append(table.shape[1])
        return table

    monkeypatch.setattr("pipeline.store.series.numbers_of", counted)
    for after in (None, f"thatch_water@{iso(START_MS + 200 * HOUR_MS)}"):
        read.clear()
        asked: dict[str, object] = {"station": "s1", "limit": 5, **span(0, HOURS)}
        answer = client.get(FINDINGS, params={**asked, **({"after": after} if after else {})}).json()
        assert len(answer["findings"]) == 5 and answer["next"] is not None
        assert sum(read) == 6


def test_a_place_that_is_none_is_refused(client: TestClient) -> None:
    """The number of findings to pass over is no place in their order, and the problem says what is."""
    answer = client.get(FINDINGS, params={"station": "s1", "after": "100"})
    assert answer.status_code == 422 and "found '100', expected QUANTITY@TIME" in answer.json()["detail"]


def test_now_says_what_is_known_and_what_is_not(client: TestClient) -> None:
    """Each station has its layers, its alerts and its words; one that was never heard says that it cannot tell."""
    now = {s["station"]: s for s in client.get("/api/v1/now").json()}
    assert list(now) == ["s1", "s2", "o1"]
    assert [layer["layer"] for layer in now["s1"]["layers"]] == ["thatch", "root_zone"]
    assert [layer["layer"] for layer in now["o1"]["layers"]] == ["top_layer", "root_zone"]
    assert [a["rule"] for a in now["s1"]["alerts"]] == ["thatch_holding"]
    assert now["s1"]["heard_at"] == iso(NOW_MS - HOUR_MS) and not now["s1"]["is_old"]
    assert now["s2"]["heard_at"] is None and now["s2"]["layers"] == [] and now["s2"]["silent_probes"] == ["p2"]
    assert "cannot tell" in " ".join(now["s2"]["words"])
    assert client.get("/api/v1/stations/s1").json() == now["s1"]


def test_alerts_and_their_events_tell_the_same(client: TestClient) -> None:
    """An open alert has been opened in the events of its time, in the same place and by the same rule."""
    alert = next(a for a in client.get("/api/v1/alerts").json() if a["rule"] == "thatch_holding")
    events = client.get("/api/v1/alerts/events", params=span(0, HOURS + 1)).json()
    opened = [e for e in events if e["kind"] == "opened" and e["rule"] == "thatch_holding"]
    assert [e["at"] for e in opened] == [alert["opened"]]
    assert opened[0]["station"] == alert["station"] == "s1"


def test_the_site_names_its_surfaces_and_stations(client: TestClient) -> None:
    """Surfaces in the order of the file, with thatch where a core is known and nothing where none is."""
    site = client.get("/api/v1/site").json()
    stations = {s["name"]: s for f in site["surfaces"] for s in f["stations"]}
    assert [f["kind"] for f in site["surfaces"]] == ["square", "outfield"]
    assert {name: s["thatch_mm"] for name, s in stations.items()} == {"s1": 14.0, "s2": None, "o1": None}
    assert site["now"] == iso(NOW_MS)
