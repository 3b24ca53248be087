"""The series on an InfluxDB server, of version 1, 2 or 3: written in its line protocol, read by InfluxQL.

InfluxQL is what all three versions read; the requests go through the HTTP layer of influxdb-client, never through its
batching writer, which drops rows after its retries. What a point is identified by:

| measurement | tags | time | series |
|---|---|---|---|
| `reading` | site, node, outbox_id, channel | measured_at_ms, with seq below the millisecond | channels x outboxes |
| `observation` | site, channel | measured_at_ms | channels |
| `finding` | site, station, quantity | start_ms | (stations + channels) x quantities |

So writing a row again changes nothing. Every field is written each time, because the server keeps the old value of a
field that a new point leaves out; it has no NaN either, and `NO_NUMBER` stands where there is no number. A finding is
removed by writing it with `n` = `REMOVED_N`, an observation with `flag` = `REMOVED_FLAG`: a DELETE of version 1 walks
every series file, version 3 has none. A reading that was dated again stays as it was written, and is moved when it is
read. The server's word counts for nothing: rows stay in the journal until they have been read back (see
`store.opening`).
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from functools import cache, partial
from typing import Any

import numpy as np
import pandas as pd
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from hardware.reading import Reading, Status
from pipeline.errors import StoreAway, StoreFull
from pipeline.run.clock import Clock, SystemClock
from pipeline.site.server import StoreConfig
from pipeline.store import (
    FINDING_COLUMNS,
    OBSERVATION_COLUMNS,
    RAW_COLUMNS,
    STEP_COLUMNS,
    Changed,
    check_frame,
    extent,
    frame_of,
    series_of_channels,
    series_of_findings,
)
from pipeline.store.redating import RedatedSpan
from pipeline.units import BELIEVED, DAY_MS, FOREVER_MS, Flag, FloatArray, TimeArray

SERVER_TIMEOUT_S = 30.0
POINTS_A_REQUEST = 5000
ROWS_A_CHUNK = 20_000
SHARD_DURATION = "13w"  # of a database made here; the server's own week makes 52 series files a year to look into
CLOCKS_APART_S = 60  # more is reported: by its own clock the server drops what is older than its retention
NO_NUMBER = -1e15  # below anything that a probe or a stage can give
REMOVED_N = -1
REMOVED_FLAG = 0
_EDGES = ("first", "last")
END_MS = 7_258_118_400_000  # the year 2200, the end of what a reading may be dated
EVER = (0, END_MS)
NS_PER_MS = 1_000_000

OUTBOXES = "channel, node, outbox_id"  # sorted: so the server gives tags, however they are asked for
FIELDS = {
    "reading": ("seq", "slot", "raw", "status", "attempts", "clock_ok", "noisy", "received_at_ms"),
    "observation": ("raw", "value", "flag", "stage_version", "received_at_ms"),
    "finding": ("end_ms", "value", "low", "high", "n", "reason", "stage_version"),
}
IN_JSON = {"reason", "stage_version"}  # a field has one type for ever; these are a text or none, a number or a text

StartEnd = tuple[int, int]
Answer = dict[tuple[str, ...], dict[str, list[Any]]]  # columns by the values of the tags that a statement groups by
_HINTS: Mapping[int, str] = {
    401: "look at store.token_file: the token, or user:password of a version 1",
    403: "look at what the user or token of store.token_file may do",
    404: "make the bucket, with a mapping to a database of that name, or let store.token_file make a database",
}


def quoted(text: str, mark: str = "'") -> str:
    """Return a text as an InfluxQL string, or with `"` as an identifier, that nothing in the text can end."""
    escaped = text.replace("\\", "\\\\").replace(mark, f"\\{mark}").replace("\n", "\\n")
    return f"{mark}{escaped}{mark}"


def one_of(tag: str, values: Sequence[str]) -> str:
    """Return the condition that a tag has one of these values."""
    return "(" + " OR ".join(f"{tag} = {quoted(value)}" for value in values) + ")"


@dataclass(frozen=True, slots=True)
class Server:
    """What is known of a server: its version, the address rows are written to, and what is not as it should be."""

    version: str
    writes_to: str
    warnings: tuple[str, ...] = ()


class InfluxStore:
    """A Store on an InfluxDB server.

    Parameters
    ----------
    config : StoreConfig
        Of the kind `influx`. The database of a version 1 is made when it is not there.
    site : str
        Name of the site; several sites may share a bucket.
    token : str, optional
        What is in the settings' `token_file`.
    clock : Clock, optional
        Real time, which the server's clock is compared with.
    redated : callable
        Gives the readings that were dated again: the journal knows them.
    """

    def __init__(
        self,
        config: StoreConfig,
        site: str,
        *,
        token: str | None = None,
        clock: Clock | None = None,
        redated: Callable[[], Sequence[RedatedSpan]] = tuple,
    ) -> None:
        assert config.url is not None and config.bucket is not None  # the settings hold it
        self._config, self._url, self._bucket, self._site = config, config.url, config.bucket, site
        self._clock = SystemClock() if clock is None else clock
        self._redated = redated
        basic, timeout_ms = token is not None and ":" in token, int(SERVER_TIMEOUT_S * 1000)
        self._client = InfluxDBClient(
            self._url, token or "", org=config.org or "-", timeout=timeout_ms, auth_basic=basic
        )
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)
        self.server: Server | None = None  # None until it has answered

    # --- readings ----------------------------------------------------------------------------------------------

    def append_arrivals(self, arrivals: Sequence[tuple[Sequence[Reading], int]]) -> int:
        """Write readings of several arrivals, each with its time of receipt, in few requests. [ms since 1970, UTC]

        One written before is written over itself. Returns how many were given.
        """
        rows = [(r, at_ms) for readings, at_ms in arrivals for r in readings]
        point = cache(partial(self._point, "reading"))
        self._write(
            f"{point(channel=r.channel, node=r.node, outbox_id=r.outbox_id)} "
            f'seq={r.seq}i,slot={_text(r.slot)},raw={0.0 if r.raw is None else float(r.raw)!r},status="{r.status}",'
            f"attempts={r.attempts}i,clock_ok={r.clock_ok},received_at_ms={received_at_ms}i"
            f"{',noisy=true' if r.noisy else ''} "
            f"{r.measured_at_ms * NS_PER_MS + r.seq % NS_PER_MS}"
            for r, received_at_ms in rows
        )
        return len(rows)

    def not_held(self, readings: Sequence[Reading]) -> list[Reading]:
        """Return those of the readings that the server does not give back just as they are, in one request.

        One that is older than the server keeps rows is not asked for.
        """
        kept = self._config.keep_days
        oldest_ms = 0 if kept is None else self._clock.now_ms() - kept * DAY_MS
        asked = [r for r in readings if r.measured_at_ms >= oldest_ms]
        days: dict[tuple[str, int], list[int]] = {}
        for r in asked:  # by days: one reading with a wrong time must not stretch the span over years
            days.setdefault((r.outbox_id, r.measured_at_ms // DAY_MS), []).append(r.measured_at_ms)
        statements = [
            self._select("reading", one_of("outbox_id", [outbox]), (min(times), max(times) + 1), by=OUTBOXES)
            for (outbox, _), times in days.items()
        ]
        held = {
            (Reading(self._site, node, outbox, int(seq), channel, slot, int(at_ms),
                     raw if status == Status.OK else None, Status(status), int(attempts), clock_ok), noisy is True)
            for answer in self._ask(*statements)
            for (channel, node, outbox), columns in answer.items()
            for at_ms, seq, slot, raw, status, attempts, clock_ok, noisy, _ in zip(*columns.values(), strict=True)
        }  # fmt: skip
        return [r for r in asked if (r, r.noisy) not in held]

    def raw(self, channels: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """Return readings as heard, sorted by channel and measured_at_ms. See Store."""
        spans = self._redated()
        frame = self._rows("reading", channels, (start_ms, end_ms), by=OUTBOXES)
        parts = [frame[~_moved(frame, spans)]] if spans else [frame]
        for one in spans:
            first_ms, last_ms = max(start_ms - one.by_ms, one.first_ms), min(end_ms - one.by_ms, one.last_ms + 1)
            part = self._rows("reading", channels, (first_ms, last_ms), where=_numbered(one), by=OUTBOXES)
            parts.append(part.assign(time=part["time"] + one.by_ms, clock_ok=True))
        frame = pd.concat([part for part in parts if len(part)] or parts[:1])
        frame = frame.sort_values(["channel", "time", "outbox_id", "seq"], kind="stable")
        frame["raw"] = frame["raw"].where(frame["status"] == Status.OK.value, np.nan)
        frame["noisy"] = frame["noisy"].eq(True)  # points of an earlier version have none
        return _as(RAW_COLUMNS, frame.rename(columns={"time": "measured_at_ms"}))

    def moved(self, channels: Sequence[str], start_ms: int, end_ms: int) -> dict[str, TimeArray]:
        """Return at which times readings of each channel stood before they were dated again. See Store."""
        times: dict[str, list[TimeArray]] = {}
        for one in self._redated():
            within = max(start_ms, one.first_ms), min(end_ms, one.last_ms + 1)
            part = self._rows("reading", channels, within, where=_numbered(one), by=OUTBOXES, fields=("seq",))
            for name, rows in part.groupby("channel"):
                times.setdefault(str(name), []).append(rows["time"].to_numpy(dtype=np.int64))
        return {name: np.unique(np.concatenate(parts)) for name, parts in sorted(times.items())}

    def span(self, channels: Sequence[str]) -> StartEnd | None:
        """Return first and last measured_at_ms of the readings of these channels. See Store."""
        if not channels:
            return None
        named, spans = one_of("channel", channels), self._redated()
        left = sorted((one.first_ms, one.last_ms + 1) for one in spans)
        come = [(one.first_ms + one.by_ms, one.last_ms + 1 + one.by_ms) for one in spans]
        edges = [at_ms for within in (*left, *come) for at_ms in self.raw(channels, *within)["measured_at_ms"]]
        gaps, behind_ms = [], EVER[0]
        for first_ms, last_ms in (*left, (EVER[1], EVER[1])):
            gaps += [(behind_ms, first_ms)] if behind_ms < first_ms else []
            behind_ms = max(behind_ms, last_ms)
        statements = [self._select("reading", named, gap, fields=(f"{of}(seq)",)) for gap in gaps for of in _EDGES]
        edges += [int(columns["time"][0]) for answer in self._ask(*statements) for columns in answer.values()]
        return (min(edges), max(edges)) if edges else None

    # --- observations ------------------------------------------------------------------------------------------

    def upsert_observations(self, frame: pd.DataFrame) -> Changed:
        """Write observations, each in place of an earlier one. See Store."""
        check_frame(frame, OBSERVATION_COLUMNS, "observations")
        return self._write_observations(frame)

    def remove_observations(self, times_ms: Mapping[str, TimeArray]) -> Changed:
        """Remove observations of some times, by writing them as removed. See Store."""
        parts = [pd.DataFrame({"channel": name, "measured_at_ms": times}) for name, times in times_ms.items()]
        if not parts:
            return {}
        gone = {"raw": np.nan, "value": np.nan, "flag": REMOVED_FLAG, "stage_version": 0, "received_at_ms": 0}
        return self._write_observations(pd.concat(parts).assign(**gone))

    def _write_observations(self, frame: pd.DataFrame) -> Changed:
        point = cache(partial(self._point, "observation"))
        self._write(
            f"{point(channel=channel)} raw={raw!r},value={value!r},flag={flag}i,stage_version={version},"
            f"received_at_ms={received_at_ms}i {at_ms * NS_PER_MS}"
            for channel, at_ms, raw, value, flag, version, received_at_ms in _spelt(frame, OBSERVATION_COLUMNS)
        )
        return extent(frame, "channel", "measured_at_ms")

    def observations(
        self,
        channels: Sequence[str],
        start_ms: int,
        end_ms: int,
        *,
        after: tuple[str, int] | None = None,
        limit: int | None = None,
    ) -> pd.DataFrame:
        """Return observations, sorted by channel and measured_at_ms. See Store."""
        if limit is None and after is None:
            found = self._rows("observation", channels, (start_ms, end_ms))
            return _observed(found[found["flag"] != REMOVED_FLAG])
        behind, behind_ms = ("", 0) if after is None else after
        parts = [self._rows("observation", (), EVER)]
        left = limit
        for name in sorted({channel for channel in channels if channel >= behind}):
            first_ms = max(start_ms, behind_ms + 1) if name == behind else start_ms
            tail = "" if left is None else f"LIMIT {left}"
            there = f" AND flag <> {REMOVED_FLAG}"
            parts.append(self._rows("observation", [name], (first_ms, end_ms), where=there, tail=tail))
            if left is not None:
                left -= len(parts[-1])
                if left == 0:
                    break
        return _observed(pd.concat(parts))

    def channel_series(
        self, channels: Sequence[str], start_ms: int, end_ms: int
    ) -> dict[str, tuple[TimeArray, FloatArray]]:
        """Return times and believed values of each channel. See Store."""
        frame = self._rows("observation", channels, (start_ms, end_ms), fields=("value", "flag"))
        frame = frame[frame["flag"] != REMOVED_FLAG]
        names = ("channel", "measured_at_ms", "value", "flag")
        return series_of_channels(_as(names, frame.rename(columns={"time": "measured_at_ms"})))

    def latest(self, channels: Sequence[str], until_ms: int = FOREVER_MS) -> pd.DataFrame:
        """Return the last observation of each channel. See Store."""
        return self._last(channels, until_ms, answered=False)

    def last_answers(self, channels: Sequence[str], until_ms: int = FOREVER_MS) -> pd.DataFrame:
        """Return the last observation of each channel that is not missing. See Store."""
        return self._last(channels, until_ms, answered=True)

    def steps(self, channels: Sequence[str], start_ms: int, end_ms: int, step_ms: int) -> pd.DataFrame:
        """Return least, mean and greatest value of each step, drawn together by the server. See Store."""
        first_ms, last_ms = (-(-ms // step_ms) * step_ms for ms in (start_ms, end_ms))
        frame = self._rows(
            "observation",
            channels,
            (first_ms, last_ms),
            fields=("min(value)", "mean(value)", "max(value)", "count(value)"),
            where=f" AND value > {NO_NUMBER:.0f} AND ({' OR '.join(f'flag = {flag}' for flag in BELIEVED)})",
            by=f"channel, time({step_ms}ms)",
            tail="fill(none)",
        )
        return _as(STEP_COLUMNS, frame.set_axis(["channel", "start_ms", "low", "mean", "high", "n"], axis=1))

    # --- findings ----------------------------------------------------------------------------------------------

    def upsert_findings(self, frame: pd.DataFrame) -> Changed:
        """Write findings, each in place of an earlier one. See Store."""
        check_frame(frame, FINDING_COLUMNS, "findings")
        point = cache(partial(self._point, "finding"))
        self._write(
            f"{point(station=station, quantity=quantity)} end_ms={end_ms}i,value={value!r},low={low!r},high={high!r},"
            f"n={n}i,reason={reason},stage_version={version} {at_ms * NS_PER_MS}"
            for station, quantity, at_ms, end_ms, value, low, high, n, reason, version in _spelt(frame, FINDING_COLUMNS)
        )
        return extent(frame, "quantity", "start_ms")

    def findings(
        self,
        station: str,
        quantities: Sequence[str] | None,
        start_ms: int,
        end_ms: int,
        *,
        after: tuple[str, int] | None = None,
        limit: int | None = None,
    ) -> pd.DataFrame:
        """Read of each quantity as many rows as a page has. See Store."""
        read = partial(self._findings, station, names=FINDING_COLUMNS, limit=limit)
        if after is None:
            found = read(quantities, (start_ms, end_ms))
        else:
            behind, behind_ms = after
            of_it = [behind] if quantities is None or behind in quantities else []
            others = None if quantities is None else [q for q in quantities if q > behind]
            rest = read(others, (start_ms, end_ms))
            found = pd.concat(
                [read(of_it, (max(start_ms, behind_ms + 1), end_ms)), rest[rest["quantity"] > behind]],
                ignore_index=True,
            )
        return found if limit is None else found.iloc[:limit]

    def finding_series(
        self, station: str, quantities: Sequence[str], start_ms: int, end_ms: int
    ) -> dict[str, tuple[TimeArray, FloatArray]]:
        """Return starts and values of each quantity. See Store."""
        names = ("quantity", "start_ms", "value")
        return series_of_findings(self._findings(station, quantities, (start_ms, end_ms), names=names))

    def delete_findings(self, station: str, quantities: Sequence[str], start_ms: int, end_ms: int) -> None:
        """Remove findings of a span, by writing them as removed. See Store."""
        self.upsert_findings(self.findings(station, quantities, start_ms, end_ms).assign(n=REMOVED_N))

    def _findings(
        self,
        station: str,
        quantities: Sequence[str] | None,
        span: StartEnd,
        *,
        names: Sequence[str],
        limit: int | None = None,
    ) -> pd.DataFrame:
        """Return these columns of findings that are not removed, at most `limit` of each quantity, sorted by quantity
        and start_ms."""
        fields = tuple(field for field in FIELDS["finding"] if field in names or field == "n")
        statements = []
        if span[0] < span[1] and (quantities is None or len(quantities)):
            named = one_of("station", [station])
            named += "" if quantities is None else f" AND {one_of('quantity', quantities)}"
            tail = "" if limit is None else f"LIMIT {limit}"
            named += tail and f" AND n <> {REMOVED_N}"
            statements = [self._select("finding", named, span, fields=fields, by="quantity", tail=tail)]
        frame = _table(self._ask(*statements), ("quantity",), fields)
        frame = frame[frame["n"] != REMOVED_N].rename(columns={"time": "start_ms"}).assign(station=station)
        return _as(names, frame)

    # --- the server --------------------------------------------------------------------------------------------

    def meet(self) -> Server:
        """Return what is known of the server, which is asked when it has not been reached yet.

        A database of version 1 that is not there is made.

        Raises
        ------
        StoreAway
            When it does not answer, refuses, or is of a version that is not known here.
        """
        if self.server is None:
            told = self._config.server_version
            version, warnings = (told, ()) if told is not None else self._ask_version()
            release = re.match(r"v?([123])\.(\d+)", version)
            if release is None:
                raise StoreAway(
                    f"{self._url}: found version {version!r} of a server, expected InfluxDB 1, 2 or 3; "
                    "set store.server_version to the one it is like"
                )
            if release[1] == "1":
                warnings += self._database_warnings()
            has_v2_write = (int(release[1]), int(release[2])) >= (1, 8)
            self.server = Server(version, "/api/v2/write" if has_v2_write else "/write", warnings)
        return self.server

    def close(self) -> None:
        """Close the connections. Nothing waits to be written."""
        self._writer.close()  # type: ignore[no-untyped-call]
        self._client.close()  # type: ignore[no-untyped-call]

    def _ask_version(self) -> tuple[str, tuple[str, ...]]:
        """Return the version the server says it is of, and a warning when its clock is not ours."""
        with self._faults_named():
            headers = self._call("GET", "/ping").headers
            version = headers.get("X-Influxdb-Version")
            if version is None:
                version = json.loads(self._call("GET", "/health").data).get("version", "")
        if "Date" not in headers:
            return version, ()
        apart_s = parsedate_to_datetime(headers["Date"]).timestamp() - self._clock.now_ms() / 1000
        if abs(apart_s) <= CLOCKS_APART_S:
            return version, ()
        warning = f"{self._url}: found its clock {apart_s:+.0f} s from ours, expected the same time; set one of them"
        return version, (warning,)

    def _database_warnings(self) -> tuple[str, ...]:
        """Make the database of a version 1 that is not there, and compare how long one that is there keeps rows."""
        name = quoted(self._bucket, '"')
        days = self._config.keep_days
        duration, wanted = ("INF", "0s") if days is None else (f"{days}d", f"{24 * days}h0m0s")
        (answer,) = self._query("SHOW DATABASES")
        if self._bucket not in [one for columns in answer.values() for one in columns.get("name", [])]:
            self._query(f"CREATE DATABASE {name} WITH DURATION {duration} SHARD DURATION {SHARD_DURATION}")
        (answer,) = self._query(f"SHOW RETENTION POLICIES ON {name}")
        for columns in answer.values():
            found = columns["duration"][columns["default"].index(True)]
            if found != wanted:
                return (
                    f"{self._url}: found database {self._bucket} keeping rows for {found} (0s: for ever), expected "
                    f"{wanted} by store.keep_days; ALTER RETENTION POLICY or change the setting",
                )
        return ()

    def _point(self, measurement: str, **tags: str) -> str:
        """Return the measurement and tags of a point, with the site's."""
        return measurement + "".join(
            f",{tag}={_tag(value)}" for tag, value in sorted({**tags, "site": self._site}.items())
        )

    def _select(
        self, measurement: str, where: str, span: StartEnd, *, fields: Sequence[str] = (), by: str = "", tail: str = ""
    ) -> str:
        """Return a SELECT of the site's points with start <= t < end, of all fields or of some."""
        start_ms, end_ms = max(span[0], 0), min(span[1], END_MS)  # as far as the server can spell times
        return (
            f"SELECT {', '.join(fields or FIELDS[measurement])} FROM {measurement} WHERE site = {quoted(self._site)} "
            f"AND {where} AND time >= {start_ms}ms AND time < {end_ms}ms{by and f' GROUP BY {by}'} {tail}"
        )

    def _rows(
        self,
        measurement: str,
        channels: Sequence[str],
        span: StartEnd,
        *,
        where: str = "",
        by: str = "channel",
        **more: Any,
    ) -> pd.DataFrame:
        """Return rows of channels as columns of the tags in `by`, `time` and the fields, sorted by tags and time."""
        statements = []
        if len(channels) and span[0] < span[1]:
            statements = [self._select(measurement, one_of("channel", channels) + where, span, by=by, **more)]
        tags = [tag for tag in by.split(", ") if "(" not in tag]
        fields = [field.split("(")[0] for field in more.get("fields", FIELDS[measurement])]
        return _table(self._ask(*statements), tags, fields)

    def _last(self, channels: Sequence[str], until_ms: int, *, answered: bool) -> pd.DataFrame:
        """Return the last observation of each channel, or the last that is not missing.

        The server finds the last value of one field at once, but reads a whole series for it beside others or with a
        condition: so it is asked for the times first, then for the rows.
        """
        newest = self._rows("observation", channels, EVER, fields=("last(flag)",))
        statements = []
        for channel, at_ms, flag in newest.itertuples(index=False):
            where, span, tail = one_of("channel", [channel]), (int(at_ms), int(at_ms) + 1), ""
            if at_ms > until_ms or flag == REMOVED_FLAG or (answered and flag == Flag.MISSING):
                where += f" AND flag <> {REMOVED_FLAG}" + (f" AND flag <> {Flag.MISSING:d}" if answered else "")
                span, tail = (EVER[0], min(EVER[1], until_ms + 1)), "ORDER BY time DESC LIMIT 1"
            statements.append(self._select("observation", where, span, by="channel", tail=tail))
        return _observed(_table(self._ask(*statements), ("channel",), FIELDS["observation"]))

    # --- the one door to it ------------------------------------------------------------------------------------

    def _write(self, lines: Iterator[str]) -> None:
        """Write points in line protocol. Those older than the server keeps rows are dropped by it."""
        waiting = list(lines)
        for start in range(0, len(waiting), POINTS_A_REQUEST):
            body = "\n".join(waiting[start : start + POINTS_A_REQUEST])
            writes_to = self.meet().writes_to
            with self._faults_named():
                try:
                    if writes_to == "/write":
                        self._call("POST", "/write", {"db": self._bucket, "precision": "ns"}, body=body).drain_conn()
                    else:
                        self._writer.write(self._bucket, record=body)
                except ApiException as err:
                    if "beyond retention policy" not in _said(err):
                        raise

    def _ask(self, *statements: str) -> list[Answer]:
        """Return the answer of each statement in one request; none for none."""
        if not statements:
            return []
        self.meet()
        return self._query(*statements)

    def _query(self, *statements: str) -> list[Answer]:
        answers: list[Answer] = [{} for _ in statements]
        with self._faults_named():
            for result in self._results("; ".join(statements)):
                for series in result.get("series", ()):
                    tags = tuple(series.get("tags", {}).values())
                    columns = answers[int(result["statement_id"])].setdefault(tags, {n: [] for n in series["columns"]})
                    rows = series.get("values", ())
                    for column, more in zip(columns.values(), zip(*rows, strict=True), strict=bool(rows)):
                        column.extend(more)
        return answers

    def _results(self, text: str) -> Iterator[dict[str, Any]]:
        """Yield the results of a query as they come, chunk by chunk."""
        to = {"db": self._bucket, "epoch": "ms", "chunked": "true", "chunk_size": ROWS_A_CHUNK}
        more = True
        with closing(self._call("POST", "/query", to, form={"q": text})) as lines:
            for line in lines:
                told = json.loads(line, parse_int=float)  # as whole numbers -0 would lose its sign
                for result in (told, *told.get("results", ())):
                    if "error" in result:
                        raise self._fault(200, result["error"])
                yield from told.get("results", ())
                more = any(result.get("partial", False) for result in told.get("results", ()))
        if more:
            raise StoreAway(f"{self._url}: found an answer that ends in the middle, expected the whole of it")

    def _call(self, method: str, path: str, query: Any = None, *, body: str = "", form: Any = None) -> Any:
        """Return the answer to one request, unread."""
        kind = {"Content-Type": "application/x-www-form-urlencoded" if form else "text/plain; charset=utf-8"}
        more = {"query_params": query, "header_params": kind, "post_params": form, "body": body or None}
        unread = {"_preload_content": False, "_return_http_data_only": True}
        return self._client.api_client.call_api(path, method, **more, **unread)  # type: ignore[no-untyped-call]

    @contextmanager
    def _faults_named(self) -> Iterator[None]:
        try:
            yield
        except ApiException as err:
            raise self._fault(err.status, _said(err)) from err
        except (HTTPError, OSError) as err:
            raise StoreAway(f"{self._url}: found no answer ({err}), expected the server") from err
        except json.JSONDecodeError as err:
            raise StoreAway(f"{self._url}: found an answer that is not JSON of InfluxDB, expected its server") from err

    def _fault(self, status: int, said: str) -> StoreAway | StoreFull:
        """Return the fault behind an answer; the server is asked anew what it is when its database may be gone."""
        if status == 507 or "no space left" in said:  # RFC 4918, insufficient storage; the words of version 1
            return StoreFull(f"{self._url}: found no room on the server ({said}), expected free space")
        if status == 404 or "not found" in said:
            self.server, status = None, 404
        hint = _HINTS.get(status, "look at the server and its log")
        return StoreAway(f"{self._url}: found answer {status} ({said}), expected rows taken or given; {hint}")


