"""Values written by hand become observations and layers when the stages run, and follow each change of the diary."""

from __future__ import annotations

import math
import os
from collections.abc import Callable

import pytest

from hardware.reading import Reading, Status
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.station import StationContext
from pipeline.site.server import StoreConfig
from pipeline.soil.layers import CELL_MS, medium, middle
from pipeline.stages.recompute import recompute, station_context
from pipeline.stages.stage import STAGE_VERSION
from pipeline.store.diary import Diary
from pipeline.store.influx import InfluxStore
from pipeline.units import DAY_MS, EVER_MS, HOUR_MS, Flag
from tests.pipeline.hand import OUTBOX, SETTINGS, START_MS, Line

BARE = SETTINGS[: SETTINGS.index("[[surface.station.probe]]")]
CORED = BARE + "[[surface.station.core]]\ndate = 2024-02-01\nthatch_mm = 15\n"
AT_MS = START_MS + 12 * HOUR_MS
QUANTITIES = ("root_zone_water", "root_zone_wetness", "top_layer_water", "top_layer_wetness")
ROD = "s1/by-hand/moisture_120"


def reading(percent: float, rod_mm: float = 120, at_ms: int = AT_MS, **more: object) -> DiaryEntry:
    body = {"moisture_percent": percent, "rod_mm": rod_mm, **more}
    return DiaryEntry("moisture", "square", at_ms, body, "s1", written_at_ms=at_ms + 60_000)


def written(line: Line, *entries: DiaryEntry) -> list[DiaryEntry]:
    """Writes entries and lets the worker come to rest, as after a start."""
    kept = [line.stores.diary.add(entry) for entry in entries]
    line.run_until_quiet()
    return kept


def observed(line: Line, channel: str = ROD) -> list[tuple[object, ...]]:
    table = line.stores.store.observations([channel], *EVER_MS)
    columns = ("measured_at_ms", "value", "flag", "received_at_ms", "stage_version")
    return list(zip(*(table[name].tolist() for name in columns), strict=True))


def layer(line: Line, quantity: str) -> list[tuple[float, float, float, str]]:
    table = line.stores.store.findings("s1", [quantity], *EVER_MS)
    return list(zip(*(table[name].tolist() for name in ("value", "low", "high", "reason")), strict=True))


def test_a_meter_reading_is_an_observation_and_never_a_reading(make: Callable[..., Line]) -> None:
    """35 % is 0.35 m3 m-3, good, received when it was written; the journal of raw readings stays empty."""
    line = make(BARE, now_ms=AT_MS + HOUR_MS)
    written(line, reading(35))
    assert observed(line) == [(AT_MS, pytest.approx(0.35), Flag.GOOD, AT_MS + 60_000, STAGE_VERSION)]
    assert line.stores.store.span([ROD]) is None and line.stores.store.raw([ROD], *EVER_MS).empty
    (wet,) = layer(line, "root_zone_wetness")
    assert wet[1] < wet[0] < wet[2] and wet[3] == ""


