"""Locks, buried things and overrides: each holds from its edge on and lets go beyond it."""

import pytest

from pipeline.advice.conditions import Verdict
from pipeline.advice.locks import (
    fault_of_beginning,
)
from pipeline.diary.facts import (
    Buried,
    Intent,
    Override,
    in_the_way,
)
from pipeline.units import (
    DAY_MS,
    HOUR_MS,
    TimeSpan,
)
from tests.pipeline.advice.window_series import EVERY, NOW_MS, TABLE, good_hours, ground, look, now_of, series

SEASON = TimeSpan(NOW_MS - 30 * DAY_MS, NOW_MS + 90 * DAY_MS)
WEEK = 7 * DAY_MS


@pytest.mark.parametrize(("kind", "variant"), EVERY)
def test_square_in_season(kind, variant):
    """Coring, tining, slitting and heavy dethatching are closed on a square in season (GMA, Cranfield)."""
    season = {"hollow_coring", "solid_tining", "slitting", "heavy_dethatching"}
    square = TABLE.for_surface("square")
    played = look(kind, variant, ground=ground(kind="square", seasons=(SEASON,)), table=square)
    assert (now_of(played) is Verdict.CLOSED) == (kind in season)
    rested = look(kind, variant, ground=ground(kind="square"), table=square)
    assert now_of(rested) is Verdict.OPEN
    cautioned = any("unsuitable for a square" in warning for warning in rested.windows[0].warnings)
    assert cautioned == (kind == "hollow_coring")  # Cranfield's guidelines; GMA: it may be considered after the season
    outfield = look(kind, variant, ground=ground(kind="outfield", seasons=(SEASON,)))
    assert (now_of(outfield), outfield.windows[0].warnings) == (Verdict.OPEN, ())


def test_season_locks_from_its_first_hour_to_its_last():
    """A season that ends in 5 hours closes 5 hours and no more."""
    found = look("slitting", ground=ground(kind="square", seasons=(TimeSpan(NOW_MS, NOW_MS + 5 * HOUR_MS),)))
    assert found.verdicts[:6].tolist() == [Verdict.CLOSED] * 5 + [Verdict.OPEN]
    assert found.windows[0].reason == "square in season"


@pytest.mark.parametrize(("kind", "variant"), EVERY)
def test_seedlings_close_what_would_tear_them_for_eight_weeks(kind, variant):
    """What cuts or lifts stays off for 8 weeks (common practice); at 8 weeks it opens."""
    tears = {"scarifying", "verticutting", "hollow_coring", "heavy_dethatching"}
    young = look(kind, variant, ground=ground(sown_ms=NOW_MS - 8 * WEEK + HOUR_MS))
    assert (now_of(young) is Verdict.CLOSED) == (kind in tears)
    assert now_of(look(kind, variant, ground=ground(sown_ms=NOW_MS - 8 * WEEK))) is Verdict.OPEN


@pytest.mark.parametrize("key", ["regulator_until_ms", "pre_emergence_until_ms"])
def test_regulator_and_pre_emergence_close_overseeding_alone(key):
    """Seed does not go down while either works (common practice); the pass without seed does."""
    assert now_of(look("overseeding", ground=ground(**{key: NOW_MS + HOUR_MS}))) is Verdict.CLOSED
    assert now_of(look("overseeding", ground=ground(**{key: NOW_MS}))) is Verdict.OPEN
    assert now_of(look("scarifying", ground=ground(**{key: NOW_MS + HOUR_MS}))) is Verdict.OPEN


def test_roots_must_reach_25_mm_below_a_heavy_cut():
    """A cut of 30 mm needs roots to 55 mm, scarifying does not ask (common practice); unknown roots need a check."""
    assert now_of(look("heavy_dethatching", ground=ground(root_depth_m=0.054))) is Verdict.CLOSED
    assert now_of(look("heavy_dethatching", ground=ground(root_depth_m=0.055))) is Verdict.OPEN
    assert now_of(look("scarifying", ground=ground(root_depth_m=0.02))) is Verdict.OPEN
    unknown = look("heavy_dethatching", ground=ground(root_depth_m=None)).windows[0]
    assert unknown.verdict is Verdict.OPEN
    assert unknown.check_first == ("roots deeper than 55 mm",)


def test_water_limits_make_what_needs_water_wait():
    """Seed and bare turf wait for water; a scarifying does not (common practice)."""
    assert now_of(look("overseeding", ground=ground(hosepipe_limit=True))) is Verdict.WAIT
    assert now_of(look("heavy_dethatching", ground=ground(hosepipe_limit=True))) is Verdict.WAIT
    assert now_of(look("scarifying", ground=ground(hosepipe_limit=True))) is Verdict.OPEN


@pytest.mark.parametrize(("kind", "variant"), EVERY)
def test_stale_or_doubtful_data_are_never_open(kind, variant):
    """Past 6 hours, never heard, or in doubt: nobody can tell, in any hour; at 6 hours it still stands."""
    for changed in (
        {"newest_reading_ms": NOW_MS - 6 * HOUR_MS - 1},
        {"newest_reading_ms": None},
        {"doubtful": "two probes disagree"},
    ):
        found = look(kind, variant, ground=ground(**changed))
        assert set(found.verdicts.tolist()) == {Verdict.UNKNOWN}, changed
    assert now_of(look(kind, variant, ground=ground(newest_reading_ms=NOW_MS - 6 * HOUR_MS))) is Verdict.OPEN