def _numbered(one: RedatedSpan) -> str:
    """Return the condition that a reading is one of those dated again together."""
    of_outbox = f" AND outbox_id = {quoted(one.outbox_id)} AND node = {quoted(one.node)}"
    return f"{of_outbox} AND seq >= {one.first} AND seq <= {one.last} AND clock_ok = false"


def _moved(frame: pd.DataFrame, spans: Sequence[RedatedSpan]) -> pd.Series:
    """Return which readings were dated again."""
    moved = pd.Series(False, index=frame.index)
    unset = ~frame["clock_ok"].astype(bool)
    for one in spans:
        own = (frame["outbox_id"] == one.outbox_id) & (frame["node"] == one.node)
        moved |= own & unset & frame["seq"].between(one.first, one.last)
    return moved


def _said(err: ApiException) -> str:
    """Return the server's own words in an error."""
    body = err.body.decode(errors="replace") if isinstance(err.body, bytes) else str(err.body or err.reason)
    try:
        told = json.loads(body)
        return str(told.get("error") or told.get("message") or body)
    except (ValueError, AttributeError):
        return body.strip()


def _tag(text: str) -> str:
    """Return a tag's value in line protocol."""
    return re.sub(r"([,= ])", r"\\\1", text)


def _text(text: str) -> str:
    """Return a field's text in line protocol."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _spelt(frame: pd.DataFrame, names: Sequence[str]) -> Iterator[tuple[Any, ...]]:
    """Return rows of a frame, each value as a line is made of it."""
    columns = []
    for name, column in frame_of(names, [frame[name].to_numpy() for name in names]).items():
        if name in IN_JSON:
            values = column.astype(object).where(column.notna(), None).tolist()
            told = {value: _text(json.dumps(value)) for value in set(values)}
            columns.append([told[value] for value in values])
        else:
            columns.append((column.where(np.isfinite(column), NO_NUMBER) if column.dtype == float else column).tolist())
    return zip(*columns, strict=True)


def _table(answers: Sequence[Answer], tags: Sequence[str], fields: Sequence[str]) -> pd.DataFrame:
    """Return answers as a frame of tags, `time` and fields, sorted by tags and, as the server does it, by time."""
    columns: dict[str, list[Any]] = {name: [] for name in (*tags, "time", *fields)}
    for answer in answers:
        for key in sorted(answer):
            for name, values in answer[key].items():
                columns[name] += values
            for tag, value in zip(tags, key, strict=True):
                columns[tag] += [value] * len(answer[key]["time"])
    return pd.DataFrame(columns)


def _observed(frame: pd.DataFrame) -> pd.DataFrame:
    return _as(OBSERVATION_COLUMNS, frame.rename(columns={"time": "measured_at_ms"}))


def _as(names: Sequence[str], frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame of the store's columns and types, with numbers, versions and reasons as they were given."""
    columns = {name: frame[name].to_numpy() for name in names}
    for name in {"raw", "value", "low", "high"} & columns.keys():
        columns[name] = np.where(columns[name] == NO_NUMBER, np.nan, columns[name])
    for name in IN_JSON & columns.keys():
        told = {text: json.loads(text) for text in set(columns[name])}
        columns[name] = np.array([told[text] for text in columns[name]], dtype=object if name == "reason" else None)
    return frame_of(names, list(columns.values()))