def test_an_entry_written_anew_redoes_its_time_and_no_other(make: Callable[..., Line]) -> None:
    """Struck and written anew at another hour: the old observation is missing, its finding gone; the other stands."""
    line = make(BARE, now_ms=AT_MS + 40 * DAY_MS)
    first, _ = written(line, reading(35), reading(20, at_ms=AT_MS + 30 * DAY_MS))
    other = observed(line)[1]
    line.stores.diary.strike(first.id, AT_MS + HOUR_MS)
    written(line, reading(31, at_ms=AT_MS + 2 * HOUR_MS))
    old, new, later = observed(line)
    assert old[0] == AT_MS and math.isnan(float(str(old[1]))) and old[2] == Flag.MISSING
    assert new[:3] == (AT_MS + 2 * HOUR_MS, pytest.approx(0.31), Flag.GOOD) and later == other
    times = line.stores.store.findings("s1", ["root_zone_wetness"], *EVER_MS)["start_ms"].tolist()
    assert times == [t // CELL_MS * CELL_MS for t in (AT_MS + 2 * HOUR_MS, AT_MS + 30 * DAY_MS)]


def test_what_was_written_before_a_kill_is_worked_on_after_it(make: Callable[..., Line]) -> None:
    """A worker that had not seen the entry, and one that had not seen it struck, both follow at the next start."""
    line = make(BARE, now_ms=AT_MS + HOUR_MS)
    line.run_until_quiet()
    line.worker.close()
    (entry,) = (line.stores.diary.add(reading(35)),)
    again = make(BARE, now_ms=AT_MS + 2 * HOUR_MS)
    again.run_until_quiet()
    assert [one[2] for one in observed(again)] == [Flag.GOOD]
    again.worker.close()
    again.stores.diary.strike(entry.id, AT_MS + 2 * HOUR_MS)
    third = make(BARE, now_ms=AT_MS + 3 * HOUR_MS)
    third.run_until_quiet()
    assert [one[2] for one in observed(third)] == [Flag.MISSING] and layer(third, "root_zone_wetness") == []


def test_rods_through_the_thatch_read_a_mixture_and_say_so(make: Callable[..., Line]) -> None:
    """15 mm of thatch and rods of 120 mm: an eighth. By algebra the soil is as wet as the whole between its limits."""
    line = make(CORED, now_ms=AT_MS + HOUR_MS)
    written(line, reading(30, points=4, spread_percent=2))
    thatch, soil = medium("decayed_thatch"), medium("loam")
    dry = thatch.dry_prior / 8 + 7 * soil.dry_prior / 8
    drained = thatch.drained_prior / 8 + 7 * soil.drained_prior / 8
    (wet,) = layer(line, "root_zone_wetness")
    assert wet[0] == pytest.approx((0.30 - dry) / (drained - dry))
    (top,) = layer(line, "top_layer_wetness")
    assert top[0] == pytest.approx(wet[0]) and wet[2] - wet[1] > top[2] - top[1]
    (mixed,) = layer(line, "thatch_wetness")
    assert math.isnan(mixed[0]) and mixed[3] == "mixed: rods of 120 mm reach through 15 mm of thatch"
    # the soil, were the thatch as dry, or as wet, as it can be, lies within the interval
    (water, low, high, _) = layer(line, "root_zone_water")[0]
    for held in (thatch.dry_prior, middle(thatch.saturated)):
        assert low <= 200.0 * (0.30 - held / 8) * 8 / 7 <= high
    assert low < water < high


def test_stones_hold_none_of_the_water_that_a_meter_read(make: Callable[..., Line]) -> None:
    """A quarter of stones leaves three quarters of the water of the root zone, and of the soil beside the rods; in the
    thatch, an eighth of the rods, there are none (algebra). How wet it is stays as it was."""
    stony = BARE + "stone_share = 0.25\n" + CORED.removeprefix(BARE)
    found = {}
    for name, settings in (("fine", CORED), ("stony", stony)):
        line = make(settings, now_ms=AT_MS + HOUR_MS, folder=name)
        written(line, reading(30))
        found[name] = {q: layer(line, q)[0] for q in QUANTITIES}
        line.worker.close()
    for quantity, share in zip(QUANTITIES, (0.75, 1.0, 1 / 8 + 0.75 * 7 / 8, 1.0), strict=True):
        expected = [share * number for number in found["fine"][quantity][:3]]
        assert list(found["stony"][quantity][:3]) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("rod_mm", "thatch_mm", "told"),
    [
        (20, 25, "the rods of 20 mm end in the thatch"),
        (40, 25, "the rods of 40 mm stand in thatch more than in soil: mixed"),
    ],
)
def test_short_rods_say_nothing_of_the_soil(make: Callable[..., Line], rod_mm: int, thatch_mm: int, told: str) -> None:
    """Under half of their length in soil they are withheld; wholly in thatch they tell the thatch."""
    line = make(CORED.replace("thatch_mm = 15", f"thatch_mm = {thatch_mm}"), now_ms=AT_MS + HOUR_MS)
    written(line, reading(40, rod_mm))
    assert layer(line, "root_zone_wetness")[0][3] == told
    assert math.isfinite(layer(line, "thatch_wetness")[0][0]) == (rod_mm < thatch_mm)


