"""Quality tests of a series: plain functions from arrays to flags, one effect each.

Every function takes times and values of one channel (and, where needed, of rain or a neighbour), and returns one flag
for each value. Thresholds are arguments, common practice without a source; None switches a test off, zero does not.
All tests but `spike` and `dip` look only backwards, so that a flag once given does not change when later data arrive;
these two look ahead by at most two samples and eight hours. Values are not changed and gaps not filled. Thatch wets
within minutes: a rise with water about is never a spike.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.soil.moving import count_in_window, rolling_max, rolling_min, rolling_range
from pipeline.units import HOUR_MS, MINUTE_MS, BoolArray, Flag, FloatArray, TimeArray


@dataclass(frozen=True, slots=True)
class QualityBounds:
    """Thresholds of every test, all common practice without a source unless one is named.

    Lengths of time are in hours, water contents in m3 m-3, temperatures in degC, rain in mm.
    """

    full_margin: float = 0.10  # above the porosity of the layer by so much: cannot be, even with a poor calibration
    moisture_spike: float = 0.05
    soil_fall: float = 0.10  # from one reading to the next; sand right after rain loses less in a sampled volume
    thatch_fall: float = 0.40  # raw thatch empties with a time constant of half an hour
    soil_rise: float = 0.10  # without water about
    temperature_spike_degc: float = 4.0
    temperature_step_degc: float = 8.0
    temperature_likely_degc: tuple[float, float] = (-20.0, 45.0)
    flat_h: float = 24.0
    flat_tolerance: float = 0.0005  # half the last digit of a probe that reports to 0.001
    flat_rain_mm: float = 5.0
    flat_deepest_m: float = 0.10  # rain of a day should move what lies above this
    temperature_flat_h: float = 72.0
    temperature_flat_tolerance_degc: float = 0.001
    temperature_flat_deepest_m: float = 0.30  # at a metre the ground keeps its temperature for days
    # Changes from one reading to the next, at most `MAX_STEP_GAP_MS` later. Of values a minute apart WMO-No. 8 allows 3
    # degC in the air, 5 at the surface, 10 % humidity, 20 m s-1 and 800 W m-2 (from memory); an hour lets more through.
    air_temperature_step_degc: float = 15.0  # a cold front takes 10
    surface_temperature_step_degc: float = 30.0  # sun on dry thatch, or a shower on hot turf
    humidity_step_percent: float = 65.0
    wind_step_m_s: float = 25.0
    solar_step_w_m2: float = 1200.0  # from heavy cloud to full sun beside a bright edge
    ec_step_ds_m: float = 3.0  # feed that is watered in
    rain_most_mm_h: float = 300.0  # over 5 minutes or more; of one minute 2,000 are on record (WMO-No. 8, from memory)
    frost_degc: float = 0.5  # ice reads as dry
    frost_reach_m: float = 0.05  # a thermometer further off in depth says nothing
    rise: float = 0.03  # in an hour, or from one hourly reading to the next
    rise_rain_mm: float = 0.5  # of the last day
    wetted_above: float = 0.01  # the layer above rose by so much in the last day
    air_gap_excursion: float = 0.10
    air_gap_rain_mm: float = 2.0
    fall_alone: float = 0.08
    neighbour_still: float = 0.005
    dip: float = 0.05  # at the shallowest channel, and back again without water
    water_about_h: float = 2.0  # after rain or watering a quick rise is no surprise
    water_about_mm: float = 0.2  # one tick of a gauge
    settle_d: float = 14.0  # after a probe is put back its hole closes and fills


FlagArray = npt.NDArray[np.uint8]

MAX_STEP_GAP_MS = 65 * MINUTE_MS  # neighbours in time further apart than this are not compared: hourly series still are
SELDOM_GAP_MS = 245 * MINUTE_MS  # nor, where a test bears fewer readings, further than this: one in four hours
INTENSITY_LEAST_MS = 5 * MINUTE_MS
SPIKE_WIDTH = 2  # longest spike looked for, in samples

_SEVERITY = np.zeros(10, dtype=np.uint8)
_SEVERITY[[Flag.NOT_EVALUATED, Flag.GOOD, Flag.SUSPECT, Flag.FAIL, Flag.MISSING]] = [0, 1, 2, 3, 4]
_BY_SEVERITY = np.array([Flag.NOT_EVALUATED, Flag.GOOD, Flag.SUSPECT, Flag.FAIL, Flag.MISSING], dtype=np.uint8)


def worst(*flags: FlagArray) -> FlagArray:
    """Return the worst of several flags, value by value: missing, fail, suspect, good, not evaluated.

    Parameters
    ----------
    *flags : ndarray of uint8, equal shapes
        At least one.

    Returns
    -------
    ndarray of uint8
    """
    severity = _SEVERITY[flags[0]]
    for more in flags[1:]:
        severity = np.maximum(severity, _SEVERITY[more])
    return _BY_SEVERITY[severity]


def _flags(value: FloatArray, suspect: BoolArray, fail: BoolArray | None = None) -> FlagArray:
    flags = np.full(value.shape, Flag.GOOD, dtype=np.uint8)
    flags[suspect] = Flag.SUSPECT
    if fail is not None:
        flags[fail] = Flag.FAIL
    flags[np.isnan(value)] = Flag.MISSING
    return flags


def gross_range(
    value: FloatArray,
    *,
    fail_low: npt.ArrayLike,
    fail_high: npt.ArrayLike,
    suspect_low: npt.ArrayLike | None = None,
    suspect_high: npt.ArrayLike | None = None,
) -> FlagArray:
    """Flag values that are impossible, or unlikely.

    Parameters
    ----------
    value : ndarray, shape (time,)
        [any unit]
    fail_low, fail_high : array_like, scalar or shape (time,)
        What the quantity, or the porosity of the layer, allows; both ends included. [unit of `value`]
    suspect_low, suspect_high : array_like, optional
        What is likely; both ends included. [unit of `value`] None: not tested.

    Returns
    -------
    ndarray of uint8, shape (time,)
        FAIL outside the first pair, SUSPECT outside the second, MISSING where NaN.
    """
    suspect = np.zeros(value.shape, dtype=np.bool_)
    if suspect_low is not None:
        suspect |= value < np.asarray(suspect_low, dtype=np.float64)
    if suspect_high is not None:
        suspect |= value > np.asarray(suspect_high, dtype=np.float64)
    fail = (value < np.asarray(fail_low, dtype=np.float64)) | (value > np.asarray(fail_high, dtype=np.float64))
    return _flags(value, suspect, fail)


def spike(
    time_ms: TimeArray,
    value: FloatArray,
    *,
    height: float,
    return_fraction: float = 0.3,
    max_gap_ms: int = MAX_STEP_GAP_MS,
    water_about: BoolArray | None = None,
) -> FlagArray:
    """Flag one or two values that leave their neighbours and come back.

    Parameters
    ----------
    time_ms : ndarray of int64, shape (time,)
        Increasing. [ms]
    value : ndarray, shape (time,)
        [any unit] NaN are stepped over.
    height : float
        Distance from both neighbours, on one side, from which it is a spike. [unit of `value`]
    return_fraction : float
        The neighbours may differ by this share of the height: more is a step. [1]
    max_gap_ms : int
        Neighbours further apart are not compared. [ms]
    water_about : ndarray of bool, shape (time,), optional
        Where rain or watering may explain a rise: upward spikes are then not flagged.

    Returns
    -------
    ndarray of uint8, shape (time,)
        SUSPECT at each value of the spike, MISSING where NaN.
    """
    at = np.flatnonzero(np.isfinite(value))
    v, t = value[at], time_ms[at]
    found = np.zeros(at.size, dtype=np.bool_)
    close = np.diff(t) <= max_gap_ms
    for width in range(1, SPIKE_WIDTH + 1):
        count = at.size - width - 1
        if count <= 0:
            break
        before, after = v[:count], v[width + 1 :]
        inner = np.stack([v[1 + k : 1 + k + count] for k in range(width)])
        up = inner.min(axis=0) - np.maximum(before, after)
        down = np.minimum(before, after) - inner.max(axis=0)
        joined = np.all(np.stack([close[k : k + count] for k in range(width + 1)]), axis=0)
        back = np.abs(after - before) <= return_fraction * np.maximum(up, down)
        rises = (up >= height) & joined & back
        falls = (down >= height) & joined & back
        for k in range(width):
            excused = np.False_ if water_about is None else water_about[at[1 + k : 1 + k + count]]
            found[1 + k : 1 + k + count] |= falls | (rises & ~excused)
    suspect = np.zeros(value.shape, dtype=np.bool_)
    suspect[at[found]] = True
    return _flags(value, suspect)


def step(
    time_ms: TimeArray,
    value: FloatArray,
    *,
    rise: float | None = None,
    fall: float | None = None,
    fail: float | None = None,
    max_gap_ms: int = MAX_STEP_GAP_MS,
    water_about: BoolArray | None = None,
    ignore: BoolArray | None = None,
) -> FlagArray:
    """Flag a change from one value to the next too large to be true, at the later one.

    Parameters
    ----------
    time_ms, value : ndarray, shape (time,)
        Times [ms], increasing, and values in any unit. NaN are stepped over.
    rise, fall : float, optional
        Changes larger than these are SUSPECT. [unit of `value`] None: not tested.
    fail : float, optional
        Changes larger than this, either way, are FAIL. [unit of `value`]
    max_gap_ms : int
        Values further apart are not compared. [ms]
    water_about : ndarray of bool, optional
        Where rain or watering may explain a rise.
    ignore : ndarray of bool, optional
        Values to step over as if missing: spikes already found.

    Returns
    -------
    ndarray of uint8, shape (time,)
    """
    usable = np.isfinite(value) if ignore is None else np.isfinite(value) & ~ignore
    at = np.flatnonzero(usable)
    change = np.diff(value[at])
    close = np.diff(time_ms[at]) <= max_gap_ms
    suspect = np.zeros(value.shape, dtype=np.bool_)
    failed = np.zeros(value.shape, dtype=np.bool_)
    later = at[1:]
    if rise is not None:
        excused = np.False_ if water_about is None else water_about[later]
        suspect[later[close & (change > rise) & ~excused]] = True
    if fall is not None:
        suspect[later[close & (-change > fall)]] = True
    if fail is not None:
        failed[later[close & (np.abs(change) > fail)]] = True
    return _flags(value, suspect, failed)


def alone_in_time(time_ms: TimeArray, value: FloatArray, *, max_gap_ms: int = SELDOM_GAP_MS) -> FlagArray:
    """Mark values that nothing near enough in time stands beside: neither a spike nor a step can be told of them.

    Parameters
    ----------
    time_ms, value : ndarray, shape (time,)
        Times [ms], increasing, and values in any unit. NaN are stepped over.
    max_gap_ms : int
        [ms]

    Returns
    -------
    ndarray of uint8, shape (time,)
        NOT_EVALUATED where both neighbours are further off, or the only one is; else GOOD, MISSING where NaN.
    """
    at = np.flatnonzero(np.isfinite(value))
    flags = _flags(value, np.zeros(value.shape, dtype=np.bool_))
    if at.size:
        close = np.concatenate([[False], np.diff(time_ms[at]) <= max_gap_ms, [False]])
        flags[at[~(close[1:] | close[:-1])]] = Flag.NOT_EVALUATED
    return flags


DIP_LEFT = 0.3  # share of the fall that may be left afterwards: our own choice


def dip(
    time_ms: TimeArray,
    value: FloatArray,
    *,
    depth: float,
    water_mm: FloatArray,
    enough_mm: float,
    neighbour: FloatArray,
    neighbour_still: float,
    before_ms: int,
    after_ms: int,
) -> FlagArray:
    """Flag a fall that is made up again without any water: no ground can do that, whatever dried it.

    Parameters
    ----------
    time_ms, value : ndarray, shape (time,)
        Times [ms], increasing, and water content. [m3 m-3]
    depth : float
        Fall within `before_ms` from which it counts. [m3 m-3]
    water_mm : ndarray, shape (time,)
        Rain and watering from `before_ms` before each value to `after_ms` after it. [mm] NaN: not tested.
    enough_mm : float
        Water that may have made it up. [mm]
    neighbour : ndarray, shape (time,)
        The channel next below at the same times. [m3 m-3] NaN where not known: not tested.
    neighbour_still : float
        A neighbour that rose by as much within `after_ms` may have got the same water. [m3 m-3]
    before_ms, after_ms : int
        [ms]

    Returns
    -------
    ndarray of uint8, shape (time,)
    """
    fell = rolling_max(time_ms, value, before_ms) - value
    rest = fell - (_highest_after(time_ms, value, after_ms) - value)
    below_rose = _highest_after(time_ms, neighbour, after_ms) - neighbour >= neighbour_still
    back = (fell >= depth) & (rest <= DIP_LEFT * fell) & np.isfinite(neighbour) & ~below_rose
    return _flags(value, back & (water_mm < enough_mm))


def _highest_after(time_ms: TimeArray, value: FloatArray, window_ms: int) -> FloatArray:
    """The highest value from each time on for a window. [unit of `value`]"""
    return rolling_max(-time_ms[::-1], value[::-1], window_ms)[::-1]


def intensity(time_ms: TimeArray, amount_mm: FloatArray, *, most_mm_h: float) -> FlagArray:
    """Flag rain that fell faster than rain does.

    Parameters
    ----------
    time_ms : ndarray of int64, shape (time,)
        Increasing. [ms]
    amount_mm : ndarray, shape (time,)
        Rain since the value before. [mm] NaN are stepped over: what fell meanwhile is in the next.
    most_mm_h : float
        [mm h-1] Over times of less than `INTENSITY_LEAST_MS` as much may fall as in that time.

    Returns
    -------
    ndarray of uint8, shape (time,)
        SUSPECT where it was faster, GOOD at the first value, MISSING where NaN.
    """
    at = np.flatnonzero(np.isfinite(amount_mm))
    hours = np.maximum(np.diff(time_ms[at], prepend=-HOUR_MS * 24 * 365), INTENSITY_LEAST_MS) / HOUR_MS
    suspect = np.zeros(amount_mm.shape, dtype=np.bool_)
    suspect[at] = amount_mm[at] > most_mm_h * hours
    return _flags(amount_mm, suspect)


def flat_line(
    time_ms: TimeArray,
    value: FloatArray,
    *,
    window_ms: int,
    tolerance: float,
    least_count: int = 12,
    should_move: BoolArray | None = None,
) -> FlagArray:
    """Flag a value that has not moved for a whole window.

    Parameters
    ----------
    time_ms, value : ndarray, shape (time,)
        Times [ms], increasing, and values in any unit.
    window_ms : int
        How long it must have stood still. [ms]
    tolerance : float
        Highest less lowest in the window at most this. [unit of `value`]
    least_count : int
        Fewest values in the window, so that a gap is not taken for a flat line.
    should_move : ndarray of bool, optional
        Flag only where something should have moved it, as rain does.

    Returns
    -------
    ndarray of uint8, shape (time,)
        SUSPECT from the moment the window is full.
    """
    span = rolling_range(time_ms, value, window_ms)
    first = np.searchsorted(time_ms, time_ms - window_ms, side="right")
    count = count_in_window(np.isfinite(value), first)
    covered = time_ms - time_ms[np.minimum(first, time_ms.size - 1)] >= 0.9 * window_ms if time_ms.size else first > 0
    suspect = (span <= tolerance) & covered & (count >= least_count)
    return _flags(value, suspect if should_move is None else suspect & should_move)


def frost(value: FloatArray, soil_temperature_degc: FloatArray, *, threshold_degc: float) -> FlagArray:
    """Flag moisture read in frozen ground: ice reads as dry.

    Parameters
    ----------
    value : ndarray, shape (time,)
        Water content. [m3 m-3]
    soil_temperature_degc : ndarray, shape (time,)
        Beside it. [degC] NaN where not known: not masked.
    threshold_degc : float
        SUSPECT at and below. [degC]

    Returns
    -------
    ndarray of uint8, shape (time,)
    """
    return _flags(value, soil_temperature_degc <= threshold_degc)


def rise_without_water(
    time_ms: TimeArray,
    value: FloatArray,
    *,
    rain_mm: FloatArray,
    rise: float,
    enough_rain_mm: float,
    window_ms: int = MAX_STEP_GAP_MS,
    wetted_above: BoolArray | None = None,
    watered: BoolArray | None = None,
) -> FlagArray:
    """Flag a rise of moisture that no rain, watering or layer above explains.

    Parameters
    ----------
    time_ms, value : ndarray, shape (time,)
        Times [ms] and water content. [m3 m-3]
    rain_mm : ndarray, shape (time,)
        Rain of the time before each value in which it could arrive, a day for instance, see `rain_before`. [mm] NaN
        where not known: not tested.
    rise : float
        Rise above the lowest value of the window from which it needs a cause. [m3 m-3]
    enough_rain_mm : float
        Rain that is cause enough. [mm]
    window_ms : int
        [ms]
    wetted_above, watered : ndarray of bool, optional
        Where the layer above rose too, or somebody watered.

    Returns
    -------
    ndarray of uint8, shape (time,)
    """
    risen = value - rolling_min(time_ms, value, window_ms) >= rise
    unexplained = risen & (rain_mm < enough_rain_mm)
    for cause in (wetted_above, watered):
        if cause is not None:
            unexplained &= ~cause
    return _flags(value, unexplained)


def air_gap(
    time_ms: TimeArray,
    value: FloatArray,
    *,
    rain_mm: FloatArray,
    dry_below: npt.ArrayLike,
    excursion: float,
    enough_rain_mm: float,
    window_ms: int = 24 * HOUR_MS,
) -> FlagArray:
    """Flag a probe that reads drier than soil can be within a day of having been wet: it sits in air.

    Soil that took up water keeps most of it for a day; a gap fills in rain and drains at once. Not for thatch, which
    may do the same in good health.

    Parameters
    ----------
    time_ms, value : ndarray, shape (time,)
        Times [ms] and water content. [m3 m-3]
    rain_mm : ndarray, shape (time,)
        Rain of the window before each value. [mm] NaN: not tested.
    dry_below : array_like
        Driest the soil can be by drying plants: the low end of its wilting range. [m3 m-3]
    excursion : float
        How far above the present value it stood in the window. [m3 m-3]
    enough_rain_mm : float
        Rain from which the test is made. [mm]
    window_ms : int
        [ms]

    Returns
    -------
    ndarray of uint8, shape (time,)
    """
    was = rolling_max(time_ms, value, window_ms) - value
    gap = (value < np.asarray(dry_below, dtype=np.float64)) & (was >= excursion) & (rain_mm >= enough_rain_mm)
    return _flags(value, gap)


def disagrees(
    time_ms: TimeArray,
    value: FloatArray,
    neighbours: tuple[FloatArray, ...],
    *,
    move: float,
    neighbour_still: float,
    window_ms: int = 3 * HOUR_MS,
) -> FlagArray:
    """Flag a fall that none of the neighbours above and below shares: contact lost, or the probe disturbed.

    Parameters
    ----------
    time_ms, value : ndarray, shape (time,)
        Times [ms] and water content. [m3 m-3]
    neighbours : tuple of ndarray, shape (time,)
        The channels next above and below at the same times. [m3 m-3] NaN where not known; with none known nothing is
        flagged.
    move : float
        Fall within the window from which it needs company. [m3 m-3]
    neighbour_still : float
        A neighbour that moved less than this, either way, did not share it. [m3 m-3]
    window_ms : int
        [ms]

    Returns
    -------
    ndarray of uint8, shape (time,)
    """
    fell = rolling_max(time_ms, value, window_ms) - value >= move
    known = np.zeros(value.shape, dtype=np.bool_)
    shared = np.zeros(value.shape, dtype=np.bool_)
    for other in neighbours:
        moved = rolling_range(time_ms, other, window_ms)
        known |= np.isfinite(other)
        shared |= moved >= neighbour_still
    return _flags(value, fell & known & ~shared)
