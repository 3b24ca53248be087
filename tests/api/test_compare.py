"""Two sides over the same months: each day is the mean of its stored findings, and both are told of days both know."""

from __future__ import annotations

import datetime
import statistics
from collections import defaultdict
from typing import Any

import numpy as np
import pytest

from api.app import create_app
from api.compare import Picked
from api.plots import bars, day_lines
from tests.api.served import TestClient
from tests.api.site import HOUR_MS, NOW_MS, SETTINGS, MakeGround, readings
from tests.api.test_pages import page, words

ZONE = datetime.timezone(datetime.timedelta(hours=2))  # Etc/GMT-2, as the site has it
MARCH = "from_month=3&until_month=3"
ASKED = f"/api/v1/compare?station=s1&other_station=o1&{MARCH}"


def by_day(client: TestClient, station: str, quantity: str) -> dict[str, float]:
    """Means of the findings as the data interface lists them, by day of the site's clock."""
    found, address = (
        defaultdict(list),
        f"/api/v1/findings?station={station}&quantity={quantity}&from=2024-02-01T00:00:00Z",
    )
    while address:
        answer = client.get(address).json()
        for row in answer["findings"]:
            if row["value"] is not None:
                day = datetime.datetime.fromisoformat(row["start"]).astimezone(ZONE).date()
                found[f"{day:%m-%d}"].append(row["value"])
        address = answer["next"]
    return {day: statistics.fmean(values) for day, values in found.items() if len(values) >= 12}


@pytest.fixture(scope="module")
def found(client: TestClient) -> Any:
    return client.get(ASKED).json()


@pytest.mark.parametrize(("side", "station"), [("first", "s1"), ("second", "o1")])
def test_a_day_is_the_mean_of_its_findings(client: TestClient, found: Any, side: str, station: str) -> None:
    """Of every day of which at least half was told; other days are null, not nought."""
    for layer in ("thatch", "root_zone"):
        expected = by_day(client, station, f"{layer}_wetness")
        told = dict(zip(found["days"], found[side][f"{layer}_wetness"], strict=True))
        assert {day: value for day, value in told.items() if value is not None} == pytest.approx(expected)
    assert len(found["days"]) == 31 and found["days"][-1] == "03-31"


def test_both_are_told_of_the_days_that_both_know(client: TestClient, found: Any) -> None:
    """The mean of each side over the days that neither lacks; a layer that one side lacks has no days."""
    first, second = (by_day(client, name, "root_zone_wetness") for name in ("s1", "o1"))
    days = first.keys() & second.keys()
    both = {one["layer"]: one for one in found["both"]}
    assert len(days) >= 19 and both["root_zone"]["days"] == len(days)
    assert both["root_zone"]["first"] == pytest.approx(statistics.fmean(first[day] for day in days))
    assert both["root_zone"]["second"] == pytest.approx(statistics.fmean(second[day] for day in days))
    assert (both["thatch"]["days"], both["thatch"]["first"]) == (0, None)  # the outfield knows no thatch


def test_rain_is_what_the_gauge_counted(found: Any) -> None:
    """Two spells of 6 mm; one gauge counts for both, so it is drawn once."""
    assert found["first"]["rain_sum_mm"] == pytest.approx(12.0) and found["same_gauge"] is True
    fallen = [mm for mm in found["second"]["rain_mm"] if mm]
    assert sum(fallen) == pytest.approx(12.0) and len(fallen) <= 4


