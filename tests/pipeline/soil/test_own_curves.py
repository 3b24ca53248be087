"""Curves of one's own, and the retention curve: held to published figures and to algebra."""

from __future__ import annotations

import numpy as np
import pytest

from hardware.curves import curve_faults
from hardware.probe import parse_probe
from pipeline.soil.calibration import calibrate
from pipeline.soil.layers import medium, with_porosity

CM_A_KPA = 10.19716  # cm of water in a kPa, at 9.80665 m s-2 and 1000 kg m-3
# Carsel & Parrish 1988, Water Resour. Res. 24(5), 755-769, class means: theta_r, theta_s, alpha [1/cm], n
CLASSES = {
    "sand": (0.045, 0.43, 0.145, 2.68),
    "loamy_sand": (0.057, 0.41, 0.124, 2.28),
    "sandy_loam": (0.065, 0.41, 0.075, 1.89),
    "loam": (0.078, 0.43, 0.036, 1.56),
    "silt_loam": (0.067, 0.45, 0.020, 1.41),
    "peat_topsoil": (0.01, 0.786, 0.0211, 1.28),  # B16 of the Staring series 2018
    "peat_subsoil": (0.01, 0.849, 0.0119, 1.27),  # O17
}
# Computed apart from this project from the equation of van Genuchten 1980; no published numbers.
SUCTION_CM = (10, 30, 60, 100, 330, 15000)
THETA = {
    "sand": (0.2143, 0.0772, 0.0551, 0.0493, 0.0456, 0.0450),
    "loamy_sand": (0.2620, 0.1209, 0.0839, 0.0710, 0.0601, 0.0570),
    "sandy_loam": (0.3431, 0.2179, 0.1531, 0.1218, 0.0848, 0.0657),
    "loam": (0.4074, 0.3464, 0.2861, 0.2421, 0.1654, 0.0884),
    "silt_loam": (0.4392, 0.4083, 0.3679, 0.3297, 0.2402, 0.1039),
    "peat_topsoil": (0.7646, 0.7144, 0.6536, 0.5963, 0.4529, 0.1648),
    "peat_subsoil": (0.8375, 0.8074, 0.7641, 0.7163, 0.5703, 0.2169),
}


@pytest.mark.parametrize("name", THETA)
def test_retention_curve_gives_the_water_of_the_classes(name: str) -> None:
    """Water content at six suctions of five mineral classes and two peats, within half of the last digit."""
    theta_r, theta_s, alpha, n = CLASSES[name]
    potential = -np.array(SUCTION_CM) / CM_A_KPA
    own = {"theta_r": theta_r, "theta_s": theta_s, "alpha_per_kpa": alpha * CM_A_KPA, "n": n}
    assert calibrate(potential, "van_genuchten", own) == pytest.approx(THETA[name], abs=1.2e-4)
    assert calibrate([0.0, 3.0], "van_genuchten", own) == pytest.approx([theta_s, theta_s])
    assert np.isnan(calibrate([np.nan], "van_genuchten", own)).all()


def test_polynomial_is_the_published_cubic_within_its_range() -> None:
    """The cubic of Topp, Davis & Annan (1980) written as a curve of one's own gives its figures, and none beyond."""
    own = {"c0": -5.3e-2, "c1": 2.92e-2, "c2": -5.5e-4, "c3": 4.3e-6, "reading_low": 3.0, "reading_high": 40.0}
    found = calibrate([3, 5, 10, 15, 20, 25, 30, 40, 50, 2], "polynomial", own)
    published = [0.0298, 0.0798, 0.1883, 0.2758, 0.3454, 0.4004, 0.4441, 0.5102]  # computed from the printed equation
    assert found[:8] == pytest.approx(published, abs=5e-5)
    assert np.isnan(found[8:]).all()


def test_table_goes_straight_from_point_to_point_and_no_further() -> None:
    """Half-way between two points is half-way (algebra); beyond the first and the last there is no value."""
    points = ((0.4, 0.05), (1.0, 0.20), (1.4, 0.40))
    found = calibrate([0.4, 0.7, 1.2, 1.4, 0.39, 1.41], "table", points=points)
    assert found[:4] == pytest.approx([0.05, 0.125, 0.30, 0.40])
    assert np.isnan(found[4:]).all()


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ({}, "points: found nothing, expected 2 to 100 pairs"),
        ({"points": [[0.4, 0.05]]}, "points: found 1 of them"),
        ({"points": [[0.4, 0.05], [0.4, 0.3]]}, "found the reading 0.4 after 0.4, expected readings that increase"),
        ({"points": [[0.4, 0.05], [1.0]]}, "points: found [1.0], expected 2 to 100 pairs"),
        ({"points": [[0.4, 0.05], [1.0, True]]}, "points: found [1.0, True]"),
        ({"points": [[0.4, 0.05], [1.0, 0.2]], "slope": 1.0}, "slope: found 1.0, expected no parameter"),
    ],
)
def test_a_bad_table_is_named(written: dict[str, object], told: str) -> None:
    """A table with a fault says which pair it is in."""
    (fault,) = curve_faults("table", written)
    assert told in fault


def test_a_signal_must_say_what_it_becomes() -> None:
    """A voltage is heard, and of no use as it is; by a table it becomes water content, with the points as written."""
    text = 'title = "x"\nprotocol = "sdi12"\n[[channel]]\nname = "m"\nheard = "signal_voltage"\nposition = 1\n'
    with pytest.raises(ValueError, match=r"channel\[0\].quantity: found nothing, expected 'water_content'"):
        parse_probe(text, "x", file="x.toml")
    curve = 'calibration = { curve = "table", points = [[0.4, 0.05], [1, 0.3]], source = "rings" }\n'
    made = f'quantity = "water_content"\ndepth_mm = 50\n{curve}'
    (channel,) = parse_probe(text + made, "x", file="x.toml").channels
    assert channel.calibration.points == ((0.4, 0.05), (1.0, 0.3))


def test_porosity_of_ones_own_is_the_room_there_is() -> None:
    """A peat of 0.95 holds no more than that; what a loam keeps when drained and dry stays where there is room."""
    loam = medium("loam")
    peat = with_porosity(loam, 0.95)
    assert peat.fullest == 0.95 and (peat.drained, peat.wilting) == (loam.drained, loam.wilting)
    tight = with_porosity(loam, 0.22)
    assert tight.fullest == 0.22 and tight.drained == (0.20, 0.22)
    assert with_porosity(loam, None) is loam
