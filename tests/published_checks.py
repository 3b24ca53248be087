"""The check values of every sum in one list: what it should give by whom, and what ours gives now.

`tests/make_checks_page.py` writes them out as a page and `tests/test_checks_page.py` holds it current. A mark says
what a figure is worth: `printed` (in the source, or in public code that quotes it), `computed` (by a program that is
not ours), `memory` (from the source, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from hardware import sdi12_frame
from pipeline.soil import change as trend
from pipeline.soil import climate, roots, strength
from pipeline.soil import radiation as sun
from pipeline.soil.calibration import CURVES, cone_base_area
from simulator import kernels
from simulator.materials import Material, table


class Value(NamedTuple):
    """One figure. `printed` is text, as it was printed; ours may differ by `tolerance`."""

    what: str
    printed: str
    ours: float
    tolerance: float
    mark: str


class Sum(NamedTuple):
    """Figures of one sum."""

    title: str
    source: str
    values: tuple[Value, ...]


def _row(names, printed: str, ours, mark: str, tolerance: float | None = None) -> tuple[Value, ...]:
    """Values of a table's row; each may differ by half its last printed digit, or as said."""
    texts = printed.split()
    found = np.atleast_1d(np.asarray(ours, dtype=float))
    assert len(texts) == len(found) == len(list(names)), (texts, found)
    return tuple(
        Value(str(name), text, float(value), _half_a_digit(text) if tolerance is None else tolerance, mark)
        for name, text, value in zip(names, texts, found, strict=True)
    )


def _half_a_digit(text: str) -> float:
    mantissa, _, exponent = text.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    return 0.5001 * 10.0 ** (int(exponent or 0) - decimals)


PERMITTIVITY = [3.0, 5.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0]


def _curve(title: str, source: str, printed: str, ours) -> Sum:
    return Sum(title, source, _row([f"permittivity {e:g}" for e in PERMITTIVITY], printed, ours, "computed"))


def water_content() -> Iterator[Sum]:
    """Permittivity to water content, beyond the calibrated ranges too: the bare equations. [m3 m-3]"""
    e = np.array(PERMITTIVITY)
    yield Sum(
        "Topp, mineral soil",
        "Topp, Davis & Annan 1980, Water Resour. Res. 16(3), 574-582",
        _row([f"permittivity {v:g}" for v in (3, 5, 10, 15, 20, 25, 30, 40, 50, 60, 80)],
             "0.0298 0.0798 0.1883 0.2758 0.3454 0.4004 0.4441 0.5102 0.5695 0.6478 0.9646",
             CURVES["topp_1980"].formula([3, 5, 10, 15, 20, 25, 30, 40, 50, 60, 80]), "computed")
        + _row([f"by our guarded curve, {v:g}" for v in (10, 30)], "0.1883 0.4441",
               CURVES["topp_1980"].guarded([10, 30]), "computed"),
    )  # fmt: skip
    formula = {name: curve.formula for name, curve in CURVES.items()}
    yield _curve("Roth, organic", "Roth, Malicki & Plagge 1992, J. Soil Sci. 43, 1-13, table 3c",
                 "0.0584 0.1088 0.2216 0.3986 0.5259 0.6217 0.7042 0.7917", formula["roth_organic"](e))  # fmt: skip
    yield _curve("Kellner & Lundin, pooled", "Kellner & Lundin 2001, Nordic Hydrol. 32(4-5), 315-332, table 2",
                 "0.1301 0.1866 0.3136 0.5138 0.6552 0.7534 0.8240 0.8826", formula["kellner_lundin"](e))  # fmt: skip
    yield _curve("Nagare", "Nagare et al. 2011, Eur. J. Soil Sci. 62, 505-515, table 4",
                 "0.0730 0.1300 0.2579 0.4591 0.6009 0.6995 0.7711 0.8319", formula["nagare"](e))  # fmt: skip
    yield _curve("Myllys & Simojoki, pooled", "Myllys & Simojoki 1996, table 2",
                 "0.0447 0.1159 0.2692 0.4848 0.6069 0.6689 0.7042 0.7461", formula["myllys_simojoki"](e))  # fmt: skip
    yield _curve("Schaap, forest floor", "Schaap et al., eq. 2b as given by Vaz et al. 2013",
                 "0.1121 0.1881 0.3186 0.4921 0.6198 0.7249 0.8158 0.8968", formula["schaap"](e))  # fmt: skip
    for density, printed in (
        (0.1, "0.1228 0.1919 0.3190 0.4987 0.6366 0.7529 0.8553 0.9479"),
        (0.3, "0.1128 0.1797 0.3028 0.4769 0.6105 0.7231 0.8223 0.9120"),
        (1.5, "0.0339 0.0903 0.1939 0.3404 0.4528 0.5476 0.6311 0.7066"),
    ):
        yield _curve(f"Malicki, bulk density {density} g/cm3",
                     "Malicki, Plagge & Roth 1996, Eur. J. Soil Sci. 47, 357-366, eq. 10",
                     printed, formula["malicki_bulk_density"](e, density))  # fmt: skip
    for porosity, solid, printed in (
        (0.45, 5.0, "0.0066 0.0700 0.1866 0.3515 0.4780 0.5847 0.6786 0.7636"),
        (0.90, 4.0, "0.0796 0.1430 0.2596 0.4245 0.5510 0.6577 0.7516 0.8366"),
    ):
        ours = formula["crim"](e, porosity, solid_permittivity=solid, water_permittivity=80.0)
        yield _curve(f"Refractive mixing, porosity {porosity}, solids {solid:g}, water 80",
                     "Roth et al. 1990, Water Resour. Res. 26, 2267 (from memory)", printed, ours)  # fmt: skip


