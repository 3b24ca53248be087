"""The state of the ground as plain text: for the command line, and for whoever has no browser."""

from __future__ import annotations

from collections.abc import Sequence

from api import words
from api.state import ChannelNow, StationNow
from pipeline.alerts.runner import OpenAlert
from pipeline.site.models import SiteConfig


def summary(config: SiteConfig, states: Sequence[StationNow], alerts: Sequence[OpenAlert]) -> str:
    """Water by layer, the last wetting, open alerts and the age of the data, station by station."""
    zone = config.site.timezone
    lines = [config.site.title, "=" * len(config.site.title)]
    if states:
        lines.append(f"{words.moment(states[0].now_ms, zone)} ({zone})")
    for state in states:
        title = words.place(state.surface, state.station)
        lines += ["", title, "-" * len(title), *words.station_text(state, zone).lines]
        lines += _by_depth(state, zone)
    lines += ["", "Open alerts"]
    lines += [f"- {alert.text} Since {words.moment(alert.since_ms, zone)}." for alert in alerts] or ["- None."]
    return "\n".join(lines) + "\n"


def _by_depth(state: StationNow, zone: str) -> list[str]:
    rows = [
        f"  {channel.installed.channel.depth_m * 1000:5.0f} mm  {_value(channel.value)} m3/m3  "
        f"{words.FLAG_WORDS[channel.flag]}{_silence(channel, state.now_ms, zone)}"
        for channel in state.channels
        if channel.installed.channel.quantity == "water_content" and channel.installed.channel.depth_m is not None
    ]
    return ["Water by depth below the leaf base:", *rows] if rows else []


def _silence(channel: ChannelNow, now_ms: int, zone: str) -> str:
    return f", {words.answered(channel, now_ms, zone)}" if channel.is_silent and channel.at_ms is not None else ""


def _value(value: float | None) -> str:
    return "  -  " if value is None else f"{value:.3f}"
