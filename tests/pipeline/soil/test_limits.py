"""Limits learned from histories made by hand, whose plateaus and dry spells are known."""

import numpy as np
import pytest

from pipeline.soil.layers import MEDIA
from pipeline.soil.limits import drained_limit, dry_limit, learn_limits
from pipeline.soil.wetting import Spell
from pipeline.units import DAY_MS, HOUR_MS

HOURS = np.arange(24 * 120, dtype=np.int64) * HOUR_MS


def drained_history(
    level: float, *, every_days: int = 6, tau_h: float = 8.0, dry: float = 0.05, wet: float = 0.40
) -> np.ndarray:
    """Water every few days brings it to .40 or so; it drains to a level within hours and, late on, dries further."""
    since = (HOURS % (every_days * DAY_MS)) / HOUR_MS
    drained = level + (wet - level) * np.exp(-since / tau_h)
    # from the fourth day on roots draw it down
    return np.where(since > 100.0, level - (level - dry) * (since - 100.0) / (24 * every_days - 100.0), drained)


def waterings(every_days: int = 6, millimetres: float = 15.0) -> list[Spell]:
    starts = np.arange(0, HOURS[-1], every_days * DAY_MS)
    return [Spell(int(s), int(s), millimetres) for s in starts]


def test_drained_limit_is_the_plateau_after_good_wettings() -> None:
    """Sandy loam that drains to .23 within a day: .23, from every watering but the last, whose plateau has no end.

    Tolerance .003: what is left of the drainage after 36 to 72 h at a time constant of 8 h is at most .17 x e^-4.5.
    """
    found = drained_limit(HOURS, drained_history(0.23), MEDIA["sandy_loam"], waterings())
    assert found.value == pytest.approx(0.23, abs=0.003) and not found.provisional and found.reason == ""
    assert found.n >= 19 and found.low < 0.23 < found.high


def test_rain_too_small_to_soak_teaches_nothing() -> None:
    """Showers of 2 mm: no plateau, the middle of the range stands, provisional."""
    found = drained_limit(HOURS, drained_history(0.23), MEDIA["sandy_loam"], waterings(millimetres=2.0))
    assert (found.value, found.low, found.high) == (0.23, 0.18, 0.28) and found.provisional
    assert found.reason == "no plateau after a good wetting yet" and found.n == 0


def test_history_without_any_water_teaches_no_drained_limit() -> None:
    """No wetting at all: the middle of the range stands."""
    assert drained_limit(HOURS, drained_history(0.23), MEDIA["sandy_loam"], []).n == 0


def test_rain_that_comes_again_too_soon_teaches_nothing() -> None:
    """Water every day never lets it drain."""
    history = drained_history(0.23, every_days=1)
    assert drained_limit(HOURS, history, MEDIA["sandy_loam"], waterings(every_days=1)).n == 0


def test_two_plateaus_are_provisional() -> None:
    """Two good wettings of the three that are asked for: the middle of .18 to .28 stands, with the count."""
    found = drained_limit(HOURS, drained_history(0.21), MEDIA["sandy_loam"], waterings()[:2])
    assert found.value == pytest.approx(0.23) and found.provisional and "2 plateaus" in found.reason


def test_chronic_sponge_cannot_pass_for_normal() -> None:
    """Decayed thatch that never drains below .70 is not taken at its word: .45 stands, the middle of what such thatch
    holds drained, and says so."""
    found = drained_limit(HOURS, np.full(HOURS.size, 0.70), MEDIA["decayed_thatch"], waterings())
    assert found.value == pytest.approx(0.45) and found.high == 0.55 and found.provisional
    assert found.reason == "learned 0.70, more than decayed thatch holds drained (0.35 to 0.55): its middle stands"


def test_thatch_that_hangs_full_teaches_no_drained_limit() -> None:
    """Decayed thatch that stands at .52 after every watering, inside its range of .35 to .55: water hangs over a break
    (simulated thatch over sand, drained at .45, stood so for weeks), and the middle stands. At .40 it is believed, and
    so is soil that stands over its middle."""
    hung = drained_limit(HOURS, drained_history(0.52, wet=0.70), MEDIA["decayed_thatch"], waterings())
    assert hung.value == pytest.approx(0.45) and hung.provisional and hung.reason.startswith("stood at 0.5")
    low = drained_limit(HOURS, drained_history(0.40, wet=0.70), MEDIA["decayed_thatch"], waterings())
    assert low.value == pytest.approx(0.40, abs=0.003) and not low.provisional
    soil = drained_limit(HOURS, drained_history(0.26), MEDIA["sandy_loam"], waterings())
    assert soil.value == pytest.approx(0.26, abs=0.003) and not soil.provisional


