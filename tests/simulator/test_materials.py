"""Materials hold what their trade says they hold, and nonsense is refused by name."""

from dataclasses import replace

import numpy as np
import pytest

from simulator import kernels
from simulator.materials import MATERIALS, Material, table


def content(entry: Material, head_m: float) -> float:
    return float(kernels.hydraulics(table((entry,))[0], head_m)[0])


# working ranges, common practice, no source: full, at -10 kPa (1.02 m), at -1500 kPa (153 m), conductivity mm/h
RANGES = {
    "thatch_raw": ((0.75, 0.88), (0.15, 0.35), (0.05, 0.12), (200.0, 2000.0)),
    "thatch_decayed": ((0.65, 0.80), (0.35, 0.55), (0.12, 0.22), (20.0, 300.0)),
    "mat_sanded": ((0.45, 0.58), (0.25, 0.40), (0.06, 0.12), (50.0, 400.0)),
    "sand_root_zone": ((0.35, 0.45), (0.08, 0.15), (0.02, 0.05), (150.0, 1000.0)),
    "sandy_loam": ((0.40, 0.46), (0.18, 0.28), (0.06, 0.16), (10.0, 40.0)),
    "loam": ((0.42, 0.48), (0.20, 0.30), (0.07, 0.17), (5.0, 15.0)),
    "clay_loam": ((0.48, 0.52), (0.34, 0.40), (0.20, 0.24), (1.0, 10.0)),
    "clay_loam_rolled": ((0.36, 0.40), (0.30, 0.36), (0.18, 0.24), (0.1, 2.0)),
    "clay_loam_hard": ((0.25, 0.30), (0.22, 0.28), (0.16, 0.22), (0.1, 0.5)),
}


@pytest.mark.parametrize("name", sorted(RANGES))
def test_turf_materials_lie_in_their_working_ranges(name):
    """Each turf material is inside the range of its kind when full, drained and wilted, and in conductivity."""
    full, drained, wilted, conductivity = RANGES[name]
    entry = MATERIALS[name]
    for head_m, (low, high) in ((0.0, full), (-1.02, drained), (-153.0, wilted)):
        assert low <= content(entry, head_m) <= high
    assert conductivity[0] <= entry.k_s_m_s * 3.6e6 <= conductivity[1]


@pytest.mark.parametrize(
    ("name", "drained", "wilted"),
    [
        ("thatch_raw", 0.25, 0.08),
        ("thatch_decayed", 0.45, 0.16),
        ("mat_sanded", 0.30, 0.08),
        ("sandy_loam", 0.22, 0.08),
        ("loam", 0.29, 0.11),
        ("clay_loam", 0.38, 0.21),
        ("clay_loam_rolled", 0.33, 0.21),
        ("clay_loam_hard", 0.25, 0.18),
    ],
)
def test_fits_pass_through_their_points(name, drained, wilted):
    """Each curve passes through the two contents it was fitted to by another solver; rounding of alpha and n."""
    found = [content(MATERIALS[name], head_m) for head_m in (-1.02, -153.0)]
    assert found == pytest.approx([drained, wilted], abs=0.005)


def test_sand_root_zone_holds_its_water_at_thirty_centimetres():
    """At 0.30 m suction the sand holds 15-25 % (specification of sand root zones)."""
    assert 0.15 <= content(MATERIALS["sand_root_zone"], -0.30) <= 0.25


@pytest.mark.parametrize(
    ("theta_r", "theta_s", "alpha_cm", "n", "contents"),
    [
        # Carsel & Parrish 1988, Water Resour. Res. 24(5), 755-769; contents at these suctions computed independently
        (0.045, 0.43, 0.145, 2.68, (0.2143, 0.0772, 0.0551, 0.0493, 0.0456, 0.0450)),
        (0.065, 0.41, 0.075, 1.89, (0.3431, 0.2179, 0.1531, 0.1218, 0.0848, 0.0657)),
        (0.078, 0.43, 0.036, 1.56, (0.4074, 0.3464, 0.2861, 0.2421, 0.1654, 0.0884)),
        (0.067, 0.45, 0.020, 1.41, (0.4392, 0.4083, 0.3679, 0.3297, 0.2402, 0.1039)),
    ],
)
def test_retention_curve_matches_the_class_means(theta_r, theta_s, alpha_cm, n, contents):
    """The van Genuchten curve gives the contents worked out elsewhere for four classes; all digits printed there."""
    entry = Material("class", "van_genuchten", theta_r, theta_s, 100.0 * alpha_cm, 1e-6, n=n)
    found = [content(entry, -0.01 * suction) for suction in (10, 30, 60, 100, 330, 15000)]
    assert found == pytest.approx(contents, abs=6e-5)


@pytest.mark.parametrize(
    ("alpha_cm", "n", "relative"),
    [(0.145, 2.68, 2.473e-8), (0.075, 1.89, 4.290e-5), (0.036, 1.56, 1.359e-3), (0.020, 1.41, 6.515e-3)],
)
def test_relative_conductivity_at_one_metre(alpha_cm, n, relative):
    """Mualem's conductivity at 100 cm suction over that at saturation, computed independently; four digits printed."""
    entry = Material("class", "van_genuchten", 0.05, 0.42, 100.0 * alpha_cm, 1.0, n=n)
    assert kernels.hydraulics(table((entry,))[0], -1.0)[2] == pytest.approx(relative, rel=5e-3)


@pytest.mark.parametrize("name", sorted(MATERIALS))
def test_slopes_are_those_of_the_curves(name):
    """Capacity and slope of conductivity agree with small differences of the curves themselves (algebra)."""
    row = table((MATERIALS[name],))[0]
    for head_m in (-0.1, -0.5, -3.0, -50.0):
        step = 1e-6 * -head_m
        above, below = kernels.hydraulics(row, head_m + step), kernels.hydraulics(row, head_m - step)
        _, capacity, k, slope = kernels.hydraulics(row, head_m)
        assert capacity == pytest.approx((above[0] - below[0]) / (2 * step), rel=1e-4)
        assert slope == pytest.approx((above[2] - below[2]) / (2 * step), rel=1e-4, abs=1e-9 * k)


def test_dry_sand_keeps_its_digits():
    """Conductivity of very dry sand falls by the power law of its own parameters: no cancellation to zero or noise."""
    row = table((MATERIALS["sand_coarse"],))[0]
    heads = -np.array([100.0, 200.0])
    k = [kernels.hydraulics(row, float(head))[2] for head in heads]
    n = 2.68
    # algebra: Se ~ h^(1-n) and 1-(1-Se^(1/m))^m ~ m h^-n, so K ~ h^(0.5(1-n) - 2n)
    assert np.log2(k[1] / k[0]) == pytest.approx(0.5 * (1.0 - n) - 2.0 * n, abs=1e-3)


def test_material_without_air_entry_below_one_point_two_is_refused():
    """A fine soil with n below 1.2 and no air entry is refused with the name of what is missing."""
    with pytest.raises(ValueError, match=r"clay_loam: air_entry_m: found 0\.0 with n 1\.19"):
        table((replace(MATERIALS["clay_loam"], air_entry_m=0.0),))


def test_contents_out_of_order_are_refused():
    """Residual above saturated content is refused with both numbers."""
    with pytest.raises(ValueError, match=r"loam: theta_r, theta_s: found 0\.5, 0\.45"):
        table((replace(MATERIALS["loam"], theta_r=0.5),))
