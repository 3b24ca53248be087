"""The server series store: InfluxDB 2, written synchronously and asked in Flux.

A point is written so that writing it again changes nothing: a reading's time carries its seq below the millisecond, and
every field of a row is written each time, because the server keeps an old field that a new point leaves out. It keeps
no promise by itself: rows stay in the journal until they have been read back (see feeder).
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import numpy as np
import pandas as pd
from influxdb_client.client.exceptions import InfluxDBError
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from hardware.reading import Reading, Status
from pipeline.errors import StoreAway, StoreFull
from pipeline.store import FINDING_COLUMNS, OBSERVATION_COLUMNS, RAW_COLUMNS, STEP_COLUMNS, check_frame, frame_of
from pipeline.store.influx import flux

SERVER_TIMEOUT_S = 30.0
POINTS_A_REQUEST = 5000
_NO_ROOM = 507  # HTTP status of RFC 4918: insufficient storage


class InfluxStore:
    """A Store on an InfluxDB 2 server.

    Parameters
    ----------
    url, org, bucket, token : str
        The server and what it was told of this program. The bucket must keep its rows for ever.
    site : str
        Name of the site; several sites may share a bucket.
    """

    is_journal = False

    def __init__(self, url: str, org: str, bucket: str, token: str, *, site: str) -> None:
        self._url = url
        self._bucket = bucket
        self._site = site
        self._client = InfluxDBClient(url=url, org=org, token=token, timeout=int(SERVER_TIMEOUT_S * 1000))
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)
        self._asker = self._client.query_api()

    def append(self, readings: Sequence[Reading], received_at_ms: int) -> int:
        """Write readings; one written before is overwritten by itself. Returns how many were given."""
        if readings:
            frame = pd.DataFrame(
                {
                    "site": self._site,
                    "node": [r.node for r in readings],
                    "outbox_id": [r.outbox_id for r in readings],
                    "channel": [r.channel for r in readings],
                    "seq": [r.seq for r in readings],
                    "slot": [r.slot for r in readings],
                    "raw": [0.0 if r.raw is None else r.raw for r in readings],
                    "status": [r.status.value for r in readings],
                    "attempts": [r.attempts for r in readings],
                    "clock_ok": [r.clock_ok for r in readings],
                    "received_at_ms": received_at_ms,
                }
            )
            times = [r.measured_at_ms * flux.NS_PER_MS + r.seq % flux.NS_PER_MS for r in readings]
            self._write(flux.READING, frame, np.array(times), ["site", "node", "outbox_id", "channel"])
        return len(readings)

    def not_held(self, readings: Sequence[Reading]) -> list[Reading]:
        """Read readings back: those the server does not give back just as they are."""
        held: set[Reading] = set()
        for outbox_id in sorted({r.outbox_id for r in readings}):
            times = [r.measured_at_ms for r in readings if r.outbox_id == outbox_id]
            text = flux.outbox_rows(self._bucket, self._site, outbox_id, min(times), max(times) + 1)
            frame = self._ask(text, flux.READING_KEPT)
            held.update(
                Reading(
                    self._site,
                    row["node"],
                    row["outbox_id"],
                    int(row["seq"]),
                    row["channel"],
                    row["slot"],
                    int(row["at_ms"]),
                    float(row["raw"]) if row["status"] == Status.OK else None,
                    Status(row["status"]),
                    int(row["attempts"]),
                    bool(row["clock_ok"]),
                )
                for row in frame.to_dict("records")
            )
        return [r for r in readings if r not in held]

    def raw(self, channels: Sequence[str], start_ms: int, end_ms: int) -> pd.DataFrame:
        """Readings as heard, sorted by channel and measured_at_ms. See Store."""
        frame = self._rows(flux.READING, flux.READING_KEPT, channels, start_ms, end_ms)
        frame = frame.sort_values(["channel", "at_ms", "outbox_id", "seq"])
        ok = frame["status"] == Status.OK.value
        named = frame.rename(columns={"at_ms": "measured_at_ms"}).assign(raw=frame["raw"].where(ok, np.nan))
        return frame_of(RAW_COLUMNS, [named[name].to_numpy() for name in RAW_COLUMNS])

    def upsert_observations(self, frame: pd.DataFrame) -> None:
        """Write observations, each in place of an earlier one. See Store."""
        check_frame(frame, OBSERVATION_COLUMNS, "observations")
        points = pd.DataFrame({"site": self._site, "channel": frame["channel"].to_numpy()}, index=range(len(frame)))
        for name in ("raw", "value"):
            points[name], points[f"has_{name}"] = _number_and_mark(frame[name])
        points["flag"] = frame["flag"].to_numpy(np.int64)
        points["stage_version"] = _version_texts(frame["stage_version"])
        points["received_at_ms"] = frame["received_at_ms"].to_numpy(np.int64)
        times = frame["measured_at_ms"].to_numpy(np.int64) * flux.NS_PER_MS
        self._write(flux.OBSERVATION, points, times, ["site", "channel"])

    def observations(
        self,
        channels: Sequence[str],
        start_ms: int,
        end_ms: int,
        *,
        after: tuple[str, int] | None = None,
        limit: int | None = None,
    ) -> pd.DataFrame:
        """Observations, sorted by channel and measured_at_ms. See Store."""
        kept, wanted = flux.OBSERVATION_KEPT, [c for c in channels if after is None or c >= after[0]]
        return _observations(self._rows(flux.OBSERVATION, kept, wanted, start_ms, end_ms, after=after, limit=limit))

    def latest(self, channels: Sequence[str]) -> pd.DataFrame:
        """The last observation of each channel. See Store."""
        if not channels:
            return _observations(pd.DataFrame(columns=flux.OBSERVATION_KEPT))
        return _observations(self._ask(flux.latest(self._bucket, self._site, channels), flux.OBSERVATION_KEPT))

    def last_answers(self, channels: Sequence[str]) -> pd.DataFrame:
        """The last observation of each channel that is not missing. See Store."""
        places = pd.DataFrame(columns=["channel", "at_ms"])
        if channels:
            places = self._ask(flux.last_answers(self._bucket, self._site, channels), ("channel", "at_ms"))
        if places.empty:
            return _observations(pd.DataFrame(columns=flux.OBSERVATION_KEPT))
        named = [(str(channel), int(at_ms)) for channel, at_ms in zip(places["channel"], places["at_ms"], strict=True)]
        return _observations(self._ask(flux.observations_at(self._bucket, self._site, named), flux.OBSERVATION_KEPT))

    def upsert_findings(self, frame: pd.DataFrame) -> None:
        """Write findings, each in place of an earlier one. See Store."""
        check_frame(frame, FINDING_COLUMNS, "findings")
        points = pd.DataFrame({"site": self._site, "station": frame["station"].to_numpy()}, index=range(len(frame)))
        points["quantity"] = frame["quantity"].to_numpy()
        points["end_ms"] = frame["end_ms"].to_numpy(np.int64)
        for name in ("value", "low", "high"):
            points[name], points[f"has_{name}"] = _number_and_mark(frame[name])
        points["n"] = frame["n"].to_numpy(np.int64)
        points["has_reason"] = frame["reason"].notna().to_numpy()
        points["reason"] = frame["reason"].astype(object).where(frame["reason"].notna(), "").to_numpy()
        points["stage_version"] = _version_texts(frame["stage_version"])
        times = frame["start_ms"].to_numpy(np.int64) * flux.NS_PER_MS
        self._write(flux.FINDING, points, times, ["site", "station", "quantity"])

    def findings(self, station: str, quantities: Sequence[str] | None, start_ms: int, end_ms: int) -> pd.DataFrame:
        """Findings, sorted by quantity and start_ms. See Store."""
        frame = pd.DataFrame(columns=flux.FINDING_KEPT)
        if start_ms < end_ms and (quantities is None or len(quantities)):
            text = flux.findings(self._bucket, self._site, station, quantities, start_ms, end_ms)
            frame = self._ask(text, flux.FINDING_KEPT)
        frame = frame.sort_values(["quantity", "at_ms"])
        reason = frame["reason"].astype(object).where(frame["has_reason"].astype(bool), None)
        columns = {
            **{"station": np.full(len(frame), station, dtype=object), "quantity": frame["quantity"].to_numpy()},
            **{"start_ms": frame["at_ms"].to_numpy(), "end_ms": frame["end_ms"].to_numpy()},
            **{name: _marked(frame, name) for name in ("value", "low", "high")},
            **{"n": frame["n"].to_numpy(), "reason": reason.to_numpy(), "stage_version": _versions(frame)},
        }
        return frame_of(FINDING_COLUMNS, [columns[name] for name in FINDING_COLUMNS])

    def delete_findings(self, station: str, quantities: Sequence[str], start_ms: int, end_ms: int) -> None:
        """Remove findings of a span. See Store."""
        if start_ms >= end_ms:
            return
        first, last = (pd.Timestamp(ms, unit="ms", tz="UTC").isoformat() for ms in (start_ms, end_ms - 1))
        with self._translated():
            for quantity in quantities:
                # The server takes the end as included, and findings stand on whole milliseconds.
                predicate = flux.findings_predicate(self._site, station, quantity)
                self._client.delete_api().delete(first, last, predicate, self._bucket)

    def span(self, channels: Sequence[str]) -> tuple[int, int] | None:
        """First and last measured_at_ms of the readings of these channels. See Store."""
        if not channels:
            return None
        edges = [
            self._ask(flux.edge(self._bucket, self._site, channels, last=last), ("at_ms",)) for last in (False, True)
        ]
        if any(edge.empty for edge in edges):
            return None
        return int(edges[0]["at_ms"].iloc[0]), int(edges[1]["at_ms"].iloc[0])

    def steps(self, channels: Sequence[str], start_ms: int, end_ms: int, step_ms: int) -> pd.DataFrame:
        """Return the least, mean and greatest value of each step. See Store."""
        first, last = (-(-ms // step_ms) * step_ms for ms in (start_ms, end_ms))
        merged = pd.DataFrame(columns=["channel", "at_ms", "low", "mean", "high", "n"])
        if channels and first < last:
            parts = []
            for name, of in (("low", "min"), ("mean", "mean"), ("high", "max"), ("n", "count")):
                text = flux.steps(self._bucket, self._site, channels, first, last, step_ms, of=of)
                part = self._ask(text, ("channel", "at_ms", "value"))
                parts.append(part.set_index(["channel", "at_ms"])["value"].rename(name))
            merged = pd.concat(parts, axis=1).reset_index().sort_values(["channel", "at_ms"])
        renamed = merged.rename(columns={"at_ms": "start_ms"})
        return frame_of(STEP_COLUMNS, [renamed[name].to_numpy() for name in STEP_COLUMNS])

    def close(self) -> None:
        """Close the connections. Nothing waits to be written."""
        self._writer.close()  # type: ignore[no-untyped-call]
        self._client.close()  # type: ignore[no-untyped-call]

    def _rows(
        self,
        measurement: str,
        kept: Sequence[str],
        channels: Sequence[str],
        start_ms: int,
        end_ms: int,
        *,
        after: tuple[str, int] | None = None,
        limit: int | None = None,
    ) -> pd.DataFrame:
        if not channels or start_ms >= end_ms:  # the server refuses an empty span
            return pd.DataFrame(columns=list(kept))
        place = (self._bucket, self._site)
        return self._ask(flux.rows(*place, channels, measurement, start_ms, end_ms, after=after, limit=limit), kept)

    def _ask(self, text: str, kept: Sequence[str]) -> pd.DataFrame:
        with self._translated():
            answer = self._asker.query_data_frame(text)
        frames = [f for f in (answer if isinstance(answer, list) else [answer]) if not f.empty]
        if not frames:
            return pd.DataFrame(columns=list(kept))
        whole: pd.DataFrame = pd.concat([frame.reindex(columns=list(kept)) for frame in frames], ignore_index=True)
        return whole

    def _write(self, measurement: str, frame: pd.DataFrame, times_ns: np.ndarray, tags: list[str]) -> None:
        frame = frame.set_index(pd.DatetimeIndex(times_ns.astype("datetime64[ns]"), tz="UTC"))
        with self._translated():
            for start in range(0, len(frame), POINTS_A_REQUEST):
                self._writer.write(
                    self._bucket,
                    record=frame.iloc[start : start + POINTS_A_REQUEST],
                    data_frame_measurement_name=measurement,
                    data_frame_tag_columns=tags,
                )

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except (ApiException, InfluxDBError) as err:
            status = getattr(err, "status", None) or getattr(getattr(err, "response", None), "status", None)
            said = str(getattr(err, "message", None) or getattr(err, "reason", None) or err)
            if status == _NO_ROOM:
                raise StoreFull(f"{self._url}: found no room on the server ({said}), expected free space") from err
            raise StoreAway(
                f"{self._url}: found answer {status} ({said}), expected the row taken or given; "
                "look at the server, its token, org and bucket"
            ) from err
        except (HTTPError, OSError) as err:
            raise StoreAway(f"{self._url}: found no answer ({err}), expected the server") from err


def _observations(frame: pd.DataFrame) -> pd.DataFrame:
    frame = frame.sort_values(["channel", "at_ms"])
    columns = {
        **{"channel": frame["channel"].to_numpy(), "measured_at_ms": frame["at_ms"].to_numpy()},
        **{"raw": _marked(frame, "raw"), "value": _marked(frame, "value"), "flag": frame["flag"].to_numpy()},
        **{"stage_version": _versions(frame), "received_at_ms": frame["received_at_ms"].to_numpy()},
    }
    return frame_of(OBSERVATION_COLUMNS, [columns[name] for name in OBSERVATION_COLUMNS])


def _number_and_mark(column: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Numbers with 0 where there is none, and whether there is one: the server knows no NaN."""
    values = column.to_numpy(np.float64)
    there = np.isfinite(values)
    return np.where(there, values, 0.0), there


def _marked(frame: pd.DataFrame, name: str) -> np.ndarray:
    return np.where(frame[f"has_{name}"].astype(bool), frame[name].astype(np.float64), np.nan)


def _version_texts(versions: pd.Series) -> list[str]:
    """Versions as JSON: a field has one type for ever on the server, and a version may be a number or a text."""
    return [json.dumps(version) for version in versions.tolist()]


def _versions(frame: pd.DataFrame) -> list[int | str]:
    return [json.loads(text) for text in frame["stage_version"]]