def reference_evapotranspiration() -> Iterator[Sum]:
    """Worked examples of FAO-56, the hour by the standardised equation. [mm]"""
    fao = "Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56"
    ea = climate.saturation_vapour_pressure_kpa(38.0) * 0.52
    hour = climate.reference_et_hourly_mm(38.0, ea, 2.450 / 0.0036, 3.3, 2.450 / 2.6581, elevation_m=8.0)
    yield Sum(
        "Example 19, N'Diaye, 1 October, by the hourly short reference",
        "ASCE-EWRI 2005, as the library refet has it; inputs of FAO-56, which by its own constant prints 0.63",
        _row(["14 to 15 h, mm"], "0.656", hour, "computed", 1e-3),
    )
    above = sun.extraterrestrial_radiation_daily(45 + 43 / 60, 196)
    yield Sum(
        "Example 20, Lyon in July, temperature only",
        fao,
        _row(["by Hargreaves, mm a day"], "5.0", climate.hargreaves_et_daily_mm(26.6, 14.8, above), "memory"),
    )
    yield Sum(
        "Single steps",
        f"{fao}, examples 2, 3 and 8",
        _row(["air pressure at 1800 m, kPa"], "81.8", climate.air_pressure_kpa(1800.0), "printed")
        + _row(["psychrometric constant there, kPa/degC"], "0.054", climate.psychrometric_constant_kpa_degc(81.8),
               "printed")
        + _row(["saturation at 24.5 degC, kPa", "at 15 degC"], "3.075 1.705",
               climate.saturation_vapour_pressure_kpa([24.5, 15.0]), "printed")
        + _row(["radiation above the air, 3 September, 20 deg south, MJ/m2"], "32.2",
               sun.extraterrestrial_radiation_daily(-20.0, 246), "printed"),
    )  # fmt: skip


def hydraulic_functions() -> Iterator[Sum]:
    """The simulator's retention and conductivity."""
    source = (
        "van Genuchten 1980, SSSAJ 44, 892-898; parameters Carsel & Parrish 1988, Water Resour. Res. 24(5), 755-769"
    )
    suctions = (10, 30, 60, 100, 330, 15000)
    for name, parameters, printed, conductivity in (
        ("sand", (0.045, 0.43, 14.5, 2.68), "0.2143 0.0772 0.0551 0.0493 0.0456 0.0450", "2.473e-8"),
        ("loamy sand", (0.057, 0.41, 12.4, 2.28), "0.2620 0.1209 0.0839 0.0710 0.0601 0.0570", "6.459e-7"),
        ("sandy loam", (0.065, 0.41, 7.5, 1.89), "0.3431 0.2179 0.1531 0.1218 0.0848 0.0657", "4.290e-5"),
        ("loam", (0.078, 0.43, 3.6, 1.56), "0.4074 0.3464 0.2861 0.2421 0.1654 0.0884", "1.359e-3"),
        ("silt loam", (0.067, 0.45, 2.0, 1.41), "0.4392 0.4083 0.3679 0.3297 0.2402 0.1039", "6.515e-3"),
    ):
        low, full, alpha, n = parameters
        row = table((Material(name, "van_genuchten", low, full, alpha, 1.0, n=n),))[0]
        content = [kernels.hydraulics(row, -suction / 100.0)[0] for suction in suctions]
        k = kernels.hydraulics(row, -1.0)[2]
        yield Sum(
            f"van Genuchten, {name}",
            source,
            _row([f"water content at {s} cm" for s in suctions], printed, content, "computed", 0.6e-4)
            + _row(["conductivity at 100 cm over saturated"], conductivity, k, "computed",
                   0.002 * float(conductivity)),
        )  # fmt: skip


