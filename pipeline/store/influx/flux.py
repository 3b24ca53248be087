"""The Flux texts the server store asks with, as functions from plain values to text.

Pure: it opens nothing. Every text is built here and nowhere else, so that all of them can be checked against the
language. A page's or a file's own words never become Flux: names are quoted, and quotes, backslashes and dollar
signs in them cannot end the quotation.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.units import Flag

NS_PER_MS = 1_000_000
LATEST_MS = 7_258_118_400_000  # the year 2200: the server's own end is now, and would hide a row dated ahead

READING = "reading"
OBSERVATION = "observation"
FINDING = "finding"

READING_KEPT = (
    *("at_ms", "node", "outbox_id", "seq", "channel", "slot", "raw", "status", "attempts", "clock_ok"),
    "received_at_ms",
)
OBSERVATION_KEPT = (
    *("at_ms", "channel", "raw", "has_raw", "value", "has_value", "flag", "stage_version", "received_at_ms"),
)
FINDING_KEPT = (
    *("at_ms", "quantity", "end_ms", "value", "has_value", "low", "has_low", "high", "has_high", "n"),
    *("reason", "has_reason", "stage_version"),
)


def quoted(text: str) -> str:
    """A text as a Flux string literal."""
    # `$` as a byte: `${` would open an expression, and `\\${` after another `$` is not understood.
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("$", "\\x24")
    return '"' + escaped.replace("\n", "\\n").replace("\r", "\\r").replace("\t", "\\t") + '"'


def rows(
    bucket: str,
    site: str,
    channels: Sequence[str],
    measurement: str,
    start_ms: int,
    end_ms: int,
    *,
    after: tuple[str, int] | None = None,
    limit: int | None = None,
) -> str:
    """Readings or observations of channels with start <= t < end, one row each.

    With `after`, a channel and a time, that channel's begin behind the time. With a `limit`, at most so many of
    each channel are made into rows and the first of them by channel and time are given: whole observations, since
    every field of one is written; for readings it would cut through two of one millisecond.
    """
    kept = READING_KEPT if measurement == READING else OBSERVATION_KEPT
    wanted = _any("channel", channels)
    if after is not None:
        wanted += f" and (r.channel != {quoted(after[0])} or r._time > time(v: {after[1] * NS_PER_MS}))"
    series = _series(bucket, site, measurement, start_ms, end_ms, wanted)
    if limit is None:
        return series + _as_rows(kept)
    first = f"  |> limit(n: {limit})\n"
    return series + first + _as_rows(kept) + '  |> sort(columns: ["channel", "at_ms"])\n' + first


def outbox_rows(bucket: str, site: str, outbox_id: str, start_ms: int, end_ms: int) -> str:
    """Readings of one outbox with start <= t < end: what reading back asks for."""
    return _series(bucket, site, READING, start_ms, end_ms, _any("outbox_id", [outbox_id])) + _as_rows(READING_KEPT)


def findings(bucket: str, site: str, station: str, quantities: Sequence[str] | None, start_ms: int, end_ms: int) -> str:
    """Findings of a station with start <= start_ms < end, of some quantities or of all."""
    wanted = _any("station", [station])
    if quantities is not None:
        wanted += f" and {_any('quantity', quantities)}"
    return _series(bucket, site, FINDING, start_ms, end_ms, wanted) + _as_rows(FINDING_KEPT)


def latest(bucket: str, site: str, channels: Sequence[str]) -> str:
    """The last observation of each channel."""
    series = _series(bucket, site, OBSERVATION, 0, LATEST_MS, _any("channel", channels))
    return series + "  |> last()\n" + _as_rows(OBSERVATION_KEPT)


def last_answers(bucket: str, site: str, channels: Sequence[str]) -> str:
    """Channel and time, as `at_ms`, of the last observation of each channel that is not `Flag.MISSING`."""
    return (
        _series(bucket, site, OBSERVATION, 0, LATEST_MS, f'{_any("channel", channels)} and r._field == "flag"')
        # In a step of its own: only here is every value a number.
        + f"  |> filter(fn: (r) => r._value != {Flag.MISSING:d})\n  |> last()\n"
        + _as_milliseconds()
        + '  |> keep(columns: ["at_ms", "channel"])\n  |> group()\n'
    )


def observations_at(bucket: str, site: str, places: Sequence[tuple[str, int]]) -> str:
    """The observations of channels at times, one row each. [ms since 1970, UTC]"""
    if not places:
        raise ValueError("places: found none, expected at least one channel and time to ask for")
    times = [at_ms for _, at_ms in places]
    wanted = " or ".join(f"(r.channel == {quoted(c)} and r._time == time(v: {t * NS_PER_MS}))" for c, t in places)
    series = _series(bucket, site, OBSERVATION, min(times), max(times) + 1, f"({wanted})")
    return series + _as_rows(OBSERVATION_KEPT)


def edge(bucket: str, site: str, channels: Sequence[str], *, last: bool) -> str:
    """Time of the first or the last reading of these channels, as `at_ms`."""
    wanted = f'{_any("channel", channels)} and r._field == "seq"'
    outermost = "last" if last else "first"
    return (
        _series(bucket, site, READING, 0, LATEST_MS, wanted)
        + f"  |> {outermost}()\n"
        + _as_milliseconds()
        + '  |> keep(columns: ["at_ms"])\n  |> group()\n'
        + f'  |> sort(columns: ["at_ms"], desc: {"true" if last else "false"})\n  |> limit(n: 1)\n'
    )


def steps(bucket: str, site: str, channels: Sequence[str], start_ms: int, end_ms: int, step_ms: int, *, of: str) -> str:
    """One of `min`, `mean`, `max` or `count` of the good and not evaluated values of each step, counted from 1970."""
    return (
        _series(bucket, site, OBSERVATION, start_ms, end_ms, _any("channel", channels))
        + '  |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")\n'
        + "  |> filter(fn: (r) => r.has_value and (r.flag == 1 or r.flag == 2))\n"
        + f"  |> aggregateWindow(every: {step_ms}ms, fn: {of}, "
        + 'column: "value", timeSrc: "_start", createEmpty: false)\n'
        + _as_milliseconds()
        + '  |> keep(columns: ["at_ms", "channel", "value"])\n  |> group()\n'
    )


def findings_predicate(site: str, station: str, quantity: str) -> str:
    """Which findings to delete: the delete interface has its own small language, without `or`."""
    return " AND ".join(
        f"{name}={quoted(value)}"
        for name, value in (("_measurement", FINDING), ("site", site), ("station", station), ("quantity", quantity))
    )


def _series(bucket: str, site: str, measurement: str, start_ms: int, end_ms: int, wanted: str) -> str:
    return (
        f"from(bucket: {quoted(bucket)})\n"
        f"  |> range(start: time(v: {start_ms * NS_PER_MS}), stop: time(v: {end_ms * NS_PER_MS}))\n"
        f"  |> filter(fn: (r) => r._measurement == {quoted(measurement)} and r.site == {quoted(site)} and {wanted})\n"
    )


def _as_rows(kept: Sequence[str]) -> str:
    columns = ", ".join(quoted(name) for name in kept)
    return (
        '  |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")\n'
        + _as_milliseconds()
        + f"  |> keep(columns: [{columns}])\n  |> group()\n"
    )


def _as_milliseconds() -> str:
    return f"  |> map(fn: (r) => ({{r with at_ms: int(v: r._time) / {NS_PER_MS}}}))\n"


def _any(tag: str, names: Sequence[str]) -> str:
    if not names:
        raise ValueError(f"{tag}: found none, expected at least one name to ask for")
    return "(" + " or ".join(f"r.{tag} == {quoted(name)}" for name in names) + ")"
