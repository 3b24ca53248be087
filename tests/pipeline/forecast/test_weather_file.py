"""A forecast is read with every fault named, and what is stale or absurd is not used."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest

from pipeline.forecast.weather_file import FORECAST_LIMITS, ForecastFault, parse_forecast, usable_faults
from pipeline.soil.radiation import Location

HOUR_MS = 3_600_000
SITE = {"place": Location(52.0, -1.0, 60.0)}
ISSUED = datetime(2030, 5, 1, 6, tzinfo=UTC)
ISSUED_MS = round(ISSUED.timestamp() * 1000)


def times(count, step_h):
    return [
        datetime.fromtimestamp(ISSUED.timestamp() + 3600 * step_h * i, UTC).isoformat().replace("+00:00", "Z")
        for i in range(count)
    ]


def as_json(count=16, step_h=3, **columns):
    rain = columns.pop("rain_mm", [0.5] * count)
    return json.dumps({"issued": "2030-05-01T06:00Z", "time": times(count, step_h), "rain_mm": rain, **columns})


def faults_of(text):
    with pytest.raises(ForecastFault) as caught:
        parse_forecast(text, **SITE, name="north.json")
    return caught.value.faults


CSV = """# issued = 2030-05-01T06:00+00:00
time,rain_mm,temperature_degc,rain_chance
2030-05-01T06:00Z,0.0,8.0,0.1
2030-05-01T12:00Z,6.0,14.0,0.8
2030-05-01T18:00Z,,11.0,0.3
"""


def test_csv_is_read_hour_by_hour():
    """6 mm in the six hours from noon are 1 mm in each; a temperature runs straight from middle to middle."""
    found = parse_forecast(CSV.replace("18:00Z,,", "18:00Z,1.2,"), **SITE)
    assert (found.issued_ms, found.first_ms, found.hours) == (ISSUED_MS, ISSUED_MS, 18)
    assert found.series["rain_mm"] == pytest.approx([0.0] * 6 + [1.0] * 6 + [0.2] * 6)
    assert found.series["temperature_degc"][[2, 3]] == pytest.approx([8.0, 8.5])  # middles at 3 h and 9 h
    assert found.series["rain_chance"][7] == 0.8


def test_rain_must_be_there_in_each_step():
    """A step without rain is a fault that names the column."""
    assert any("rain_mm: found 1 steps without it" in f for f in faults_of(CSV))


def test_json_gives_the_same_as_csv():
    """Both forms of one forecast are the same forecast."""
    whole = CSV.replace("18:00Z,,", "18:00Z,1.2,")
    text = json.dumps(
        {
            "issued": "2030-05-01T06:00Z", "time": times(3, 6), "rain_mm": [0.0, 6.0, 1.2],
            "temperature_degc": [8.0, 14.0, 11.0], "rain_chance": [0.1, 0.8, 0.3],
        }
    )  # fmt: skip
    one, other = parse_forecast(whole, **SITE), parse_forecast(text, **SITE)
    for name in FORECAST_LIMITS:
        assert np.array_equal(one.series[name], other.series[name], equal_nan=True)


@pytest.mark.parametrize("step_h", [1, 3, 6, 12, 24])
def test_rain_and_demand_stay_whole_at_every_step(step_h):
    """What falls and what is asked in all is what was forecast, whatever the step (conservation)."""
    found = parse_forecast(as_json(6, step_h, reference_et_mm=[1.1] * 6), **SITE)
    assert found.series["rain_mm"].sum() == pytest.approx(3.0)
    assert found.series["reference_et_mm"].sum() == pytest.approx(6.6)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "found no rows"),
        ("{nonsense", "found no JSON"),
        ("[1, 2]", "found a list"),
        ("# issued = 2030-05-01T06:00Z\ntime,rain_mm\n2030-05-01T06:00Z\n", "row 1: found 1 fields, expected 2"),
        ('time,rain_mm\n"2030', "found no CSV"),
        (as_json().replace("2030-05-01T06:00Z", "yesterday", 1), "issued: found 'yesterday'"),
        (as_json(time=["2030-05-01T06:00"] * 16), "with its offset"),
        (as_json(rain_mm=[1.0] * 15), "all of one length"),
        (as_json(rain_mm=["wet"] * 16), "rain_mm 1: found 'wet'"),
        (as_json(rain_mm=[float("inf")] * 16), "rain_mm 1: found inf"),
        (as_json(rain_mm=[True] * 16), "rain_mm 1: found True"),
        (as_json(rain_mm=5), "rain_mm: found 5, expected a list"),
        (as_json(rain=[1.0] * 16), "rain: found an unknown column, expected rain_mm"),
        (as_json(rain_mm=[-0.1] * 16), "rain_mm 1: found -0.1, expected 0 to 360 in 3 h"),
        (as_json(rain_mm=[399.0] * 16), "found 399, expected 0 to 360"),
        (as_json(rain_mm=[80.0] * 16), "within a day, expected at most 400"),
        (as_json(temperature_degc=[285.0] * 16), "temperature_degc 1: found 285, expected -50 to 60"),
        (as_json(rain_chance=[70.0] * 16), "rain_chance 1: found 70, expected 0 to 1"),
        (as_json(16, 1, temperature_degc=[5.0, 40.0] * 8), "leap of more than 25"),
        (as_json(time=times(8, 3) + times(8, 3)), "expected equal ones"),
        (as_json(16, 2), "found steps of 2 hours"),
        (as_json(1, 3), "found 1 steps, expected at least 2"),
        (as_json(time=[t.replace(":00:00", ":30:00") for t in times(16, 3)]), "expected a whole hour"),
        (as_json(1001, 1), "found 1001 steps, expected at most 1000"),
        ("x" * 1_000_001, "found 1000001 characters"),
        ('{"issued": "2030-05-01T06:00Z"}', "time: found none"),
    ],
)
def test_faults_are_named(text, said):
    """Each kind of broken or absurd forecast is refused in words that say what was found and expected."""
    found = faults_of(text)
    assert any(said in fault for fault in found), found
    assert all(fault.startswith("north.json") for fault in found)


def test_every_fault_is_told_at_once_but_not_without_end():
    """Two columns wrong in sixteen rows are told together, twenty faults and how many more."""
    found = faults_of(as_json(rain_mm=[-1.0] * 16, temperature_degc=[99.0] * 16))
    assert len(found) == 21
    assert found[-1] == "and 12 more"


def test_zero_is_a_number_like_another():
    """0 mm and 0 degC are taken as they are."""
    found = parse_forecast(as_json(rain_mm=[0] * 16, temperature_degc=[0] * 16), **SITE)
    assert (found.series["temperature_degc"] == 0.0).all()
    assert (found.series["rain_mm"] == 0.0).all()


@pytest.mark.parametrize(
    ("after_h", "said"),
    [
        (0, None), (24, None), (25, "25 hours old, expected at most 24"), (-1, "1 hours from now"),
        (-2, "issued 2 hours from now"),
    ],
)  # fmt: skip
def test_stale_forecast_is_no_use(after_h, said):
    """A day old is the edge and still counts; older, or made in the future, does not."""
    found = usable_faults(parse_forecast(as_json(48, 1), **SITE), ISSUED_MS + after_h * HOUR_MS)
    assert found == [] if said is None else any(said in fault for fault in found)


def test_forecast_that_ends_too_soon_is_no_use():
    """With less than twelve hours to come it is past use, however fresh."""
    found = usable_faults(parse_forecast(as_json(30, 1), **SITE), ISSUED_MS + 20 * HOUR_MS)
    assert found == ["forecast: found 10 hours to come, expected at least 12"]


def test_clock_change_shows_as_an_uneven_step():
    """Local times across the spring change, six hours apart on the wall, are five hours apart: a fault that says so."""
    local = ["2030-03-31T00:00+00:00", "2030-03-31T06:00+01:00", "2030-03-31T12:00+01:00"]
    text = json.dumps({"issued": local[0], "time": local, "rain_mm": [0, 0, 0]})
    assert "clocks" in faults_of(text)[0]


def test_hours_outside_the_forecast_are_unknown():
    """Asked from two hours before it on, the first two hours are not known."""
    found = parse_forecast(as_json(24, 1), **SITE).of("rain_mm", ISSUED_MS - 2 * HOUR_MS, 30)
    assert np.isnan(found[:2]).all() and np.isnan(found[26:]).all()
    assert found[2:26] == pytest.approx(0.5)