def test_clay_without_still_nights_keeps_its_prior() -> None:
    """Clay loam: no nights of low evaporation handed in, so the middle of .34 to .40, provisional."""
    found = drained_limit(HOURS, np.full(HOURS.size, 0.36), MEDIA["clay_loam"], waterings(every_days=25))
    assert found.value == pytest.approx(0.37) and found.provisional and "nights" in found.reason


def test_clay_learns_from_the_first_still_night() -> None:
    """Clay that falls .01 a day for eight days and then stands at .36: only the nights after are still.

    The window of clay opens five days after the water; a slope of .01 a day is over the bound of .002.
    """
    since_days = (HOURS % (30 * DAY_MS)) / DAY_MS
    theta = np.where(since_days < 8.0, 0.36 + 0.01 * (8.0 - since_days), 0.36)
    nights = [(d * DAY_MS, d * DAY_MS + 9 * HOUR_MS) for d in range(120)]
    found = drained_limit(HOURS, theta, MEDIA["clay_loam"], waterings(every_days=30), nights_ms=nights)
    assert found.value == pytest.approx(0.36, abs=1e-6) and found.n >= 3 and not found.provisional


def test_dry_limit_is_the_second_percentile() -> None:
    """Values spread evenly from .06 to .36 over 120 days: the second percentile is .066 (algebra)."""
    theta = 0.06 + 0.30 * (np.arange(HOURS.size) * 7919 % HOURS.size) / HOURS.size
    found = dry_limit(HOURS, theta, MEDIA["sandy_loam"])
    assert found.value == pytest.approx(0.066, abs=2e-4) and not found.provisional and found.n == 120
    assert found.low <= found.value <= found.high


def test_history_that_never_dried_keeps_the_prior() -> None:
    """Never below .25: the middle of .06 to .16, provisional, with the driest that was seen."""
    found = dry_limit(HOURS, np.full(HOURS.size, 0.25), MEDIA["sandy_loam"])
    assert found.value == pytest.approx(0.11) and found.provisional and "driest was 0.25" in found.reason


def test_probe_that_reads_too_dry_is_put_back_into_the_range() -> None:
    """A channel with an air gap reads .01: the middle of .06 to .16 stands, for sandy loam gets no drier than .06."""
    found = dry_limit(HOURS, np.full(HOURS.size, 0.01), MEDIA["sandy_loam"])
    assert (
        found.value == pytest.approx(0.11) and found.provisional and found.reason.startswith("learned 0.01, less than")
    )


def test_short_history_keeps_the_prior() -> None:
    """Forty days of the sixty that are asked for."""
    found = dry_limit(HOURS[: 24 * 40], np.full(24 * 40, 0.10), MEDIA["sandy_loam"])
    assert found.provisional and found.reason == "40 days of history, 60 needed"


@pytest.mark.parametrize("gone", ["all", "none"])
def test_empty_and_silent_histories_give_the_prior(gone) -> None:
    """No readings, or none that was good: both limits are the medium's middle."""
    theta = np.full(HOURS.size, np.nan) if gone == "all" else np.array([])
    found = learn_limits(HOURS[: theta.size], theta, MEDIA["loam"], waterings())
    assert (found.dry.value, found.drained.value) == pytest.approx((0.12, 0.25))
    assert found.dry.provisional and found.drained.provisional


def test_limits_too_close_together_are_not_used() -> None:
    """First-class clay at .22 all year is dry and drained at once: both priors, .19 and .25, with the reason."""
    nights = [(d * DAY_MS, d * DAY_MS + 9 * HOUR_MS) for d in range(120)]
    found = learn_limits(
        HOURS, np.full(HOURS.size, 0.22), MEDIA["first_class_clay_loam"], waterings(every_days=30), nights_ms=nights
    )
    assert (found.dry.value, found.drained.value) == pytest.approx((0.19, 0.25))
    assert "too close" in found.dry.reason and found.drained.provisional
