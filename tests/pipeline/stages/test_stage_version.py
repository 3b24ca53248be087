"""The version of the stages is raised whenever the same raw readings would give other results."""

from __future__ import annotations

import datetime
import hashlib

import numpy as np
import pandas as pd

from hardware.probe import load_probe
from pipeline.diary.facts import Dated, Lifted
from pipeline.diary.station import PassDone, StationContext
from pipeline.soil.thatch import CoreReading
from pipeline.soil.wetting import Watering
from pipeline.stages import STAGES
from pipeline.stages.field_limits import limits_found
from pipeline.stages.recompute import PERIOD_STAGES, process
from pipeline.stages.stage import STAGE_VERSION, Finding, find, findings_table, series_of
from pipeline.stages.treatments import StationFindings, core_findings, pass_findings
from pipeline.units import DAY_MS
from tests.pipeline.contexts import changed
from tests.pipeline.turf_days import CONTEXT, HOUR_MS, MONDAY_MS, values

DAYS = 20
RAIN_HOUR = 14 * 24 + 10  # after the fortnight, so that roots and a wetting are both in it
CONE = tuple(f"s1/cone/{c.name}" for c in load_probe("cone_hard").channels)
PASS = PassDone(MONDAY_MS, "scarifying", "standard", "scarifying", 0.010, 0.020, 0.002, 0.2)
# Only the last version can be worked out, so only its digest is kept.
DIGEST = (26, "0d447efd6ca7cd35")


def _context() -> StationContext:
    cone = {f"s1/cone/{c.name}": c for c in load_probe("cone_hard").channels}
    return changed(
        CONTEXT,
        channels={**CONTEXT.channels, **cone},
        cores=(Dated(MONDAY_MS - 300 * DAY_MS, 0.015), Dated(MONDAY_MS + 3 * DAY_MS, 0.016)),
        dressings=(Dated(MONDAY_MS + 16 * DAY_MS, 0.002),),
        depths={"s1/p1/moisture_065": (Dated(MONDAY_MS + 2 * DAY_MS, 0.067),)},
        lifted=(Lifted("s1/t1", MONDAY_MS + 17 * DAY_MS, MONDAY_MS + 17 * DAY_MS + 3 * HOUR_MS),),
        core_reads=tuple(CoreReading(datetime.date(2020 + k, 3, 1), "a ruler", 12.0 + k % 3) for k in range(4)),
        waterings=(Watering(MONDAY_MS + 18 * DAY_MS, MONDAY_MS + 18 * DAY_MS + HOUR_MS),),
    )


def _permittivity(theta: np.ndarray) -> np.ndarray:
    """Topp's forward equation (Topp, Davis & Annan 1980, from memory): any curve would do to make numbers from."""
    return np.round(3.03 + 9.3 * theta + 146.0 * theta**2 - 76.7 * theta**3, 2)


def _raw() -> pd.DataFrame:
    """Three weeks of hourly readings: dry days, one rain, a spike, a silence and a visit with the cone."""
    time_ms, table = values(0.08, DAYS - 2, step_h=1.0, seed=7)
    hour = (time_ms - MONDAY_MS) // HOUR_MS
    wet = hour >= RAIN_HOUR
    parts = []
    for k, name in enumerate(sorted(table)):
        raw = np.array(table[name], dtype=np.float64)
        if "moisture" in name:
            rise, hours = (0.40, 24.0) if "/t1/" in name else (0.06, 20.0 + 10.0 * k)  # the thatch fills, and drains
            since = np.maximum(hour - RAIN_HOUR - k, 0)
            raw = _permittivity(np.maximum(raw, 0.12) + wet * rise * np.exp(-since / hours))
        if name.endswith("rain"):
            raw = 3.0 + np.cumsum(np.where(hour == RAIN_HOUR, 26.0, 0.0))
        if name.endswith("moisture_065"):
            raw[100], raw[200:204] = raw[100] + 6.0, np.nan
        if name.endswith("moisture_160"):
            raw[48:125], raw[-30:] = (
                90.0,
                raw[-30],
            )  # refused for over a fifth of a fortnight; in the end it stands still
        parts.append((name, time_ms + 1000, raw))
    depth = np.arange(0.0, 0.301, 0.01)
    at_ms = MONDAY_MS + 12 * HOUR_MS + np.arange(5 * depth.size) * 1000 + np.arange(5).repeat(depth.size) * 60_000
    force = np.concatenate([40.0 + 900.0 * depth + 5.0 * push for push in range(5)])
    parts += [(CONE[0], at_ms, np.tile(depth, 5)), (CONE[1], at_ms, force)]
    tables = [
        pd.DataFrame(
            {
                "channel": name, "measured_at_ms": at, "raw": raw, "clock_ok": True, "received_at_ms": at,
                "status": np.where(np.isnan(raw), "silent", "ok"),
            }
        )
        for name, at, raw in parts
    ]  # fmt: skip
    return pd.concat(tables, ignore_index=True)


