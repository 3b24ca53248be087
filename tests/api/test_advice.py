"""What is advised, over the data interface: complete, with its reasons, and never as a guess where nothing is known.

Expected values are worked out from the hours, courses and dates that `advice_by_hand` sets.
"""

from __future__ import annotations

import datetime
from typing import Any

import numpy as np
import pytest

from api.app import create_app
from api.problems import PROBLEM_TYPE
from pipeline.advice.conditions import CONDITIONS
from pipeline.forecast.wetness import spread_of
from tests.api.advice_by_hand import AHEAD_H, TABLE, ZONE, advice
from tests.api.served import TestClient
from tests.api.site import MakeGround

ADDRESSES = [
    "/api/v1/advice", "/api/v1/surfaces/square/windows", "/api/v1/stations/s1/forecast", "/api/v1/stations/s1/water",
]  # fmt: skip


def get(client: TestClient, path: str) -> Any:
    answer = client.get(path)
    assert answer.status_code == 200, answer.text
    return answer.json()


def every_hour(start: datetime.datetime, end: datetime.datetime) -> list[datetime.datetime]:
    return [start + datetime.timedelta(hours=n) for n in range(round((end - start).total_seconds() / 3600))]


def windows(client: TestClient, surface: str, kind: str) -> list[dict[str, Any]]:
    passes = get(client, f"/api/v1/surfaces/{surface}/windows")["passes"]
    return next(one["windows"] for one in passes if one["kind"] == kind)


def test_the_whole_site_is_told_with_what_was_missing(client: TestClient) -> None:
    """Each surface with its passes in their order, its stations, its play, and the notes."""
    told = get(client, "/api/v1/advice")
    assert told["at"] == "2024-03-21T00:00:00Z" and "No weather forecast is set" in told["notes"][0]
    square, outfield = told["surfaces"]
    assert [one["kind"] for one in square["passes"]] == ["scarifying", "verticutting", "solid_tining"]
    assert [one["station"] for one in square["stations"]] == ["s1", "s2"] and square["dawn_leaf_degc"] == -0.6
    assert square["play"] == [
        {
            "title": "League match <1st XI>", "start": "2024-05-04T00:00:00Z", "end": "2024-05-04T07:00:00Z",
            "strips": [4],
        }
    ]  # fmt: skip
    assert outfield["passes"][0]["now"] == "cannot_tell" and outfield["passes"][0]["last_good"] is None


def test_a_pass_has_its_line_its_window_and_its_last_good_date(client: TestClient) -> None:
    """Thatch is fit from the 30th hour on, rain in the 100th closes it two days before; 20 and 16 days before play."""
    scarifying = get(client, "/api/v1/advice")["surfaces"][0]["passes"][0]
    assert scarifying["line"].startswith("Square: scarifying to 8 mm must wait, thatch too wet. Due to open Fri 8:00")
    assert scarifying["depth_mm"] == 8.0 and scarifying["now"] == "wait"
    assert (scarifying["opens_at"], scarifying["closes_at"]) == ("2024-03-22T06:00:00Z", "2024-03-22T17:00:00Z")
    assert scarifying["last_good"] == {
        "safe": "2024-04-14", "likely": "2024-04-18", "needed_on": "2024-05-04", "for_play": True,
        "line": "Square: to heal before play on 4 May, do the scarifying by 14 Apr, 18 Apr at the latest.",
    }  # fmt: skip
    assert scarifying["healed"] == {"earliest": "2024-04-02", "likely": "2024-04-06", "latest": None}


def test_windows_follow_each_other_with_their_reasons(client: TestClient) -> None:
    """No working hour is left out and none told twice; what is not open says why and what would open it."""
    found = windows(client, "square", "scarifying")
    hours = [
        hour.astimezone(ZONE)
        for window in found
        for hour in every_hour(*(datetime.datetime.fromisoformat(window[key]) for key in ("start", "end")))
    ]
    days = [datetime.date(2024, 3, 21) + datetime.timedelta(days=n) for n in range(10)]
    assert [(h.date(), h.hour) for h in hours] == [(day, hour) for day in days for hour in range(7, 19)]
    verdicts = list(dict.fromkeys((w["start"][:10], w["verdict"]) for w in found))
    assert [v for _, v in verdicts] == [
        *("wait", "wait", "open", "closed", "closed", "open", "open", "open", "open", "cannot_tell", "cannot_tell"),
    ]
    wait, _, fit, rain = found[:4]
    assert (wait["binding"], wait["reason"]) == ("thatch_wetness", "thatch too wet")
    assert wait["detail"] == "thatch too wet: 0.84, wanted 0.7 or less"
    note = TABLE.facts["scarifying"].wait_notes["thatch_wetness"]
    assert wait["opens"] == f"{CONDITIONS['thatch_wetness'].high_opens}; meanwhile {note}"
    assert (fit["binding"], fit["reason"], fit["opens"]) == ("", "", "")
    # 0.6 +- 0.1 lies within 0.3 to 0.7 with the chance that a normal value lies between -3 and 1 spreads: 0.840
    assert fit["chance"] == pytest.approx(0.840, abs=0.001)
    assert rain["reason"] == "too much rain coming" and fit["lift_first"] == ["t1", "p1"]
    assert "no print or wheel mark" in fit["check_first"]


