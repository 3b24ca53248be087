"""The water account, held against algebra and a published FAO-56 run of another program."""

import csv
from pathlib import Path

import numpy as np
import pytest

from pipeline.soil import climate
from pipeline.soil import water_balance as wb

RUN = Path(__file__).parents[2] / "data" / "fao56_dual_coefficient" / "days.csv"
READY_MM = 9.0


@pytest.fixture(scope="module")
def run():
    """Every column of the published run as arrays."""
    with RUN.open() as lines:
        rows = list(csv.DictReader(lines))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0] if key != "day"}


def test_ledger_closes_on_a_made_up_day():
    """10 mm fall, 2 run off, layers keep 3 and 1 and lose 1 and 2: 4 pass the first, 1 the second (algebra)."""
    found = wb.day_ledger([[5.0, 20.0], [8.0, 21.0]], [10.0], [[1.0, 2.0]], runoff_mm=2.0, drainage_mm=0.5)
    np.testing.assert_allclose(found.passed_mm, [[4.0, 1.0]])
    np.testing.assert_allclose(found.unaccounted_mm, [0.5])


def test_ledger_shows_what_is_missing():
    """A layer without a reading leaves itself and all below unknown, and the layer above known."""
    found = wb.day_ledger([[5.0, np.nan], [8.0, 21.0]], [10.0], [[1.0, 2.0]])
    assert found.passed_mm[0, 0] == 6.0
    assert np.isnan(found.passed_mm[0, 1])
    assert np.isnan(found.unaccounted_mm[0])


def test_ledger_balances_over_any_year():
    """In = lost + kept + passed, for a seeded year of three layers (conservation of mass)."""
    rng = np.random.default_rng(8)
    storage, water = rng.uniform(0.0, 30.0, (366, 3)), rng.uniform(0.0, 10.0, 365)
    loss = rng.uniform(0.0, 2.0, (365, 3))
    found = wb.day_ledger(storage, water, loss)
    left = water.sum() - loss.sum() - found.passed_mm[:, -1].sum()
    assert left == pytest.approx(storage[-1].sum() - storage[0].sum(), abs=1e-9)


def test_surface_water_of_the_run():
    """TEW of 0.225, 0.100 and 0.1143 m is 20.003 mm (largest depletion printed by the run)."""
    assert wb.total_evaporable_mm(0.225, 0.100, 0.1143) == pytest.approx(20.003, abs=0.001)


def test_highest_coefficient_of_the_run(run):
    """Kc max of all 200 days agrees to 0.002 with the run (printed to 0.001)."""
    wind = climate.wind_at_2m_m_s(run["wind_3m_m_s"], 3.0)
    found = wb.highest_coefficient(run["Kcb"], wind, run["humidity_min_percent"], run["h"])
    assert run["Kcmax"].size == 200
    assert found == pytest.approx(run["Kcmax"], abs=0.002)


def test_single_days_of_the_run(run):
    """From each day's printed state the next day's Ke, De, Ks, DP and Dr come out within rounding.

    Each printed figure is rounded to 0.001; what that does to E over a small exposed share is allowed for.
    """
    total = wb.total_evaporable_mm(0.225, 0.100, 0.1143)
    ke = wb.evaporation_coefficient(run["De"][:-1], total, READY_MM, run["Kcb"][1:], run["Kcmax"][1:], run["few"][1:])
    assert ke == pytest.approx(run["Ke"][1:], abs=0.002)
    share = wb.easy_share(0.65, run["ETc"])
    assert share == pytest.approx(run["p"], abs=0.001)
    ks = wb.stress_coefficient(run["Dr"][:-1], run["TAW"][1:], share[1:])
    assert ks == pytest.approx(run["Ks"][1:], abs=0.002)
    for i in range(1, 200):
        water = run["rain_mm"][i] + run["Irrig"][i] / run["fw"][i]
        depletion, passed = wb.surface_day(run["De"][i - 1], water, run["E"][i] / run["few"][i], total)
        rounding = 0.0005 / run["few"][i] * (1.0 + run["E"][i] / run["few"][i])
        assert depletion == pytest.approx(run["De"][i], abs=0.002 + rounding)
        assert passed == pytest.approx(run["DPe"][i], abs=0.12)  # the wetted share is printed to 0.001 of 0.2
        water = run["rain_mm"][i] + run["Irrig"][i]
        depletion, drained = wb.root_zone_day(run["Dr"][i - 1], water, run["ETa"][i], run["TAW"][i])
        assert depletion == pytest.approx(run["Dr"][i], abs=0.003)
        assert drained == pytest.approx(run["DP"][i], abs=0.003)


def test_the_whole_season_of_the_run(run):
    """Carried by ourselves from the first day, the season's last root-zone depletion is within 0.5 mm of 187.469."""
    total, surface, root = wb.total_evaporable_mm(0.225, 0.100, 0.1143), run["De"][0], run["Dr"][0]
    lost = 0.0
    for i in range(1, 200):
        ke = float(wb.evaporation_coefficient(
            surface, total, READY_MM, run["Kcb"][i], run["Kcmax"][i], run["few"][i]
        ))  # fmt: skip
        demand = (run["Kcb"][i] + ke) * run["ETref"][i]
        ks = float(wb.stress_coefficient(root, run["TAW"][i], wb.easy_share(0.65, demand)))
        actual = (ks * run["Kcb"][i] + ke) * run["ETref"][i]
        surface, _ = wb.surface_day(
            surface,
            run["rain_mm"][i] + run["Irrig"][i] / run["fw"][i],
            ke * run["ETref"][i] / run["few"][i],
            total,
        )
        root, _ = wb.root_zone_day(root, run["rain_mm"][i] + run["Irrig"][i], actual, run["TAW"][i])
        lost += actual
    assert root == pytest.approx(187.469, abs=0.5)  # rounding of 200 printed days
    assert lost == pytest.approx(1049.731, abs=1.0)  # season's ETa as printed by the run


def test_stress_and_easy_share_keep_their_bounds():
    """No stress while water is easy, full stop at wilting, and p stays between 0.1 and 0.8 (FAO-56)."""
    assert wb.stress_coefficient([0.0, 20.0, 35.0, 50.0, 60.0], 50.0, 0.4) == pytest.approx([1, 1, 0.5, 0, 0])
    assert wb.easy_share(0.4, [5.0, 0.0, 20.0]) == pytest.approx([0.4, 0.6, 0.1])