def test_points_of_one_moment_count_alike(make: Callable[..., Line]) -> None:
    """Four points of 30 % and one of 40 % are 32 % (arithmetic)."""
    line = make(BARE, now_ms=AT_MS + HOUR_MS)
    written(line, reading(30, points=4), reading(40))
    assert observed(line)[0][1] == pytest.approx(0.32)


def test_more_water_than_the_ground_can_hold_is_doubted(make: Callable[..., Line]) -> None:
    """90 % in loam is no water content of loam, also when its writer says that he read it: suspect, and nothing is
    drawn from it. Before he says so it is no reading yet."""
    line = make(BARE, now_ms=AT_MS + HOUR_MS)
    (entry,) = written(line, reading(90))
    assert observed(line) == []
    line.stores.diary.write_anew(entry.id, reading(90, confirmed=True), AT_MS + HOUR_MS)
    line.run_until_quiet()
    assert observed(line)[0][2] == Flag.SUSPECT
    assert layer(line, "root_zone_wetness")[0][3] == "the meter read more water than this ground can hold"


def test_beside_probes_a_meter_draws_no_findings(make: Callable[..., Line]) -> None:
    """The probe's layers stay its own; the hand's reading stands beside it."""
    line = make(SETTINGS, now_ms=AT_MS + HOUR_MS)
    written(line, reading(35))
    assert observed(line)[0][2] == Flag.GOOD and layer(line, "root_zone_wetness") == []


def test_rain_by_hand_is_an_observation_at_the_end_of_its_span(make: Callable[..., Line]) -> None:
    """Of the whole surface, so of each of its stations."""
    line = make(BARE, now_ms=AT_MS + HOUR_MS)
    written(line, DiaryEntry("rain", "square", AT_MS, {"rain_mm": 7.5}))
    assert [one[:3] for one in observed(line, "s1/by-hand/rain")] == [(AT_MS, 7.5, Flag.GOOD)]


# --- the cone: by hand and by the dock -------------------------------------------------------------------------------

AREA_MM2 = 129.28  # of the base of the dock's cone, as its description says
DEPTH_MM = [5.0 * step for step in range(1, 41)]
PUSHES = [[float(round(300 + 8 * mm + 40 * n + 60 * math.sin(mm / 17 + n))) for mm in DEPTH_MM] for n in range(5)]
CONE = BARE + '[[surface.station.probe]]\nname = "cone"\nmodel = "cone_hard"\n'
INDEX = [f"cone_resistance_{mm:03d}" for mm in (50, 100, 150, 200)]


def docked_pushes() -> list[Reading]:
    """The pushes a minute apart as a dock hands them over: depth [m] and the force on its cone [N], step by step."""
    rows: list[Reading] = []
    for n, kpa in enumerate(PUSHES):
        for step, (mm, each) in enumerate(zip(DEPTH_MM, kpa, strict=True)):
            for name, raw in (("depth", mm / 1000.0), ("force", each * AREA_MM2 / 1000.0)):
                slot = f"{n}-{step}"
                at_ms = AT_MS + n * 60_000 + step
                place = ("meadow", "node-1", OUTBOX, len(rows) + 1, f"s1/cone/{name}", slot, at_ms)
                rows.append(Reading(*place, raw, Status.OK, 1, True))
    return rows


