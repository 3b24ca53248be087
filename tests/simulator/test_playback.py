"""The recorded series as truth: what comes out is what the network published, hour by hour."""

import importlib.util
from datetime import datetime
from pathlib import Path

import pytest

from simulator.playback import Playback, PlaybackFault, RecordFault, playback_site, read_record, record_text
from simulator.units import DAY_MS, HOUR_MS

# Lines of the published files, letter by letter: see tests/data/uscrn/SOURCE.txt.
USCRN = Path(__file__).parent.parent / "data" / "uscrn"
PUBLISHED = {name: (USCRN / f"published_{name}.txt").read_text() for name in ("ithaca", "dinosaur")}
LINES = [(name, line) for name, text in PUBLISHED.items() for line in text.splitlines()]
DEPTHS_M = (0.05, 0.10, 0.20, 0.50, 1.00)


def moment_ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


@pytest.fixture(scope="module")
def records() -> dict[str, Playback]:
    return {name: read_record(record_text(name)) for name in PUBLISHED}


@pytest.mark.parametrize("line", LINES, ids=lambda line: f"{line[0]} {line[1][6:19]}")
def test_playback_gives_what_was_published(records: dict[str, Playback], line: tuple[str, str]) -> None:
    """Each value of a published line comes out unchanged; a missing or flagged one as no value."""
    name, text = line
    field = text.split()
    at_ms = moment_ms(f"{field[1][:4]}-{field[1][4:6]}-{field[1][6:]}T{field[2][:2]}:{field[2][2:]}+00:00")

    def published(place: int, flag: int | None = None) -> float | None:
        value = float(field[place])
        return None if value <= -99 or (flag is not None and field[flag] == "3") else value

    expected = {
        ("air_temperature", None): published(9),
        ("solar_radiation", None): published(13, 14),
        ("surface_temperature", None): published(20, 21),
        ("relative_humidity", None): published(26),
        **{("water_content", depth): published(28 + i) for i, depth in enumerate(DEPTHS_M)},
        **{("soil_temperature", depth): published(33 + i) for i, depth in enumerate(DEPTHS_M)},
    }
    assert {key: records[name].value(*key, at_ms) for key in expected} == expected


def test_playback_has_the_storm_of_9_january_2024(records: dict[str, Playback]) -> None:
    """The storm's rain is 18.5 mm, and water arrives at 5, 10, 20 and 50 cm by the published gains."""
    record = records["ithaca"]
    before, after = moment_ms("2024-01-09T16:00+00:00"), moment_ms("2024-01-11T12:00+00:00")

    def change(quantity: str, depth_m: float | None) -> float:
        there, here = record.value(quantity, depth_m, after), record.value(quantity, depth_m, before)
        assert there is not None and here is not None
        return there - here

    assert change("rain_total", None) == pytest.approx(18.5, abs=0.01)  # sums of published tenths
    # Gains worked out apart from the published file. The hours they were taken between are not stated: two sensor
    # steps of slack each way.
    gains = [change("water_content", depth) for depth in DEPTHS_M[:4]]
    assert gains == pytest.approx([0.079, 0.104, 0.080, 0.057], abs=0.006)


def test_records_have_the_hours_and_rain_they_are_said_to_have(records: dict[str, Playback]) -> None:
    """Dinosaur is a whole year with 203.5 mm of rain, Ithaca 1,553 hours (figures in SOURCE.txt)."""
    assert (records["dinosaur"].hours, records["ithaca"].hours) == (8760, 1553)
    assert records["dinosaur"].rain_total[-1] == pytest.approx(203.5, abs=0.01)


def test_value_holds_until_the_next_hour_ends(records: dict[str, Playback]) -> None:
    """Between two hour ends the finished hour holds; outside the record there is no value."""
    record, at_ms = records["ithaca"], moment_ms("2024-01-09T23:00+00:00")
    assert record.value("water_content", 0.1, at_ms + HOUR_MS - 1) == 0.379
    assert record.value("water_content", 0.1, at_ms - 1) == 0.337  # published for 22:00
    assert record.value("water_content", 0.1, record.start_ms - 1) is None
    assert record.value("water_content", 0.1, record.end_ms) is None
    assert record.value("wind_speed", None, at_ms) is None