def test_stale_probes_do_not_close_and_the_season_still_does():
    """What a silent probe last said counts for nothing; a lock that needs no probe closes all the same."""
    wet = good_hours(thatch_wetness=series(1.5))
    silent = {"newest_reading_ms": NOW_MS - 8 * HOUR_MS}
    found = look(hours=wet, ground=ground(**silent)).windows[0]
    assert found.verdict is Verdict.UNKNOWN
    assert found.reason == "nothing heard from the probes for 8 hours"
    locked = look("slitting", ground=ground(kind="square", seasons=(SEASON,), **silent))
    assert now_of(locked) is Verdict.CLOSED


def test_carried_thatch_stands_for_48_hours_and_is_labelled():
    """After a lift the wetness is carried for 48 hours with a word, and then nobody can tell."""
    fresh = look(ground=ground(carried_since_ms=NOW_MS, carried_from="the neighbour"))
    assert fresh.verdicts[:50].tolist() == [Verdict.OPEN] * 49 + [Verdict.UNKNOWN]
    assert fresh.windows[0].warnings == ("thatch wetness is carried by the neighbour, not measured",)
    assert "48 hours" in next(w.reason for w in fresh.windows if w.verdict is Verdict.UNKNOWN)


def test_bent_and_fescue_do_not_go_into_warm_turf():
    """Seed of the wrong season is closed, whatever the soil."""
    found = look("overseeding", "bent_fescue", ground=ground(grass="warm")).windows[0]
    assert found.verdict is Verdict.CLOSED
    assert found.reason == "bent and fescue does not go into warm-season grass"
    assert now_of(look("overseeding", "warm")) is Verdict.CLOSED


def test_buried_things_are_a_line_of_their_own():
    """Less than 25 mm below the blades must be lifted; the window stays open, and the pass cannot be begun."""
    items = (Buried("P1", 0.034), Buried("P2", 0.033), Buried("P3", 0.010), Buried("P4", 0.010, lifted=True))
    found = look(ground=ground(buried=items))  # 8 mm and 25 mm make 33 mm
    assert now_of(found) is Verdict.OPEN
    assert found.verdicts.tolist() == look().verdicts.tolist()
    assert found.windows[0].lift_first == ("P3",)
    assert in_the_way(Intent("scarifying", "standard", 0.0081), items) == ("P2", "P3")
    assert "the P3 probe still in the ground" in fault_of_beginning(found.intent, items)
    assert fault_of_beginning(found.intent, items[:2]) == ""
    assert in_the_way(Intent("topdressing", "light", 0.0), items) == ()
    assert in_the_way(Intent("light_raking", "standard", 0.001), items) == ()  # a brush goes over them
    assert in_the_way(Intent("light_raking", "standard", 0.002), items) == ("P3",)
    assert in_the_way(Intent("verticutting", "standard", 0.001), items) == ("P3",)  # blades might catch it


def word(**changed) -> Override:
    given = {
        "kind": "scarifying", "variant": "",
        "span": TimeSpan(NOW_MS, NOW_MS + 3 * HOUR_MS), "reason": "dry by the knife",
        "author": "head groundsman", "written_at_ms": NOW_MS, **changed,
    }  # fmt: skip
    return Override(**given)


def test_an_override_opens_its_hours_and_keeps_the_reason():
    """What was closed is open on a person's word, over the span and for the pass named, and says what it overrules."""
    wet = good_hours(thatch_wetness=series(1.5))
    found = look(hours=wet, ground=ground(overrides=(word(),)))
    first, second = found.windows[:2]
    assert (first.verdict, first.span.end_ms) == (Verdict.OPEN, NOW_MS + 3 * HOUR_MS)
    assert (first.override.reason, first.reason) == ("dry by the knife", "thatch too wet")
    assert second.verdict is Verdict.CLOSED
    assert found.verdicts[0] == Verdict.CLOSED  # what the bounds said is kept
    for other in (word(kind="slitting"), word(variant="6mm"), word(span=TimeSpan(NOW_MS - HOUR_MS, NOW_MS))):
        assert now_of(look(hours=wet, ground=ground(overrides=(other,)))) is Verdict.CLOSED
    dry = look(ground=ground(overrides=(word(),))).windows[0]
    assert dry.override is None  # nothing to overrule


def test_the_latest_override_counts_and_lifts_no_probe():
    """Of two the later is told; a buried probe stays in the way."""
    wet = good_hours(thatch_wetness=series(1.5))
    both = (word(reason="second thoughts", written_at_ms=NOW_MS + 1), word())
    found = look(hours=wet, ground=ground(overrides=both, buried=(Buried("P3", 0.01),))).windows[0]
    assert found.override.reason == "second thoughts"
    assert found.lift_first == ("P3",)


@pytest.mark.parametrize("changed", [{"reason": " "}, {"author": ""}])
def test_an_override_without_reason_or_name_is_refused(changed):
    """No reason, no override: it is the memory of the ground."""
    with pytest.raises(ValueError, match="override: found no"):
        word(**changed)
