"""A store that an earlier program left behind: this program opens it, brings it up to date and goes on.

`tests/data/store_version_1` holds the store, its settings and what that earlier program answered when it went through
`told` itself. What is kept is read back to the last bit; what is worked out and worded since may be better.
"""

from __future__ import annotations

import hashlib
import json
import lzma
import socket
import sqlite3
import threading
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pandas as pd
import pytest

from api.app import create_app
from pipeline.mqtt.ingest import Arrival
from pipeline.service import Pipeline, load_settings
from tests.api.served import TestClient
from tests.pipeline.hand import HandClock, HandSource
from tests.pipeline.receivers import MailServer, mail_server

FOLDER = Path(__file__).parents[1] / "data" / "store_version_1"
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
STOPPED_MS = 1_750_401_600_000  # 2025-06-20 06:40 UTC, when the earlier program was stopped
EVER_MS = (0, 2**61)
KEEPER = "mailto://{host}?from=turf@example.org&to=keeper@example.org&mode=insecure"
AFTER_H = (0, 3, 11, 24, 30, 54)  # when it is looked at again; messages came for 26 hours, then the node was silent


# --- going through it ----------------------------------------------------------------------------------------------


def told(folder: Path, mail: MailServer) -> tuple[dict[str, Any], list[tuple[pd.DataFrame, pd.DataFrame]]]:
    """Open a copy of the store in a folder and go through it: all that is said, and rows before and after new work.

    Parameters
    ----------
    folder : Path
        Empty. The copy is made in it.
    mail : MailServer
        Takes the messages to the keeper.
    """
    unpack(folder, mail.port)
    clock = HandClock(STOPPED_MS)
    pipeline = Pipeline(load_settings(folder / "underturf.toml"), clock=clock, mosquitto=None)
    try:
        here = Opened(pipeline, clock, mail, folder)
        found = {"kept": here.kept()}
        here.advise()
        found["asked"] = here.asked()
        found["afterwards"] = here.go_on()
        before = here.rows()
        for station in pipeline.config.stations():
            pipeline.recompute(station)
        return found, [before, here.rows()]
    finally:
        pipeline.stop()


def unpack(folder: Path, mail_port: int) -> None:
    """The data folder as it was left, the settings beside it, and the address of a keeper's mail."""
    (folder / "data" / "sources").mkdir(parents=True)
    (folder / "data" / "journal.db").write_bytes(lzma.decompress((FOLDER / "journal.db.xz").read_bytes()))
    for kept in ("forecast.kept", "fixtures.kept"):
        (folder / "data" / "sources" / kept).write_bytes((FOLDER / kept).read_bytes())
    (folder / "underturf.toml").write_bytes((FOLDER / "underturf.toml").read_bytes())
    (folder / "addresses").write_text(KEEPER.format(host=f"127.0.0.1:{mail_port}") + "\n", encoding="utf-8")


