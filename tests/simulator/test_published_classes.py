"""The simulator's curve for published classes of soil and peat, beside the textbook's formulas in plain Python."""

from __future__ import annotations

import pytest

from simulator import kernels
from simulator.materials import Material, table

# Carsel & Parrish 1988, Water Resour. Res. 24(5), 755-769, class means: residual, full, alpha 1/cm, n, cm/d
CARSEL_PARRISH = {
    "sand": (0.045, 0.43, 0.145, 2.68, 712.8),
    "loamy sand": (0.057, 0.41, 0.124, 2.28, 350.2),
    "sandy loam": (0.065, 0.41, 0.075, 1.89, 106.1),
    "loam": (0.078, 0.43, 0.036, 1.56, 24.96),
    "silt": (0.034, 0.46, 0.016, 1.37, 6.0),
    "silt loam": (0.067, 0.45, 0.020, 1.41, 10.8),
    "sandy clay loam": (0.100, 0.39, 0.059, 1.48, 31.44),
    "clay loam": (0.095, 0.41, 0.019, 1.31, 6.24),
    "silty clay loam": (0.089, 0.43, 0.010, 1.23, 1.68),
    "sandy clay": (0.100, 0.38, 0.027, 1.23, 2.88),
    "silty clay": (0.070, 0.36, 0.005, 1.09, 0.48),
    "clay": (0.068, 0.38, 0.008, 1.09, 4.80),
}
# Staring series 2018 (Heinen, Bakker & Wosten 2020) and Wosten et al. 1999 (from memory), with the exponent of Mualem
PEATS = {
    "B16": (0.01, 0.786, 0.0211, 1.28, 12.36, -1.221),
    "B17": (0.0, 0.719, 0.0191, 1.14, 4.48, 0.0),
    "B18": (0.0, 0.765, 0.0205, 1.15, 13.14, 0.0),
    "O16": (0.0, 0.889, 0.0097, 1.36, 1.46, -0.665),
    "O17": (0.01, 0.849, 0.0119, 1.27, 3.40, -1.249),
    "O18": (0.01, 0.580, 0.0127, 1.32, 35.95, -0.786),
    "organic": (0.01, 0.766, 0.0130, 1.2039, 8.0, 0.400),
}
EVERY = {name: (*row, 0.5) for name, row in CARSEL_PARRISH.items()} | PEATS


@pytest.mark.parametrize("name", EVERY)
def test_curve_of_a_class_is_the_textbooks(name: str) -> None:
    """Water content and conductivity from 1 cm to the wilting point are van Genuchten's and Mualem's formulas (van
    Genuchten 1980, eq. 3 and 8), written out again in plain Python.

    Where n is below 1.2 the simulator asks for a height of air entry; with a micrometre of it the water content is that
    of the formula, and the conductivity follows it but for one factor.
    """
    low, full, alpha_cm, n, saturated, exponent = EVERY[name]
    air_entry_m = 1e-6 if n < 1.2 else 0.0
    entry = Material(
        name, "van_genuchten", low, full, 100.0 * alpha_cm, saturated, n=n, l=exponent, air_entry_m=air_entry_m
    )
    row = table((entry,))[0]
    m = 1.0 - 1.0 / n
    ratios = []
    for suction_cm in (1.0, 10.0, 30.0, 60.0, 100.0, 330.0, 15000.0):
        effective = (1.0 + (alpha_cm * suction_cm) ** n) ** -m
        mualem = effective**exponent * (1.0 - (1.0 - effective ** (1.0 / m)) ** m) ** 2
        content, _, conductivity, _ = kernels.hydraulics(row, -suction_cm / 100.0)
        assert content == pytest.approx(low + (full - low) * effective, rel=1e-6)
        ratios.append(conductivity / (saturated * mualem))
    # digits of the plain formula are lost by cancellation where 1 - Se^(1/m) is near 1
    assert ratios == pytest.approx([ratios[0] if n < 1.2 else 1.0] * len(ratios), rel=1e-4)
