"""Every line of the log says which site it is of, and the station or node that was worked on, where there is one."""

from __future__ import annotations

import io
import logging
import threading
from collections.abc import Callable, Iterator

import pytest

from pipeline.errors import StoreAway
from pipeline.run.log import FieldFormatter, log_fields
from tests.pipeline.hand import OUTBOX, SMALL, Line, small_record


@pytest.fixture
def logged() -> Iterator[io.StringIO]:
    """What is logged while a test runs, as the service prints it."""
    text = io.StringIO()
    handler = logging.StreamHandler(text)
    handler.setFormatter(FieldFormatter("meadow"))
    logger = logging.getLogger("pipeline")
    logger.addHandler(handler)
    yield text
    logger.removeHandler(handler)
    log_fields()


def test_a_message_in_quarantine_names_its_node_and_the_next_line_does_not(
    make: Callable[..., Line], logged: io.StringIO
) -> None:
    """The second message has no topic to tell a node by."""
    line = make(SMALL)
    line.send(b"[]", f"underturf/1/meadow/shed/readings/{OUTBOX}/1/5")
    line.send(b"{}", None)
    line.run(2)
    first, second = logged.getvalue().splitlines()
    assert "payload_quarantined" in first and first.endswith(" site=meadow node=shed")
    assert "payload_quarantined" in second and second.endswith(" site=meadow")


def test_an_outage_of_the_stages_names_the_station_it_stopped_at(
    make: Callable[..., Line], logged: io.StringIO, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The line is logged by the worker, after the fault has left the stages."""
    line = make(SMALL)
    line.send_batch(small_record(8))
    line.run(1)

    def away(*arguments: object) -> None:
        raise StoreAway("the disk is away")

    monkeypatch.setattr(line.stores.store, "raw", away)
    line.clock.real_s += 10.0
    line.run(1)
    (waits,) = logged.getvalue().splitlines()
    assert "studying_waits" in waits and waits.endswith(" site=meadow station=s1")


def test_threads_have_fields_of_their_own(logged: io.StringIO) -> None:
    """What one thread works on is not said of another's lines."""
    log_fields(station="s1")
    thread = threading.Thread(target=lambda: logging.getLogger("pipeline").warning("elsewhere"))
    thread.start()
    thread.join()
    logging.getLogger("pipeline").warning("here")
    assert [line.rpartition(" ")[2] for line in logged.getvalue().splitlines()] == ["site=meadow", "station=s1"]