def peat() -> Iterator[Sum]:
    """The same functions with parameters of peat, where the conductivity's exponent is not one half."""
    staring = "Heinen, Bakker & Wosten 2020, Staring series 2018, Wageningen report 2978 (report from memory)"
    for name, source, parameters, printed, conductivity in (
        (
            "B16, sandy peat and peat of topsoils",
            staring,
            (0.01, 0.786, 2.11, 1.28, -1.221, 12.36),
            "0.7646 0.7144 0.6536 0.5963 0.4529 0.1648",
            "0.0821",
        ),
        (
            "O17, peat of rich fens",
            staring,
            (0.01, 0.849, 1.19, 1.27, -1.249, 3.40),
            "0.8375 0.8074 0.7641 0.7163 0.5703 0.2169",
            "0.0584",
        ),
        (
            "organic class of the European database",
            "Wosten et al. 1999, Geoderma 90, 169-185 (from memory)",
            (0.01, 0.766, 1.30, 1.2039, 0.400, 8.0),
            "0.7555 0.7311 0.6982 0.6631 0.5568 0.2679",
            "0.0592",
        ),
    ):
        low, full, alpha, n, exponent, saturated_cm_d = parameters
        row = table((Material(name, "van_genuchten", low, full, alpha, saturated_cm_d, n=n, l=exponent),))[0]
        suctions = (10, 30, 60, 100, 330, 15000)
        content = [kernels.hydraulics(row, -suction / 100.0)[0] for suction in suctions]
        yield Sum(
            f"Peat, {name}",
            source,
            _row([f"water content at {s} cm" for s in suctions], printed, content, "computed", 0.6e-4)
            + _row(["conductivity at 100 cm, cm/d"], conductivity, kernels.hydraulics(row, -1.0)[2], "computed", 1e-4),
        )  # fmt: skip


def grass_and_ground() -> Iterator[Sum]:
    """Growth potential, cone index, trends, depth of a share of roots."""
    temperatures = [0, 5, 10, 12, 15, 18, 20, 25, 28, 30, 31]
    source = "Gelernter & Stowell 2005, Golf Course Management 73(3), 108-113, constants as restated"
    for kind, printed, ours in (
        ("cool", "0.0013 0.0243 0.1915 0.3472 0.6615 0.9360 1.0000 0.6615 0.3472 0.1915 0.1353",
         climate.growth_potential(temperatures, "cool")),
        ("warm", "0.0001 0.0010 0.0111 0.0251 0.0734 0.1783 0.2909 0.6926 0.9123 0.9898 1.0000",
         climate.growth_potential(temperatures, "warm")),
    ):  # fmt: skip
        yield Sum(f"Growth potential, {kind} season, as first published", source,
                  _row([f"{t} degC" for t in temperatures], printed, ours, "computed"))  # fmt: skip
    yield Sum(
        "Cone index",
        "ASAE S313.3 and EP542, as given by USDA Forest Service 0524-2837-MTDC (Kees 2005)",
        _row(["100 N on the soft cone, 322.70 mm2, kPa", "on the hard cone, 129.28 mm2"], "309.9 773.5",
             [float(cone_base_area(100.0, base_mm2)) for base_mm2 in (322.70, 129.28)], "computed"),
    )  # fmt: skip
    warmth = np.linspace(20.0, 30.0, 10001)
    gap = climate.growth_potential(warmth, "cool") - climate.growth_potential(warmth, "warm")
    yield Sum("Where cool and warm season are alike", source,
              _row(["degC"], "24.84", warmth[np.argmin(np.abs(gap))], "computed"))  # fmt: skip
    depth = np.array([0.0, 0.10, 0.20, 0.30])
    yield Sum(
        "Depth to 2 MPa",
        "straight lines between readings (algebra)",
        _row(["500, 1500, 2500, 2600 kPa each 100 mm: m"], "0.15",
             strength.depth_to_limit_m(depth, [500.0, 1500.0, 2500.0, 2600.0]), "computed"),
    )  # fmt: skip
    bounds = np.linspace(0.0, 2.0, 2001)
    drawn = -np.diff(0.943 ** (100.0 * bounds))
    yield Sum(
        "Depth of a share of roots, 1 - 0.943^d",
        "Gale & Grigal 1987; Jackson et al. 1996, Oecologia 108, 389-411 (exponent from memory)",
        _row(["half of the roots, m", "95 % of them, m"], "0.118 0.510",
             [float(roots.smooth_depths_m([drawn], [bounds], share)[0]) for share in (0.5, 0.95)], "computed", 0.0015),
    )  # fmt: skip