def test_the_same_pushes_by_hand_and_from_a_dock_have_one_cone_index(make: Callable[..., Line]) -> None:
    """Five pushes as force over the dock's cone [N], and as kPa in the diary: the same median, spread and count.

    Cone index is force over base area (ASAE S313.3); the area is the description's, 129.28 mm2.
    """
    docked = make(CONE, folder="dock", now_ms=AT_MS + HOUR_MS)
    docked.send_batch(docked_pushes())
    docked.run_until_quiet()
    by_hand = make(BARE, folder="hand", now_ms=AT_MS + HOUR_MS)
    written(
        by_hand,
        *(
            DiaryEntry(
                "push", "square", AT_MS, {"depth_mm": DEPTH_MM, "resistance_kpa": kpa}, "s1", written_at_ms=AT_MS
            )
            for kpa in PUSHES
        ),
    )
    for quantity in INDEX:
        (dock,), (hand,) = layer(docked, quantity), layer(by_hand, quantity)
        assert dock[0] > 0 and hand[:3] == pytest.approx(dock[:3], abs=0.5), quantity
    middle_push = sorted(kpa[DEPTH_MM.index(100.0)] for kpa in PUSHES)[2]
    assert layer(by_hand, "cone_resistance_100")[0][0] == pytest.approx(middle_push)


def test_a_push_struck_is_no_part_of_the_index_and_moves_no_other(make: Callable[..., Line]) -> None:
    """Five pushes of one minute, the middle one struck: the other four stand where they stood."""
    line = make(BARE, now_ms=AT_MS + HOUR_MS)
    pushes = [
        DiaryEntry("push", "square", AT_MS, {"depth_mm": [50, 100], "resistance_kpa": [500 + n, 900 + n]}, "s1")
        for n in range(5)
    ]
    kept = written(line, *pushes)
    before = observed(line, "s1/by-hand/cone_resistance")
    line.stores.diary.strike(kept[2].id, AT_MS)
    line.run_until_quiet()
    after = observed(line, "s1/by-hand/cone_resistance")
    assert [one for one in after if one[2] == Flag.GOOD] == [one for one in before if one[1] not in (502.0, 902.0)]
    assert line.stores.store.findings("s1", ["cone_resistance_050"], *EVER_MS)["n"].tolist() == [4]


def test_one_figure_at_one_depth_is_a_push(make: Callable[..., Line]) -> None:
    """Five pushes of one figure each at 50 mm: their middle one at 50 mm, and nothing at 100."""
    line = make(BARE, now_ms=AT_MS + HOUR_MS)
    written(
        line,
        *(
            DiaryEntry("push", "square", AT_MS + n * HOUR_MS, {"depth_mm": [50], "resistance_kpa": [kpa]}, "s1")
            for n, kpa in enumerate((900, 1300, 1100, 1000, 1200))
        ),
    )
    assert layer(line, "cone_resistance_050")[0][0] == pytest.approx(1100)
    assert layer(line, "cone_resistance_100") == []


# --- both stores -----------------------------------------------------------------------------------------------------


def test_hand_values_are_kept_and_withdrawn_in_a_server_store_too(
    make: Callable[..., Line], influx_place: dict[str, str]
) -> None:
    """The same rows as in the embedded store: written, then missing, with the finding gone."""
    influx_store = InfluxStore(StoreConfig(kind="influx", **influx_place), f"t{os.urandom(6).hex()}")
    line = make(BARE, now_ms=AT_MS + HOUR_MS)
    diary: Diary = line.stores.diary
    entry = diary.add(reading(35))

    def context() -> StationContext:
        return station_context(line.config, "s1", diary)

    recompute(influx_store, context())
    table = influx_store.observations([ROD], *EVER_MS)
    assert table["value"].tolist() == [pytest.approx(0.35)] and table["flag"].tolist() == [Flag.GOOD]
    assert len(influx_store.findings("s1", ["root_zone_wetness"], *EVER_MS)) == 1
    diary.strike(entry.id, AT_MS)
    recompute(influx_store, context())
    assert influx_store.observations([ROD], *EVER_MS)["flag"].tolist() == [Flag.MISSING]
    assert influx_store.findings("s1", ["root_zone_wetness"], *EVER_MS).empty