class Opened:
    """A pipeline on the copy, its clock and its broker in the hand; nothing of it runs by itself."""

    def __init__(self, pipeline: Pipeline, clock: HandClock, mail: MailServer, folder: Path) -> None:
        self.pipeline, self.clock, self.mail, self.folder = pipeline, clock, mail, folder
        self.source, self.stop = HandSource(clock), threading.Event()
        pipeline._worker._source = self.source
        self.client = TestClient(create_app(pipeline), raise_server_exceptions=False)

    # --- what is there

    def rows(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Every observation and every finding, without when it was worked out and by which version."""
        store, channels = self.pipeline.store, sorted(self.pipeline.config.channels())
        seen = store.observations(channels, *EVER_MS).drop(columns=["received_at_ms", "stage_version"])
        owners = [*sorted(self.pipeline.config.stations()), *channels]
        tables = [store.findings(owner, None, *EVER_MS) for owner in owners]
        found = pd.concat([t for t in tables if len(t)], ignore_index=True).drop(columns="stage_version")
        return seen, found

    def kept(self) -> dict[str, Any]:
        """What was kept, as it is read back before anything is worked on."""
        seen, found = self.rows()
        raw = self.pipeline.store.raw([*sorted(self.pipeline.config.channels()), "north/odd/moisture"], *EVER_MS)
        columns = ["channel", "measured_at_ms", "raw", "status", "clock_ok", "received_at_ms"]
        return {
            "readings": {str(c): digest(rows[columns]) for c, rows in raw.groupby("channel", observed=True)},
            "observations": {str(c): digest(rows) for c, rows in seen.groupby("channel", observed=True)},
            "findings": {f"{s} {q}": digest(rows) for (s, q), rows in found.groupby(["station", "quantity"])},
            "receipts": [
                [site, node, r.outbox_id, r.seq] for site, node, r in sorted(self.pipeline.journal.receipts(), key=str)
            ],
            "quarantine": [[q.topic, q.reason, q.payload.hex()] for q in self.pipeline.journal.quarantine()],
        }

    # --- what is said

    def get(self, address: str, **query: Any) -> Any:
        """The answer to a question: lines of a text, or JSON. Where the copy lies is taken out."""
        question = f"{address}?{urlencode(query, doseq=True)}" if query else address
        answer = self.client.get(f"/api/v1/{question}")
        assert answer.status_code == 200, f"{question}: {answer.status_code} {answer.text}"
        if "json" in answer.headers["content-type"]:
            return json.loads(answer.text.replace(str(self.folder), "FOLDER"))
        return answer.text.splitlines()

    def advise(self) -> None:
        """Have advice worked out for the hour."""
        for _ in range(3):
            self.pipeline._advisor.step(self.stop)
        assert self.pipeline.advice() is not None

    def state(self) -> dict[str, Any]:
        """What is said of the ground at a moment."""
        config = self.pipeline.config
        found = {a: self.get(a) for a in ("site", "probes", "now", "answers", "alerts", "advice", "summary.txt")}
        for station in config.stations():
            for part in ("", "/forecast", "/water"):
                found[f"stations/{station}{part}"] = self.get(f"stations/{station}{part}")
        for surface in config.surfaces:
            found[f"surfaces/{surface.name}/windows"] = self.get(f"surfaces/{surface.name}/windows")
        return found

    def asked(self) -> dict[str, Any]:
        """Everything that can be asked of the moment when the earlier program was stopped, and of the time before."""
        start, end = iso(STOPPED_MS - 60 * DAY_MS), iso(STOPPED_MS + 1)
        found = self.state()
        found["diary"] = self.get("diary", **{"from": start, "to": iso(STOPPED_MS + 60 * DAY_MS)})
        found["alerts/events"] = self.get("alerts/events", **{"from": start, "to": end})
        span = {"from": start, "to": end}
        two = ["north/profile/moisture_065", "north/weather/rain"]
        day = iso(STOPPED_MS - DAY_MS)
        found["observations raw"] = self._last_hours()
        found["observations hour"] = self.get("observations", every="hour", channel=two, **{"from": day, "to": end})
        found["observations day"] = self.get("observations", every="day", channel=two, **span)
        text = self.get("observations.csv", channel=two, **{"from": day, "to": end})
        # the earlier program gave no head, and eight columns of the ten
        found["observations.csv"] = [",".join(line.split(",")[:8]) for line in text if not line.startswith("#")]
        for station in self.pipeline.config.stations():
            rows = self.get("findings", station=station, limit=10000, **span)["findings"]
            found[f"findings {station}"] = _rare(rows)
        return found

    def _last_hours(self) -> Any:
        span = {"from": iso(STOPPED_MS - 5 * HOUR_MS), "to": iso(STOPPED_MS + 1)}
        return self.get("observations", every="raw", limit=10000, **span)

    # --- what comes after

    def go_on(self) -> dict[str, Any]:
        """Take up what was left undone, hear what the node sent since, and see what is told."""
        taken_up = None
        for at_h in AFTER_H:
            self.clock.wall_ms = STOPPED_MS + at_h * HOUR_MS
            self._hear()
            self._settle()
            taken_up = self._last_hours() if taken_up is None else taken_up
            self.advise()
            self._settle()
            for _ in range(3):  # what came about together is told together, a few minutes on
                self.pipeline._notifier.step(self.stop)
                self.clock.wall_ms += 150_000
        since, now = iso(STOPPED_MS), iso(self.clock.wall_ms)
        return {
            **self.state(),
            "taken up": taken_up,
            "events": self.get("alerts/events", **{"from": since, "to": now}),
            "letters": [
                {"to": str(letter["To"]), "id": str(letter["Message-ID"]), "date": str(letter["Date"]),
                 "subject": str(letter["Subject"]), "lines": letter.get_payload(decode=True).decode().splitlines()}  # type: ignore[union-attr]
                for letter in self.mail.letters
            ],
            "kept": {key: value for key, value in self.kept().items() if key in ("readings", "receipts", "quarantine")},
        }  # fmt: skip

    def _hear(self) -> None:
        """The messages that came until now, in order."""
        with lzma.open(FOLDER / "messages_after.jsonl.xz", "rt", encoding="utf-8") as lines:
            messages = [json.loads(line) for line in lines]
        heard = len(self.source.said)
        for number, message in enumerate(messages):
            if self._after < message["at_ms"] <= self.clock.wall_ms:
                payload = message["payload"].encode()
                self.source.messages.append(Arrival(message["topic"], payload, heard + number + 1, 1, 1))
        self._after = self.clock.wall_ms

    _after = STOPPED_MS

    def _settle(self) -> None:
        """Step the worker until nothing has changed for long."""
        quiet = 0
        for _ in range(5000):
            before = self.pipeline.changes.count
            self.pipeline._worker.step(self.stop)
            busy = bool(self.source.messages) or self.pipeline.changes.count != before
            quiet = 0 if busy else quiet + 1
            if quiet == 40:
                return
        raise AssertionError("the worker never came to rest")


def _rare(rows: list[dict[str, Any]]) -> list[Any]:
    """Findings of days, fortnights and wettings whole; of quarter hours the last ones only."""
    counts: dict[str, int] = {}
    for row in rows:
        counts[row["quantity"]] = counts.get(row["quantity"], 0) + 1
    last: dict[str, list[Any]] = {}
    for row in rows:
        last.setdefault(row["quantity"], []).append(row)
    return [row for quantity in sorted(last) for row in last[quantity][-(3 if counts[quantity] > 200 else 200) :]]


def digest(table: pd.DataFrame) -> list[Any]:
    """How many rows, and a digest of all that stands in them, to the last bit."""
    columns = sorted(table.columns)
    rows = [[repr(v) for v in row] for row in zip(*(table[c].tolist() for c in columns), strict=True)]
    return [len(rows), hashlib.sha256(json.dumps([columns, rows]).encode()).hexdigest()[:16]]


def iso(at_ms: int) -> str:
    """A time for a question."""
    return pd.Timestamp(at_ms, unit="ms", tz="UTC").isoformat().replace("+00:00", "Z")


# --- tests ---------------------------------------------------------------------------------------------------------

Rows = list[tuple[pd.DataFrame, pd.DataFrame]]


@pytest.fixture(scope="module")
def gone_through(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Rows]:
    """What this program says of the store."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port = int(listener.getsockname()[1])
    with mail_server(port) as mail:
        found, rows = told(tmp_path_factory.mktemp("old"), mail)
    return json.loads(json.dumps(found)), rows


@pytest.fixture(scope="module")
def answers() -> dict[str, Any]:
    """What the earlier program said."""
    found: dict[str, Any] = json.loads(lzma.decompress((FOLDER / "answers.json.xz").read_bytes()))
    return found


def test_the_store_is_one_that_the_earlier_program_left(tmp_path: Path) -> None:
    """Its tables are those of the fifth step and no later, and hold some of everything."""
    unpack(tmp_path, 25)
    base = sqlite3.connect(tmp_path / "data" / "journal.db")
    assert base.execute("SELECT max(number) FROM migration").fetchone() == (5,)
    for table in ("run", "observation", "finding", "daily", "diary", "diary_key", "alert_state", "event", "event_sent",
                  "message", "told_way", "quarantine"):  # fmt: skip
        assert base.execute(f"SELECT count(*) FROM {table}").fetchone()[0] > 0, table
    base.close()


def test_every_row_is_read_back_to_the_last_bit(
    gone_through: tuple[dict[str, Any], Rows], answers: dict[str, Any]
) -> None:
    """Readings, observations, findings, receipts and quarantine are what the earlier program read from its store."""
    assert gone_through[0]["kept"] == answers["kept"]


def test_everything_can_be_asked_of_it(gone_through: tuple[dict[str, Any], Rows], answers: dict[str, Any]) -> None:
    """Each question is answered, with the stations, surfaces, entries and events of then."""
    asked, then = gone_through[0]["asked"], answers["asked"]
    assert asked.keys() == then.keys() and all(asked.values())
    assert [n["station"] for n in asked["now"]] == [n["station"] for n in then["now"]]
    assert all(entry.pop("counts") for entry in asked["diary"]["entries"])  # nothing of then is asked about
    for name in ("diary", "alerts/events", "observations hour"):
        assert asked[name] == then[name], name
    for name in (name for name in then if name.startswith("findings ")):
        assert len(asked[name]) == len(then[name]), name


def test_what_was_left_undone_is_taken_up(gone_through: tuple[dict[str, Any], Rows], answers: dict[str, Any]) -> None:
    """Readings sent since are kept as they were by the earlier program, and each event reaches the keeper once."""
    after, then = gone_through[0]["afterwards"], answers["afterwards"]
    assert after["kept"] == then["kept"]
    assert len(after["taken up"]["observations"]) == len(then["taken up"]["observations"])
    letters = [letter["id"] for letter in after["letters"]]
    assert letters and len(set(letters)) == len(letters)


def test_work_done_anew_covers_what_was_stored(gone_through: tuple[dict[str, Any], Rows]) -> None:
    """Every observation and finding is there again; moisture, whose sums have not changed since, to nine digits.

    Findings that the old program did not draw are there only from the upgrade on until then.
    """
    (seen, found), (seen_again, found_again) = gone_through[1]
    new = {"arrival_failed_chance", "arrival_seen_share"}
    known, known_again = (table[~table["quantity"].isin(new)] for table in (found, found_again))
    assert len(seen) == len(seen_again) and len(known) == len(known_again)
    moisture = seen["channel"].astype(str).str.contains("moisture")
    for column in ("channel", "measured_at_ms", "value"):
        then, now = (t[moisture].reset_index(drop=True)[column] for t in (seen, seen_again))
        pd.testing.assert_series_equal(then, now, check_dtype=False, rtol=1e-9)