def trends() -> Iterator[Sum]:
    """Mann-Kendall and Sen."""
    source = "Mann 1945, Kendall 1975, Sen 1968 (JASA 63, 1379-1389), by pymannkendall; variances by hand"
    for name, series, printed in (
        ("ten values", [4.5, 4.7, 5.1, 4.9, 5.6, 5.9, 6.3, 6.1, 6.8, 7.2], "41 125 3.577709 0.000346619 0.3 4.4"),
        ("with ties", [8, 8, 9, 7, 10, 10, 10, 12], "18 60.6667 2.182599 0.0290654 0.5 7.75"),
        ("thatch, mm", [11.2, 12.0, 11.5, 12.6, 13.1, 12.9, 14.0, 14.4],
         "24 65.3333 2.845512 0.00443401 0.453571 11.1625"),
    ):  # fmt: skip
        test, line = trend.mann_kendall(series), trend.sen_line(np.arange(len(series)), series)
        ours = [test.s, test.variance, test.z, test.p, line.slope, line.intercept]
        names = ["S", "variance", "Z", "p", "slope a step", "intercept"]
        yield Sum(f"Trend, {name}", source, _row(names, printed, ours, "computed"))
    line = trend.sen_line(np.arange(8), [11.2, 12.0, 11.5, 12.6, 13.1, 12.9, 14.0, 14.4])
    yield Sum("Trend, thatch, 95 % interval of the slope", "Sen 1968, by scipy's theilslopes",
              _row(["low", "high"], "0.300 0.625", [line.low, line.high], "computed"))  # fmt: skip


def lines_and_checks() -> Iterator[Sum]:
    """Checks of the serial protocol. The figures are whole numbers, shown as such."""
    answers = {
        "0+3.14": ("FC5A", "OqZ"), "0+3.14+2.718+1.414": ("9C3A", "Ipz"),
        "0+1.11+2.22+3.33+4.44+5.55+6.66": ("9771", "I]q"), "0+7.77+8.88+9.99": ("9D97", "IvW"),
        "0+3.14+2.718": ("95CF", "IWO"), "0": ("1400", "AP@"),
    }  # fmt: skip
    values = []
    for text, (number, letters) in answers.items():
        assert sdi12_frame.crc_characters(text.encode()).decode() == letters, text
        found = float(sdi12_frame.crc16(text.encode()))
        values.append(Value(f"`{text}` sent with `{letters}`", str(int(number, 16)), found, 0.0, "printed"))
    found = float(sdi12_frame.crc16(b"123456789"))
    values.append(Value("`123456789`", str(0xBB3D), found, 0.0, "computed"))
    yield Sum("CRC of SDI-12", "SDI-12 specification 1.3, 4.4.12 and 4.4.8.1", tuple(values))


CHAPTERS = {
    "Permittivity to water content": water_content,
    "Reference evapotranspiration": reference_evapotranspiration,
    "Retention and conductivity (the simulator's)": hydraulic_functions,
    "Retention and conductivity of peat (the simulator's)": peat,
    "Grass, strength and roots": grass_and_ground,
    "Trends": trends,
    "Serial line": lines_and_checks,
}
