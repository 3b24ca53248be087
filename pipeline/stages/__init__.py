"""From raw readings to observations and findings.

From raw readings to observations and findings: the stages in their order, and the loop that runs them.

A stage is a function from (frame, context) to a frame, pure. Each result rests on a bounded stretch of time about it,
so a span worked out alone gives, to the last bit, what the whole record gives, if the rows of `affected` are handed in.
The reading and writing is done by the worker. The stages of periods (wetting, drying, roots, climate, strength) stand
in modules beside these and are run by `pipeline.stages.recompute` once the observations of their days are kept.

- `calibrate`: The first stage: from the number heard to the observation, by the curve named for each channel.
- `climate`: Findings of each day: what the air asked of the turf, how well it could grow, how warm its soil, whether
  it froze.
- `daily`: Findings of whole days and fortnights, drawn from the observations once those stand.
- `field_limits`: Learning the limits of each channel, every four weeks, from its history up to then.
- `layers`: The third stage: water by layer, once every quarter of an hour, as findings.
- `quality`: The second stage: how far each observation may be believed, by the tests of `pipeline.soil.quality`.
- `recompute`: From raw readings to stored observations and findings, for one station and one span.
- `roots`: Findings of each fortnight: how deep the roots drank, and how much of it they may have drawn from the
  thatch.
- `runner`: Which stretches of which stations the stages have still to see, and the running of them, one bounded piece
  at a time.
- `strength`: Findings of each day the cone was pushed: resistance by depth, and how deep roots can go before it stops
  them.
- `treatments`: Findings of passes over the turf and of cores: what each pass changed and took out, and how thatch
  grows.
- `wetting`: Findings of wettings: for each rain, watering or rise that nobody explains, where its water went.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.site.station import StationContext, StationFrame
from pipeline.soil.layers import CELL_MS
from pipeline.stages import calibrate, layers, quality
from pipeline.units import HOUR_MS

Stage = Callable[[StationFrame, StationContext], StationFrame]

STAGES: tuple[Stage, ...] = (calibrate.calibrate, quality.quality, layers.layers)

LEAD_IN_MS = 96 * HOUR_MS
"""How far back a result may rest on earlier rows: rain of a day whose total was last heard two days before that, or a
thermometer that stood still for three days, and the hour for which a seldom read channel stands."""

LOOK_AHEAD_MS = 3 * HOUR_MS
"""How far ahead: a spike is known by the value after it."""


@dataclass(frozen=True, slots=True)
class AffectedSpan:
    """What to read and what to keep. [ms since 1970, UTC] Ends are excluded; all are whole cells."""

    read_start_ms: int
    start_ms: int
    end_ms: int
    read_end_ms: int


def affected(first_ms: int, last_ms: int) -> AffectedSpan:
    """The span whose results may change when rows between two times arrive, and the rows needed to redo it.

    Parameters
    ----------
    first_ms, last_ms : int
        Earliest and latest time among the new rows, both included. [ms since 1970, UTC]
    """
    start = (first_ms - LOOK_AHEAD_MS) // CELL_MS * CELL_MS
    end = -(-(last_ms + 1 + LEAD_IN_MS) // CELL_MS) * CELL_MS
    return AffectedSpan(start - LEAD_IN_MS, start, end, end + LOOK_AHEAD_MS)


def process(
    frame: StationFrame, context: StationContext, *, start_ms: int | None = None, end_ms: int | None = None
) -> StationFrame:
    """Run all stages, and keep what belongs to the station and lies in start <= t < end.

    Parameters
    ----------
    frame : StationFrame
        See `StationFrame.from_raw`: the rows of `context.channel_ids` over the read span of `affected`.
    context : StationContext
    start_ms, end_ms : int, optional
        Span to keep, as from `affected`. [ms since 1970, UTC] None: no bound.

    Returns
    -------
    StationFrame
        Observations of the station's own channels and its findings, channel and names as text.
    """
    for stage in STAGES:
        frame = stage(frame, context)
    channel = frame.observations["channel"].array
    own = np.array([context.owns(str(c)) for c in channel.categories], dtype=np.bool_)
    keep = own[channel.codes] if own.size else np.zeros(len(frame.observations), dtype=np.bool_)
    observations = frame.observations[keep & _within(frame.observations["measured_at_ms"], start_ms, end_ms)]
    findings = frame.findings[_within(frame.findings["start_ms"], start_ms, end_ms)]
    observations = observations.assign(
        channel=observations["channel"].astype("str"), status=observations["status"].astype("str")
    )
    return StationFrame(observations.reset_index(drop=True), findings.reset_index(drop=True))


def _within(time_ms: pd.Series, start_ms: int | None, end_ms: int | None) -> np.ndarray:
    times = time_ms.to_numpy(dtype=np.int64)
    keep = np.ones(times.shape, dtype=np.bool_)
    if start_ms is not None:
        keep &= times >= start_ms
    if end_ms is not None:
        keep &= times < end_ms
    return keep
