"""From raw readings to observations and findings: the stages in their order, each declared once.

A stage is pure. Each result rests on a bounded stretch of time about it, so a span worked out alone gives, to the last
bit, what the whole record gives, if the rows of `recompute.affected` are handed in.

- `by_hand`: What was measured by hand, as observations beside those of probes; and the layers of a station that has no
  probe.
- `calibrate`: The first stage: from the number heard to the observation, by the curve named for each channel.
- `catalogue`: The catalogue of findings: each stored quantity with its unit, its meaning, its stage and where a person
  sees it.
- `climate`: Findings of each day: what the air asked of the turf, how well it could grow, how warm its soil, whether
  it froze.
- `field_limits`: Learning the limits of each channel, every four weeks, from its history up to then.
- `layers`: The third stage: water by layer, once every quarter of an hour, as findings.
- `probe_faults`: Findings of each fortnight about channels of moisture that are not to be believed as a whole.
- `quality`: The second stage: how far each observation may be believed, by the tests of `pipeline.soil.quality`.
- `recompute`: From raw readings to stored observations and findings, for one station and one span.
- `roots`: Findings of each fortnight: how deep the roots drank, and how much of it they may have drawn from the
  thatch.
- `runner`: Which stretches of which stations the stages have still to see, and the running of them, one bounded piece
  at a time.
- `stage`: What a stage is: its declaration, what it is handed and what it gives, and the tables of a store made of
  both.
- `strength`: Findings of each day the cone was pushed: resistance by depth, and how deep roots can go before it stops
  them.
- `treatments`: Findings of passes over the turf and of cores: what each pass changed and took out, and how thatch
  grows.
- `wetting`: Findings of wettings: for each rain, watering or rise that nobody explains, where its water went.
"""

from __future__ import annotations

from typing import Any

from pipeline.stages.calibrate import CALIBRATE
from pipeline.stages.climate import DAILY_CLIMATE
from pipeline.stages.field_limits import FIELD_LIMITS
from pipeline.stages.layers import LAYER_WATER
from pipeline.stages.probe_faults import CHANNEL_CHECKS, STANDSTILL
from pipeline.stages.quality import QUALITY
from pipeline.stages.roots import ROOTS
from pipeline.stages.stage import Stage
from pipeline.stages.strength import STRENGTH
from pipeline.stages.treatments import PASSES
from pipeline.stages.wetting import DRYING, WETTING

STAGES: tuple[Stage[Any], ...] = (
    CALIBRATE, QUALITY, LAYER_WATER, DAILY_CLIMATE, STRENGTH, ROOTS, WETTING, DRYING, STANDSTILL, CHANNEL_CHECKS,
    PASSES, FIELD_LIMITS,
)  # fmt: skip
"""Every stage. What a stage reads is drawn by stages before it, but for limits, which hold from their moment on."""
