"""Whether thatch that no probe reads still holds water, told by the water balance and by what the roots did.

Many balances, each with its own thatch, are carried through the weather of the last weeks from the root zone as it was
read; one whose root zone went as the probes say counts for more. The share of them, by weight, whose thatch is still
wet is the chance that it holds. What somebody felt there stands instead, the less the longer ago.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields

import numpy as np
from scipy.special import expit, logit

from pipeline.diary.facts import Sight
from pipeline.forecast.balance import (
    CAPACITY_FACTOR,
    PRIOR_SPREAD,
    RANGES,
    SAMPLE_H,
    Boxes,
    Parameters,
    PastHours,
    run,
    stores_at,
)
from pipeline.forecast.weather_ahead import normal_draws
from pipeline.units import DAY_MS, HOUR_MS, FloatArray

DRAWN = 96
BACK_H = 21 * 24  # of weather that it is carried through: our own choice
ROOT_MISS = 0.05  # of a root zone's wetness that one course may miss by: our own choice
LEAST_KNOWN = 0.9  # of the hours whose weather must be known: our own choice
FELT = (0.05, 0.25, 0.95)  # the chance while a hand has just felt it dry, moist or soaked: our own choice
FELT_FADES_D = 3.0  # in which its weight falls to a third: our own choice
SUREST = (0.02, 0.98)  # no balance is surer


def chance_it_holds(past: PastHours, boxes: Boxes, holds_wetness: float) -> float | None:
    """Return the chance that thatch which no probe reads is wetter than a bound.

    Parameters
    ----------
    past : PastHours
        Up to now; of the root zone alone.
    boxes : Boxes
        With the thatch as cores and its medium tell.
    holds_wetness : float
        [1]

    Returns
    -------
    float or None
        [1] None where weather or root zone of the last weeks is not known, or there is no thatch.
    """
    hours = min(BACK_H, past.water_mm.size)
    known = past.cut(past.water_mm.size - hours, past.water_mm.size)
    weather = np.isfinite(known.water_mm) & np.isfinite(known.reference_et_mm)
    begun = np.flatnonzero(np.isfinite(known.root_wetness))
    if boxes.thatch_capacity_mm <= 0.0 or hours < BACK_H or weather.mean() < LEAST_KNOWN or begun.size < hours // 2:
        return None
    parameters = _drawn(boxes)
    first = int(begun[0])
    water = np.nan_to_num(known.water_mm[first:, np.newaxis])
    asked = np.nan_to_num(known.reference_et_mm[first:, np.newaxis])
    stores = stores_at(parameters, 0.6 + 0.3 * normal_draws(DRAWN, 40), known.root_wetness[first])
    course = run(parameters, stores, water, asked)
    weight = _weights(course.root_wetness[:-1], known.root_wetness[first:])
    holds = course.thatch_wetness[-1] > holds_wetness
    return float((weight * holds).sum())


def _drawn(boxes: Boxes) -> Parameters:
    """Return the balances that may be this one's: every parameter about where its range starts."""
    values = {}
    for salt, (name, each) in enumerate((*RANGES.items(), *((c, CAPACITY_FACTOR) for c in _CAPACITIES)), start=41):
        share = np.clip(each.start_share + PRIOR_SPREAD * normal_draws(DRAWN, salt), 0.0, 1.0)
        values[name] = each.value(share)
    for name in _CAPACITIES:
        values[name] = values[name] * getattr(boxes, name)
    for name in ("thatch_full_wetness", "root_full_wetness"):
        values[name] = np.full(DRAWN, getattr(boxes, name))
    return Parameters(**{f.name: values[f.name] for f in fields(Parameters)})


_CAPACITIES = ("thatch_capacity_mm", "root_capacity_mm")


def _weights(told: FloatArray, read: FloatArray) -> FloatArray:
    """Return the weight of each course by how its root zone went, shape (course,); their sum is one. [1]"""
    miss = (told - read[: told.shape[0], np.newaxis])[::SAMPLE_H]
    rms = np.sqrt(np.nanmean(miss**2, axis=0))
    weight = np.exp(-0.5 * ((rms - rms.min()) / ROOT_MISS) ** 2)
    return np.asarray(weight / weight.sum(), dtype=np.float64)


def felt_since_water(felt: Sequence[Sight], past: PastHours, least_mm: float) -> tuple[Sight, ...]:
    """Return what was felt since so much water last came: what a hand felt before says nothing of now. [mm]"""
    hours = ((one, max((one.at_ms - past.first_ms) // HOUR_MS + 1, 0)) for one in felt)
    return tuple(one for one, hour in hours if np.nansum(past.water_mm[hour:]) < least_mm)


def with_felt(chance: float, felt: Sequence[Sight], now_ms: int) -> float:
    """Return the chance after what a hand felt of late: `thatch` 0 dry, 1 moist, 2 soaked. [1], [ms since 1970, UTC]

    The latest entry alone counts.
    """
    lately = [one for one in felt if one.what == "thatch" and one.at_ms <= now_ms]
    if not lately:
        return chance
    last = max(lately, key=lambda one: one.at_ms)
    weight = math.exp(-(now_ms - last.at_ms) / DAY_MS / FELT_FADES_D)
    by_hand, told = logit(FELT[min(max(round(last.value), 0), 2)]), logit(min(max(chance, SUREST[0]), SUREST[1]))
    return float(expit(weight * by_hand + (1.0 - weight) * told))
