"""What the stages are given: everything that was kept, once, whatever the order, the pauses and the kills."""

from __future__ import annotations

import random
from collections.abc import Callable

import pandas as pd
import pytest

from hardware.reading import Status
from pipeline.errors import StoreAway
from pipeline.units import FOREVER_MS, Flag
from tests.pipeline.hand import (
    SETTINGS,
    SLOT_MS,
    START_MS,
    Line,
    batches,
    reading,
    record,
    stored,
)


def test_readings_become_observations_and_findings(make: Callable[..., Line]) -> None:
    """Every reading has its observation, and every quarter hour its water by layer."""
    line = make(now_ms=START_MS + 100 * SLOT_MS)
    for batch in batches(record(96), 50):
        line.send_batch(batch)
    line.run_until_quiet()
    observations, findings = stored(line)
    assert len(observations) == 96 * 4
    assert (observations["flag"] != Flag.FAIL).all()
    water = findings[findings["quantity"] == "root_zone_water"]
    assert len(water) >= 96
    # a loam of 200 mm at about 0.28 m3/m3 holds about 56 mm: the record's own mean times the depth
    assert water["value"].dropna().between(40.0, 70.0).all()
    assert {"readings", "findings"} <= set(line.words)


def test_late_and_unordered_batches_give_the_same_bytes_as_ordered_ones(make: Callable[..., Line]) -> None:
    """Whatever the order and size of the batches and the pauses between them, the stored results are identical."""
    readings = record(400)
    ordered, mixed = (
        make(folder="a", now_ms=START_MS + 800 * SLOT_MS),
        make(folder="b", now_ms=START_MS + 800 * SLOT_MS),
    )
    for batch in batches(readings, 500):
        ordered.send_batch(batch)
    ordered.run_until_quiet()
    pieces = batches(readings, 70)
    random.Random(3).shuffle(pieces)
    for i, batch in enumerate(pieces):
        mixed.send_batch(batch)
        if i % 7 == 0:
            mixed.run_until_quiet()
    mixed.run_until_quiet()
    for one, other in zip(stored(ordered), stored(mixed), strict=True):
        pd.testing.assert_frame_equal(one, other, check_exact=True)


def test_a_long_history_costs_few_runs_of_the_stages(make: Callable[..., Line]) -> None:
    """Two hundred batches that arrive without a pause are worked on in a handful of runs."""
    line = make(now_ms=START_MS + 2000 * SLOT_MS)
    for batch in batches(record(1000), 20):
        line.send_batch(batch)
    line.run_until_quiet()
    assert line.value("stages_seconds_count") <= 5
    assert line.value("readings_kept_total") == 4000


def test_a_stream_of_readings_costs_few_runs_of_the_stages(make: Callable[..., Line]) -> None:
    """A hundred batches a tenth of a second apart, as from a node after an outage, are worked on every three seconds:
    four times in the ten, and once more at the end, not each time the queue is empty for a moment."""
    line = make(now_ms=START_MS + 2000 * SLOT_MS)
    for batch in batches(record(500), 20):
        line.send_batch(batch)
        line.run(2)
        line.clock.real_s += 0.08  # and 0.02 that the second step waits for more
    during = line.value("stages_seconds_count")
    line.run_until_quiet()
    assert 2 <= during <= 4 and line.value("stages_seconds_count") <= 6
    assert line.value("readings_kept_total") == 2000


def test_rules_wait_for_the_stages_of_the_weather_that_a_station_shares(make: Callable[..., Line]) -> None:
    """A station is seen until the first unseen reading of any station that it takes its weather from."""
    other = SETTINGS[SETTINGS.index("[[surface.station]]") :].replace('name = "s1"', 'name = "s2"')
    line = make(SETTINGS + other.partition('[[surface.station.probe]]\nname = "w1"')[0])
    readings = record(16)
    line.send_batch(readings[:32])
    line.run(1)
    assert [line.study.seen_until_ms(station) for station in ("s1", "s2")] == [START_MS, START_MS]
    assert line.study.step() == "s1"
    line.clock.real_s += 0.1
    line.send_batch(readings[32:])
    line.run(1)
    assert line.study.step() == "s2"
    assert line.study.seen_until_ms("s2") == START_MS + 8 * SLOT_MS
    line.run_until_quiet()
    assert line.study.seen_until_ms("s2") == FOREVER_MS


def test_what_was_kept_but_not_worked_on_is_found_after_a_kill(make: Callable[..., Line]) -> None:
    """A worker that ends between the receipt and the stages leaves work that the next one finds and does."""
    line = make(now_ms=START_MS + 100 * SLOT_MS)
    line.send_batch(record(40))
    line.run(1)
    assert line.source.receipts() == [160]
    assert stored(line)[0].empty
    again = make(now_ms=START_MS + 100 * SLOT_MS)  # on the same folder; the first one is never closed
    again.run_until_quiet()
    assert again.source.receipts() == [160]  # published again for a broker that may have lost it
    assert len(stored(again)[0]) == 160
    third = make(now_ms=START_MS + 100 * SLOT_MS)
    third.run_until_quiet()
    assert third.value("stages_seconds_count") == 0  # what is worked on is not worked on again


def test_an_unknown_channel_is_kept_listed_and_not_evaluated(make: Callable[..., Line]) -> None:
    """A probe nobody wrote down loses no reading: it is kept as heard, flagged, and named."""
    line = make()
    line.send_batch([
        reading(1, "s1/p9/moisture", START_MS, 11.5),
        reading(2, "elsewhere/p1/x", START_MS, 3.0),
        reading(3, "elsewhere/p1/x", START_MS + SLOT_MS, None, Status.SILENT),
    ])  # fmt: skip
    line.run_until_quiet()
    assert set(line.study.unknown) == {"s1/p9/moisture", "elsewhere/p1/x"}
    kept = line.stores.store.observations(["s1/p9/moisture", "elsewhere/p1/x"], 0, 2**61)
    assert kept["flag"].tolist() == [Flag.NOT_EVALUATED, Flag.MISSING, Flag.NOT_EVALUATED]
    assert kept["raw"].tolist()[0] == 3.0 and kept["value"].isna().all()


def test_a_store_that_fails_behind_the_journal_does_not_hold_up_the_receipts(
    make: Callable[..., Line], monkeypatch: pytest.MonkeyPatch
) -> None:
    """When only the results cannot be written, readings are still kept and receipted, and the work is done later."""
    line = make(now_ms=START_MS + 100 * SLOT_MS)
    with monkeypatch.context() as patch:

        def broken(*_: object) -> None:
            raise StoreAway("the series store is away")

        patch.setattr(line.stores.store, "upsert_observations", broken)
        for batch in batches(record(40), 20):
            line.send_batch(batch)
            line.run(20)
        assert line.source.receipts() == [20 * (i + 1) for i in range(8)]
        assert "series store is away" in line.worker.studying.reason
    line.clock.real_s += 60.0
    line.run_until_quiet()
    assert len(stored(line)[0]) == 160
    assert line.worker.studying.reason == ""
