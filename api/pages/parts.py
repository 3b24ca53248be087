"""Facts that several pages show: the head, what is to be seen to, a station and its slice in a few words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from api import words
from api.data import iso
from api.depths import DepthNow
from api.state import StationNow
from pipeline.alerts.probes import PROBE_FAULT
from pipeline.service import Pipeline
from pipeline.units import DAY_MS, EVER_MS

SNOOZE_DAYS = 3
MOST_SEEN = 8  # alerts that are told on one page; that of the alerts has all
SHORT = 90  # characters of what is to be seen to, where it has one line


def head(states: Sequence[StationNow], zone: str) -> dict[str, Any]:
    """Return the facts of the head of a page: the time, and when some stations were heard last."""
    now_ms = states[0].now_ms
    heard_ms = max((s.heard_ms for s in states if s.heard_ms is not None), default=None)
    is_old = heard_ms is None or all(s.heard_ms is None or s.is_old for s in states)
    if heard_ms is None:
        age = "not heard yet"
    else:
        # the hour alone is enough for what was heard in the last ones, past midnight too
        age = f"{words.age(now_ms - heard_ms)} old" if is_old else f"heard {words.clock(heard_ms, zone)}"
        if not is_old and all(s.by_hand for s in states if s.heard_ms == heard_ms):
            age = f"by hand, last read {words.soon(heard_ms, zone, now_ms)}"
    return {"now": words.date_and_clock(now_ms, zone), "age": age, "age_is_old": is_old}


def see_to(pipeline: Pipeline, states: Sequence[StationNow], station: str | None = None) -> list[dict[str, Any]]:
    """Return the open alerts as a page shows them, of one station or of all, those that nobody has marked first.

    What was told of a station that has not been heard since stands behind, and says so.
    """
    zone, now_ms = pipeline.config.site.timezone, states[0].now_ms
    unheard = {s.station.name: s.heard_ms for s in states if s.is_old and s.heard_ms is not None}
    stale = {
        a.alert_id: f" As it was {words.soon(heard_ms, zone, now_ms)}: nothing heard since."
        for a in pipeline.alerts()
        if a.rule != PROBE_FAULT.name and (heard_ms := unheard.get(a.station)) is not None
    }
    marks = {str(e.body.get("alert")): e for e in pipeline.diary.entries(("mark",), *EVER_MS)}
    found = [
        {
            "id": alert.alert_id,
            "text": words.tied(alert.text),
            "short": alert.text if len(alert.text) <= SHORT else f"{alert.text[:SHORT].rpartition(' ')[0]} ...",
            "since": f"Since {words.soon(alert.since_ms, zone, now_ms)}.{stale.get(alert.alert_id, '')}",
            "mark": words.mark_line(marks[alert.alert_id], zone, now_ms) if alert.alert_id in marks else "",
            "until": iso(now_ms // 1000 * 1000 + SNOOZE_DAYS * DAY_MS),
            "snooze_days": SNOOZE_DAYS,
        }
        for alert in pipeline.alerts()
        if station in (None, alert.station)
    ]
    return sorted(found, key=lambda one: (bool(one["mark"]), one["id"] in stale))


LAYERS_CALLED = {"thatch": "thatch", "top_layer": "top", "root_zone": "roots"}


def layers_said(state: StationNow) -> list[str]:
    """Return how wet each layer is that can be told: `thatch nearly dry`, `roots half full`."""
    told = [one for one in state.layers if one.wetness is not None]
    said = [f"{LAYERS_CALLED[one.layer]} {words.wetness(one.wetness)}" for one in told if one.wetness is not None]
    if told and not any(one.layer == "root_zone" for one in told):
        said.append("roots cannot be told")
    return said


def told(depths: Sequence[DepthNow]) -> str:
    """Return the numbers that a slice draws, in words."""
    each = [
        f"{d.depth_mm:.0f} mm {words.way(d.wetness)}{' mixed' if d.lies_in == 'mixed' else ''}"
        f"{' silent' if d.channel.is_silent else ''}"
        for d in depths
    ]
    return f"Of the way from dry to drained: {'; '.join(each)}." if each else "No moisture probe stands here."


def thatch_words(state: StationNow, depths: Sequence[DepthNow], zone: str) -> str:
    """Return what is known of the thickness of the thatch, and whether a probe reads it."""
    if state.thatch_m is None:
        return "Thatch not known: cut a core."
    if state.thatch_m == 0.0:
        return "No thatch."
    core = f"{state.thatch_m * 1000:.0f} mm of thatch"
    if state.core_ms is not None:
        core = f"Core {words.soon(state.core_ms, zone, state.now_ms, clock=False)}: {state.thatch_m * 1000:.0f} mm"
    if any(one.lies_in == "thatch" for one in depths):
        return f"{core}."
    mixed = any(one.lies_in == "mixed" for one in depths)
    return f"{'Thatch mixed with soil' if mixed else 'Thatch not read'}; {core[:1].lower()}{core[1:]}."
