"""Heat in the ground against the damped wave, which is exact."""

import numpy as np
import pytest

from simulator import heat
from simulator.column import Layer, build, graded, start, theta
from simulator.materials import MATERIALS

DIFFUSIVITY_M2_S = 0.5e-6
DAY_S = 86400.0


def wave(period_s: float, step_s: float, depth_m: np.ndarray, periods: int) -> tuple[np.ndarray, np.ndarray]:
    """Amplitude ratio and lag [s] at each depth, after the surface went up and down until all is periodic."""
    capacity = np.full(depth_m.size, 2.0e6)
    levels = heat.HeatGrid(depth_m, np.arange(depth_m.size), capacity, capacity, capacity, capacity)
    conductivity = np.full(depth_m.size - 1, 2.0e6 * DIFFUSIVITY_M2_S)
    temperature, turn, rows = np.full(depth_m.size, 15.0), 2.0 * np.pi / period_s, []
    count = round(period_s / step_s)
    for i in range(periods * count):
        ends = 15.0 + 10.0 * np.sin(turn * step_s * np.array([i, i + 1.0]))
        temperature = heat.conduct(
            levels, temperature, capacity, conductivity,
            surface_first_degc=ends[0], surface_last_degc=ends[1], duration_s=step_s,
        )  # fmt: skip
        rows.append(temperature)
    times = step_s * (np.arange((periods - 1) * count, periods * count) + 1.0)
    part = 2.0 * (np.array(rows[-count:]).T @ np.exp(-1j * turn * times)) / count * 1j
    return np.abs(part) / 10.0, -np.unwrap(np.angle(part)) / turn


def test_daily_wave_is_damped_and_late_as_theory_says():
    """T = A exp(-z/d) sin(wt - z/d), d = sqrt(2D/w) (e.g. Hillel): 1 % in amplitude, a twentieth of an hour in lag.

    0.6 % of the amplitude is lost by driving the surface in straight lines from hour to hour.
    """
    depth = np.concatenate([np.arange(0.0, 0.1, 0.005), np.arange(0.1, 1.5, 0.02), np.arange(1.5, 3.0, 0.1)])
    ratio, lag = wave(DAY_S, 3600.0, depth, 12)
    # D 0.5e-6 m2/s, computed independently
    for z, amplitude, hours in ((0.02, 0.8432, 0.65), (0.05, 0.6529, 1.63), (0.10, 0.4262, 3.26), (0.20, 0.1817, 6.51)):
        i = int(np.argmin(np.abs(depth - z)))
        assert ratio[i] == pytest.approx(amplitude, rel=0.01)
        assert lag[i] / 3600.0 == pytest.approx(hours, abs=0.05)


def test_yearly_wave_goes_deeper():
    """The yearly wave has fallen to 1/e at 2.24 m (same theory, computed independently)."""
    depth = np.linspace(0.0, 12.0, 61)
    ratio, _ = wave(365.25 * DAY_S, 365.25 * DAY_S / 36.0, depth, 7)
    assert np.interp(2.240, depth, ratio) == pytest.approx(np.exp(-1.0), rel=0.02)


def test_wet_ground_holds_and_carries_more_heat():
    """Water adds its heat capacity, 4.18 MJ m-3 K-1 by volume, and opens the way for heat (algebra; direction)."""
    column = build((Layer(MATERIALS["sandy_loam"], 0.5),), spacing=(graded(0.5, 0.02),))
    levels = heat.grid(column)
    dry, wet = (theta(column, start(column, head)) for head in (-50.0, -0.01))
    (c_dry, k_dry), (c_wet, k_wet) = heat.properties(dry, levels), heat.properties(wet, levels)
    assert (c_wet - c_dry)[0] == pytest.approx(4.18e6 * (wet[0] - dry[0]), rel=1e-6)
    assert (k_wet > 1.2 * k_dry).all()
    assert levels.depth_m[-1] > 3.5