def _results() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Observations, and every finding: of quarter hours, of days, fortnights and wettings, and the limits learned."""
    context, raw = _context(), _raw()
    done = process(series_of(raw), context)
    record = done.record
    end_ms = MONDAY_MS + (DAYS - 2) * DAY_MS
    drawn = findings_table(find(PERIOD_STAGES, record, context, MONDAY_MS - 2 * DAY_MS, end_ms), "s1")
    rows = [*core_findings(context), *pass_findings(_told(context), tuple, PASS)]
    passed = pd.DataFrame(rows, columns=list(Finding._fields)).assign(station="s1").drop(columns="channel")
    return done.observations, pd.concat(
        [done.findings, drawn, findings_table(limits_found(record, context, end_ms), "s1"), passed]
    )


def _told(context: StationContext) -> StationFindings:
    """Made-up hold times about the pass."""
    times = PASS.at_ms + DAY_MS * np.array([-40, -30, -20, -10, 5, 15, 25, 35])
    return StationFindings(context, {"hold_time": (times, np.array([60.0, 58.0, 63.0, 61.0, 40.0, 45.0, 39.0, 44.0]))})


def _digest(observations: pd.DataFrame, findings: pd.DataFrame) -> str:
    """Four digits of each number: enough to see a change of a sum, few enough for another processor's last bits."""
    lines = []
    for table, columns in (
        (observations, ["channel", "measured_at_ms", "value", "flag"]),
        (findings, ["station", "quantity", "start_ms", "end_ms", "value", "low", "high", "n", "reason"]),
    ):
        for row in table[columns].itertuples(index=False):
            lines.append(" ".join(f"{x:.4g}" if isinstance(x, float) else str(x) for x in row))
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]


def test_results_are_those_of_this_version():
    """The fixed readings give the results whose digest is stored beside the version; other results need another one."""
    found = _digest(*_results())
    version, stored = DIGEST
    told = f"results: found {found}, expected {stored} of version {version}."
    what = "Raise STAGE_VERSION in pipeline/stages/stage.py if other results are meant, and store both here."
    assert (STAGE_VERSION, found) == (version, stored), f"{told} {what}"


def test_every_kind_of_finding_is_among_them():
    """A change in any sum of a stage is seen: each has at least one figure among the results."""
    observations, findings = _results()
    told = set(findings[findings["value"].notna()]["quantity"])
    declared = {quantity for stage in STAGES for quantity in (*stage.findings, *stage.channel_findings)}
    assert set(findings["quantity"]) - declared == set(), "declare these in the `findings` of the stage that draws them"
    for stage in PERIOD_STAGES:
        assert told & {*stage.findings, *stage.channel_findings}, stage.name
    assert {
        "thatch_water",
        "root_zone_wetness",
        "drained_limit",
        "root_depth_90",
        "arrival_share",
        "thatch_trend",
    } <= told
    assert {"hold_time_change", "thatch_removed", "removal_efficiency"} <= told
    assert {1, 3, 9} <= set(observations["flag"])


def test_a_change_in_the_fourth_digit_is_seen():
    """A thousandth more of one value gives another digest."""
    observations, findings = _results()
    at = np.flatnonzero(findings["value"].notna())[5]
    changed = findings.assign(value=findings["value"].where(np.arange(len(findings)) != at, findings["value"] * 1.002))
    assert _digest(observations, changed) != _digest(observations, findings)