def test_an_override_is_told_with_whose_word_it_is_and_against_what(client: TestClient) -> None:
    """Open for Ann's seven hours, closed by the season after."""
    overruled, after = windows(client, "square", "solid_tining")[:2]
    assert [w["verdict"] for w in (overruled, after)] == ["open", "closed"]
    assert overruled["override"] == {
        "author": "Ann", "reason": "the contractor is here", "written_at": "2024-03-20T23:00:00Z"
    }  # fmt: skip
    assert overruled["reason"] == after["reason"] == "square in season" and after["override"] is None
    assert (overruled["start"], overruled["end"]) == ("2024-03-21T05:00:00Z", "2024-03-21T12:00:00Z")


def test_wetness_to_come_has_mean_and_spread_by_the_hour(client: TestClient) -> None:
    """Courses from 0.7 to 1.1 in eleven even steps: mean 0.9, a tenth below 0.74 and above 1.06; then they fall."""
    told = get(client, "/api/v1/stations/s1/forecast")
    assert told["source"] == "weather forecast" and told["notes"] == ["wind was left out"] and told["courses"] == 11
    first, day, last = told["hours"][0], told["hours"][24], told["hours"][-1]
    assert len(told["hours"]) == AHEAD_H + 1
    assert [first[key] for key in ("thatch_low", "thatch_wetness", "thatch_high")] == pytest.approx([0.74, 0.9, 1.06])
    assert [day[key] for key in ("root_zone_low", "root_zone_wetness", "root_zone_high")] == pytest.approx(
        [0.50, 0.58, 0.66]
    )
    assert (first["rain_mm"], last["rain_mm"], last["at"]) == (0.1, None, "2024-03-31T00:00:00Z")
    assert told["day_line"].startswith("dry enough to scarify: ")
    assert told["days"][0] == {"date": "2024-03-21", "chance": 0.0909}  # one course of eleven is below 0.7 that day


def test_a_station_without_a_forecast_says_why(client: TestClient) -> None:
    """No hours, the reason in words, and water that nobody can tell."""
    told = get(client, "/api/v1/stations/s2/forecast")
    assert told["hours"] == [] and told["reason"].startswith("no forecast of wetness: too few good days")
    water = get(client, "/api/v1/stations/s2/water")
    assert water["mm"] is None and water["root_deficit_mm"] is None and "cannot tell" in water["line"]


def test_water_tonight_is_told_with_what_it_rests_on(client: TestClient) -> None:
    """0.5 of 40 mm are missing at the roots up to 0.9, a tenth of 6 mm in the thatch: 21.6 mm with the leaf, in
    four goes of up to 6 mm, what clay loam takes; on 600 m2 13.2 m3."""
    water = get(client, "/api/v1/stations/s1/water")
    assert water["root_deficit_mm"] == pytest.approx(20.0) and water["drink_mm"] == pytest.approx(0.6)
    assert (water["mm"], water["volume_m3"]) == (22.0, pytest.approx(13.2)) and water["goes"] >= 1
    assert water["line"].startswith("Square, north end: water 22 mm (13 m3) tonight")


@pytest.mark.parametrize("path", ADDRESSES)
def test_before_the_first_advice_that_is_said(make_ground: MakeGround, path: str) -> None:
    """503 with when to ask again, not an empty answer that looks like nothing to do."""
    ground = make_ground()
    ground.advise(None)
    answer = TestClient(create_app(ground.pipeline)).get(path)
    assert answer.status_code == 503 and answer.headers["content-type"] == PROBLEM_TYPE
    assert answer.headers["retry-after"].isdecimal()


def test_what_is_not_there_is_404_with_the_nearest_name(client: TestClient) -> None:
    """Surfaces and stations nobody has set up, whether anything is advised yet or not."""
    answer = client.get("/api/v1/surfaces/squares/windows")
    assert answer.status_code == 404 and "'square'?" in answer.json()["detail"]
    for path in ("/api/v1/stations/s9/forecast", "/api/v1/stations/s9/water"):
        assert client.get(path).status_code == 404


def test_a_surface_this_advice_has_nothing_on_is_said_so(make_ground: MakeGround) -> None:
    """A surface that is in the settings and not in the advice: 503, and its stations too."""
    ground = make_ground()
    told = advice()
    ground.advise(type(told)(told.at_ms, told.surfaces[:1], told.notes))
    client = TestClient(create_app(ground.pipeline))
    for path in ("/api/v1/surfaces/outfield/windows", "/api/v1/stations/o1/water"):
        assert client.get(path).status_code == 503


def test_spread_of_nothing_is_nothing() -> None:
    """No course, or thatch that is not there: no number, and no warning of one."""
    assert np.isnan(spread_of(np.zeros((3, 0)))).all() and spread_of(np.zeros((3, 0))).shape == (3, 3)
    assert np.isnan(spread_of(np.full((2, 4), np.nan))).all()