def test_depth_between_two_sensors_lies_on_the_line(records: dict[str, Playback]) -> None:
    """Halfway between two recorded depths the value is their mean; beyond the ends the nearest holds."""
    record, at_ms = records["ithaca"], moment_ms("2024-01-09T23:00+00:00")
    assert record.value("water_content", 0.075, at_ms) == pytest.approx((0.368 + 0.379) / 2)
    assert record.value("water_content", 0.0, at_ms) == 0.368
    assert record.value("water_content", 1.2, at_ms) == 0.023


def test_converter_makes_the_compact_form() -> None:
    """The converter keeps a published line's values and empties what is missing or flagged."""
    spec = importlib.util.spec_from_file_location("convert_hourly", USCRN / "convert_hourly.py")
    assert spec is not None and spec.loader is not None
    converter = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(converter)
    rows = converter.convert(PUBLISHED["dinosaur"]).splitlines()
    assert rows[1] == "2018-06-17T15:00Z,19.4,0.0,323,27.1,48,0.065,0.148,0.177,0.228,0.249,21.2,22.0,23.0,22.3,19.4"
    assert rows[2] == "2018-08-24T18:00Z,,0.0,,,,,,,,,,,,,"
    assert rows[1] in record_text("dinosaur")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "expected a heading"),
        ("hour_end_utc,rain_mm\n2024-01-01T01:00Z,0", "no column air_temperature_degc"),
        ("{heading}\n2024-01-01T01:00Z,1,0,0,0,50\n2024-01-01T03:00Z,1,0,0,0,50", "line 3: found 2 h"),
        ("{heading}\n2024-01-01T01:00Z,x,0,0,0,50", "air_temperature_degc: found 'x'"),
        ("{heading}\n2024-01-01T01:00Z,1,0", "found 3 fields"),
        ("{heading}\nyesterday,1,0,0,0,50", "expected a time"),
        ("{heading}\n2024-01-01T01:00,1,0,0,0,50", "ends in Z"),
    ],
)
def test_broken_record_is_refused_with_its_line(text: str, said: str) -> None:
    """A record out of form is refused, naming what was found."""
    air = "air_temperature_degc,rain_mm,solar_radiation_w_m2,surface_temperature_degc,relative_humidity_percent"
    with pytest.raises(RecordFault, match=said):
        read_record(text.format(heading=f"hour_end_utc,{air}"))


def test_unknown_record_is_refused_with_those_there_are() -> None:
    """Another record's name is answered with the names there are."""
    with pytest.raises(ValueError, match="expected one of dinosaur, ithaca"):
        record_text("nowhere")


@pytest.mark.parametrize("record", ["dinosaur", "ithaca"])
def test_default_history_lies_inside_the_record(record: str) -> None:
    """The span played by default is covered by the record, on full hours, with live time left after it."""
    site = playback_site(record)
    truth = read_record(record_text(record))
    assert truth.start_ms <= site.start_ms < site.history_end_ms < truth.end_ms
    assert site.start_ms % HOUR_MS == site.history_end_ms % HOUR_MS == 0


def test_history_longer_than_the_record_is_refused_with_the_most_there_is() -> None:
    """Asking for more days than the record has says how many it has."""
    with pytest.raises(PlaybackFault, match=r"found 400, expected 0 to 228\.96"):
        playback_site("dinosaur", history_days=400)
    whole = playback_site("dinosaur", history_end_ms=moment_ms("2019-01-01T00:00+00:00"), history_days=364.9)
    assert whole.history_end_ms - whole.start_ms == 8757 * HOUR_MS  # 364.9 d are 8757.6 h: whole hours only
    assert whole.end_ms is not None and whole.end_ms - whole.history_end_ms == HOUR_MS < DAY_MS