def test_a_day_of_few_readings_is_left_bare(make_ground: MakeGround) -> None:
    """Four days, of which the third was heard for three hours: it has no mean, and the line is in two parts."""
    ground = make_ground()
    heard = [r for r in readings(96, first_hour=384) if not 52 <= (r.measured_at_ms - NOW_MS) // HOUR_MS + 100 < 73]
    ground.hear(heard)
    told = TestClient(create_app(ground.pipeline)).get(ASKED).json()["first"]["root_zone_wetness"]
    known = [value is not None for value in told]
    first = known.index(True)
    assert known[first : first + 5] == [True, True, False, True, False]  # and two hours of today are too few
    assert not any(known[first + 5 :])
    assert day_lines([told]).lines[0].count("M") == 2


def test_lines_and_bars_are_drawn_to_one_scale() -> None:
    """Dry at the base, drained at its share, the wettest of both sides at the top (algebra); nought has no bar."""
    drawn = day_lines([[0.0, 1.0], [2.0, None]])
    assert (drawn.dry, drawn.drained) == (100.0, pytest.approx(100 * (2.08 - 1.0) / 2.08))
    assert drawn.lines[0] == "M250 100l500 -48" and drawn.lines[1] == "M250 4h1"
    assert bars([0.0, 5.0, None, 10.0], 10.0) == "M250 100h225v-50h-225zM750 100h225v-100h-225z"
    assert day_lines([[None, None], []]).lines == ("", "")


def test_a_leap_day_is_there_where_one_year_has_it() -> None:
    """2024 beside 2023: 29 February is a day of the first side alone; 2025 beside 2023 has none."""
    assert len(Picked((("s1", 2024), ("s1", 2023)), 2, 2).days) == 29
    assert len(Picked((("s1", 2025), ("s1", 2023)), 2, 2).days) == 28
    assert len(Picked((("s1", 2025), ("s1", 2023)), 1, 12).days) == 365


def test_two_years_of_which_one_was_not_heard_are_not_compared(client: TestClient) -> None:
    """Nothing is nought that is not known, no slices are drawn, and the page says so."""
    asked = f"station=s1&year=2024&other_station=s1&other_year=2023&{MARCH}"
    told = client.get(f"/api/v1/compare?{asked}").json()
    assert told["depths_on"] is None and all(value is None for value in told["second"]["root_zone_wetness"])
    assert told["second"]["rain_sum_mm"] is None and told["second"]["rain_days"] == 0
    said = words(page(client, f"/compare?{asked}"))
    assert "no day that is known on both sides, so nothing of them can be compared" in said
    assert "No day of these months is known on both sides" in said and "not known" in said


def test_without_picks_two_stations_are_compared_or_two_years_of_the_only_one(
    client: TestClient, make_ground: MakeGround
) -> None:
    """The months up to the present one; the form has what is shown picked."""
    told = client.get("/api/v1/compare").json()
    sides = [(told[side]["station"], told[side]["year"]) for side in ("first", "second")]
    assert sides == [("s1", 2024), ("s2", 2024)] and (told["first_month"], told["last_month"]) == (1, 3)
    tags = page(client, f"/compare?station=o1&other_station=s1&{MARCH}")
    picked = [str(o.get("value")) for o in tags.every("option") if "selected" in o]
    assert picked[0] == "o1" and picked[2] == "s1" and picked[-2:] == ["3", "3"]
    only = SETTINGS.partition('[[surface.station]]\nname = "s2"')[0]
    told = TestClient(create_app(make_ground(settings=only).pipeline)).get("/api/v1/compare").json()
    assert [(told[side]["station"], told[side]["year"]) for side in ("first", "second")] == [("s1", 2024), ("s1", 2023)]


@pytest.mark.parametrize(
    ("asked", "status", "said"),
    [
        ("station=s9", 404, "found 's9', expected"),
        ("from_month=13", 422, "from_month: found 13, expected 1 to 12"),
        ("from_month=5&until_month=3", 422, "from_month: found 5, expected a month not after until_month, 3"),
        ("year=1066", 422, "year: found 1066"),
        ("until_month=x", 422, "until_month"),
    ],
)
def test_what_cannot_be_compared_is_refused_by_name(client: TestClient, asked: str, status: int, said: str) -> None:
    for address in ("/api/v1/compare", "/compare"):
        answer = client.get(f"{address}?{asked}")
        assert answer.status_code == status and said in answer.text


def test_an_empty_site_says_how_to_begin(empty_client: TestClient) -> None:
    assert "No station yet" in words(page(empty_client, "/compare"))
    assert empty_client.get("/api/v1/compare").status_code == 404


def test_the_page_says_what_the_data_say(client: TestClient, found: Any) -> None:
    """The bold sentence, the table, and each depth of both slices, which are drawn where the data have them."""
    tags = page(client, f"/compare?station=s1&other_station=o1&{MARCH}")
    said = words(tags).replace("\N{NO-BREAK SPACE}", " ")
    root = next(one for one in found["both"] if one["layer"] == "root_zone")
    first, second = (f"{round(root[side] * 100)} %" for side in ("first", "second"))
    assert f"{first} of the way to drained against {second}, over {root['days']} days known in both" in said
    for side in ("first", "second"):
        for one in found[side]["depths"]:
            assert f"{one['depth_mm']:.0f} mm: {round(one['wetness'] * 100)} %" in said
    assert len([p for p in tags.every("path") if p.get("data-draw") == "edge"]) == 2
    assert said.count(f"12 mm in {found['first']['rain_days']} days") == 2
    assert np.isfinite([one["wetness"] for one in found["first"]["depths"]]).all()
