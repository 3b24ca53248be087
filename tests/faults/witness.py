"""A listener beside the pipeline: what the broker has passed on, and what has been receipted, at each moment of a run.

The crash bench times kills by it, so that they fall between a batch's arrival and its commit, and counts how many did.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from hardware.reading import BadBatch, decode_receipt, receipt_topic

RECONNECT_S = 0.05


class Witness:
    """Hears one node's batches and receipts from a broker on this machine, however often that is killed.

    Attributes
    ----------
    passed, receipted : int
        Highest number of a reading in a batch the broker has passed on, and in a receipt the pipeline has published.
    receipts : int
        How many receipts the pipeline has published while this listened; the broker's kept one is not among them.
    """

    def __init__(self, port: int, site: str, node: str) -> None:
        self.passed = self.receipted = self.receipts = 0
        self._news = threading.Event()
        self._topics = [f"underturf/1/{site}/{node}/readings/#", receipt_topic(site, node)]
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="witness")
        self._client.reconnect_delay_set(RECONNECT_S, RECONNECT_S)  # type: ignore[arg-type]
        self._client.on_connect = self._on_connect
        self._client.on_message = self._on_message
        self._client.connect_async("127.0.0.1", port)
        self._client.loop_start()

    def wait(self, within_s: float) -> bool:
        """Return as soon as a batch passes, True; False where none does in time. [s]"""
        told = self._news.wait(within_s)
        self._news.clear()
        return told

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: mqtt.Client, *_: object) -> None:
        client.subscribe([(topic, 0) for topic in self._topics])

    def _on_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        if message.topic == self._topics[1]:
            self.receipts += not message.retain
            with contextlib.suppress(BadBatch):
                self.receipted = max(self.receipted, decode_receipt(message.payload).seq)
            return
        self.passed = max(self.passed, int(message.topic.rpartition("/")[2]))
        self._news.set()


def committed(journal: Path) -> int:
    """Return the number up to which a pipeline that is not running has committed; 0 where it has made no journal."""
    if not journal.exists():
        return 0
    with contextlib.closing(sqlite3.connect(f"{journal.absolute().as_uri()}?mode=ro", uri=True)) as database:
        try:
            (received,) = database.execute("SELECT max(received) FROM outbox").fetchone()
        except sqlite3.OperationalError:  # killed before its tables were made
            return 0
    return int(received or 0)
