"""Advice, alerts and messages in a language of brackets: what stands outside all brackets is in no catalogue.

With the brackets taken away all is as in English, so nothing is decided by the words of a language.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import replace
from itertools import product

import pytest

from pipeline.advice.healing import LastGoodDate, LastSowing
from pipeline.advice.report import last_good_words, last_sowing_words, window_words
from pipeline.advice.water import tonight, without_water
from pipeline.alerts.model import AlertEvent
from pipeline.diary.facts import DiaryFacts
from pipeline.forecast.wetness import DayChance, best_day_line
from pipeline.notify.policy import News, due
from pipeline.site.ground import Site
from pipeline.site.server import NotificationPolicy
from pipeline.texts import use
from tests.api.test_in_another_language import CLOSE, OPEN, outside, untranslated, zz
from tests.pipeline.advice.test_water import DRY, LAWN
from tests.pipeline.advice.window_series import EVERY, good_hours, ground, look, series
from tests.pipeline.alerts.plan_series import ZONE, job, weather, windows
from tests.pipeline.alerts.test_plan_dates import lifting
from tests.pipeline.alerts.test_rules import eventful, one_look
from tests.pipeline.stages.test_stage_version import _results

__all__ = ["zz"]
NAMES = ["Green", "Square, north end", "Square", "Lawn, south end", "Meadow", "t1", "p1", "moisture_065"]
pytestmark = pytest.mark.timeout(600)


def of_passes() -> Iterator[str]:
    """Windows of every pass on good ground, and on ground that is spoilt in one thing."""
    spoilt = {
        "thatch_wetness": 2.0, "root_zone_wetness": 0.1, "soil_temperature_degc": 4.0, "surface_temperature_degc": -2.0,
        "rain_mm": 1.0,
    }  # fmt: skip
    every = [good_hours(), *(good_hours(**{name: series(value)}) for name, value in spoilt.items())]
    every.append(good_hours(thatch_wetness=None))
    squares = [ground(), ground(kind="square", title="Square"), ground(newest_reading_ms=None)]
    for (kind, variant), hours, state in product(EVERY, every, squares):
        found = look(kind, variant, hours=hours, ground=state)
        yield window_words(found, ZONE)
        for one in found.windows[:3]:
            yield from (one.reason, one.detail, one.opens, *one.also, *one.check_first, *one.warnings)
    today = datetime.date(2026, 6, 9)
    later = today + datetime.timedelta(days=9)
    for last in (LastGoodDate(today, later, False), LastGoodDate(None, later, False), LastGoodDate(None, None, False)):
        yield from (last_good_words("x", last, later, for_play=each) for each in (True, False))
        yield from (last_sowing_words("x", LastSowing(last, day)) for day in (None, later))
    for chances in ([], [0.1], [0.8]):
        yield best_day_line("x", [DayChance(later, one) for one in chances], today)


def of_water() -> Iterator[str]:
    """Tonight's water of a lawn in every evening that it tells apart."""
    evenings = [
        DRY, replace(DRY, root_wetness=1.0), replace(DRY, root_wetness=None), replace(DRY, restricted=True),
        replace(DRY, lowest_degc=-3.0), replace(DRY, days_to_play=1.0), replace(DRY, arrival_share=0.1),
        replace(DRY, thatch_wetness=0.05), replace(DRY, thatch_wetness=0.95), replace(DRY, rain_mm=(30.0,)),
        replace(DRY, dried_for_play=True), replace(DRY, hours_to_play=2.0), replace(DRY, given_mm=20.0),
        replace(DRY, interval_days=4, days_since_water=1.0), replace(DRY, root_wetness=0.0),
    ]  # fmt: skip
    turfs = [LAWN, replace(LAWN, seed=True), replace(LAWN, area_m2=9000.0, country="England")]
    for turf, evening in product(turfs, evenings):
        found = tonight(turf, evening)
        yield from (*found.lines, found.clause, found.reason)
        if found.mm:
            yield without_water(found).line


def of_stages() -> Iterator[str]:
    """The reasons stored with what the stages draw of three weeks in which much goes wrong."""
    yield from _results()[1]["reason"]


def events() -> list[AlertEvent]:
    """Alerts of ten eventful days, of windows that open and close, and of probes in the way."""
    found = [event for seed in range(4) for event in one_look(*eventful(seed))]
    for sky in (weather((30, 150)), weather((60, 90), (150, 200), chance=0.7)):
        found += windows(sky).events
    found += lifting(DiaryFacts(booked=(job("scarifying", "standard", 5),)), nights=True).events
    return found


def of_alerts() -> Iterator[str]:
    for event in events():
        yield event.text


def of_messages() -> Iterator[str]:
    """Subject and lines of a digest, of interruptions, and of water that runs on."""
    site, policy = Site(name="meadow", title="Meadow"), NotificationPolicy()
    noon = round(datetime.datetime(2024, 6, 12, 12, tzinfo=datetime.UTC).timestamp() * 1000)
    news = [News(e.id, e.alert_id, e.kind, e.rule, e.words, e.since_ms, noon - 7_200_000) for e in events()]
    running = News("a", "b", "opened", "water_running", news[0].text, noon - 9_000_000, noon - 7_200_000)
    for told, digest in ((news, "2024-06-11"), (news[:1], "2024-06-11"), ([], "2024-06-11"), ([running], "2024-06-12")):
        asked = policy.model_copy(update={"digest_when_empty": True})
        for message in due(site, asked, told, (), digest, noon).messages:
            cut = message.subject  # a first sentence: what it is cut out of ends behind it
            yield from (cut + CLOSE * (cut.count(OPEN) - cut.count(CLOSE)), *message.lines)


@pytest.mark.parametrize("told", [of_passes, of_water, of_stages, of_alerts, of_messages])
def test_everything_said_is_in_the_catalogue(zz: str, told) -> None:
    """Nothing stands outside the brackets but data, and without them all is as in English."""
    english = list(told())
    use(zz)
    try:
        said = list(told())
    finally:
        use("en")
    left = {one for text in said for one in outside([text]) if untranslated(one, NAMES)}
    assert len(said) > 5 and left == set()
    plain = [one.replace(OPEN, "").replace(CLOSE, "") for one in said]
    assert [one.casefold() for one in plain] == [one.casefold() for one in english]  # a bracket has no capital
