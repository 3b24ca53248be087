"""A bound of an alert is the bound of the pages: moved in the settings, it moves both together."""

from __future__ import annotations

from dataclasses import replace

import pytest

from api.app import create_app
from pipeline.diary.entry import DiaryEntry
from tests.api.served import TestClient
from tests.api.site import HOUR_MS, NOW_MS, SETTINGS, Ground, MakeGround, readings

EVENING_MS = NOW_MS + 17 * HOUR_MS  # 19 h by the site's clock, which is two hours ahead
MORNING_MS = NOW_MS + 5 * HOUR_MS


def heard(make: MakeGround, more: str, now_ms: int, *entries: DiaryEntry, **held: float) -> Ground:
    """A ground until a time, some channels held still for the last half day, with settings of its own."""
    ground = make(settings=SETTINGS + more, now_ms=now_ms)
    for entry in entries:
        ground.pipeline.diary.add(entry)
    hours = (now_ms - NOW_MS) // HOUR_MS
    every = [*readings(), *readings(hours + 1, first_hour=480, first_seq=len(readings()) + 1)]
    since_ms = now_ms - 12 * HOUR_MS
    fixed = {channel.replace("__", "/"): value for channel, value in held.items()}
    ground.hear(
        [replace(r, raw=fixed[r.channel]) if r.channel in fixed and r.measured_at_ms > since_ms else r for r in every]
    )
    return ground


def told(ground: Ground) -> tuple[str, str, set[str]]:
    """The first answer of the morning, the station page of the outfield, and the rules of the open alerts."""
    client = TestClient(create_app(ground.pipeline))
    answers = {one["question"]: " ".join(one["lines"]) for one in client.get("/api/v1/answers").json()}
    rules = {alert["rule"] for alert in client.get("/api/v1/alerts").json()}
    return answers["Can I go on it?"], client.get("/stations/o1").text, rules


@pytest.mark.parametrize(("on_degc", "frost"), [(0.5, False), (3.0, True)])
def test_a_moved_bound_of_frost_moves_page_and_alert(make_ground: MakeGround, on_degc: float, frost: bool) -> None:
    """A leaf at 2 degC is frost where the settings say so: on the first page, the station's, and as an alert."""
    more = f"[alerts.frost_at_dawn]\non_degc = {on_degc}\noff_degc = 4.0\nfrom_hour = 5.0\n"
    answer, page, rules = told(heard(make_ground, more, MORNING_MS, o1__w1__surface_temperature=2.0))
    assert ("frost_at_dawn" in rules) == frost
    assert ("frost on the leaf" in answer) == frost
    assert ("Cold enough for frost" in page) == frost


@pytest.mark.parametrize(("on_wetness", "wet"), [(1.05, False), (0.05, True)])
def test_a_moved_bound_of_wet_ground_moves_page_and_alert(
    make_ground: MakeGround, on_wetness: float, wet: bool
) -> None:
    """Ground not wetter than drained is too wet where the settings say so: better not on the first page, and an alert
    for the pass that is booked."""
    more = f"[alerts.stay_off]\non_wetness = {on_wetness}\noff_wetness = 0.01\nafter_water_h = 0\n"
    answer, _, rules = told(heard(make_ground, more, EVENING_MS))
    assert ("Outfield: better not" in answer) == wet and "stay_off" not in rules  # nothing is booked
    state = {"pass": "light_raking", "state": "booked"}
    booked = DiaryEntry("pass", "outfield", EVENING_MS + 14 * HOUR_MS, state, written_at_ms=NOW_MS)
    _, _, rules = told(heard(make_ground, more, EVENING_MS, booked))
    assert ("stay_off" in rules) == wet
