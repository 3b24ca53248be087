"""What the ground is made of: hydraulic and thermal parameters of thatch, mat, sand and soils, each with its origin.

The parameters, and their packing into the table that the kernels read. Heads are in metres of water, negative when
unsaturated.

Origin of the turf materials. No retention or conductivity set measured on turf thatch could be found in print. The
seven groups below are OUR fits: residual content, saturated content and conductivity were chosen inside the working
ranges groundsmen's trade uses (common practice, no source), then alpha and n were solved so that the van Genuchten
curve passes through a chosen content at -10 kPa (1.02 m) and at -1500 kPa (153 m); both are given beside each entry.
A site with measured cores should replace them.
"""

from dataclasses import dataclass

import numpy as np

from simulator import kernels
from simulator.units import HOUR_S, FloatArray

WATER_COMPRESSIBILITY_PER_M = 1e-6  # specific storage of full ground [m-1]; keeps a full column solvable


@dataclass(frozen=True)
class Material:
    """One material of the column.

    `kind` names the hydraulic functions: "van_genuchten" (van Genuchten 1980, Soil Sci. Soc. Am. J. 44, 892-898, with
    Mualem 1976, Water Resour. Res. 12, 513-522), "haverkamp" and "haverkamp_log" (Haverkamp et al. 1977, Soil Sci.
    Soc. Am. J. 41, 285-294) or "exponential" (Gardner 1958, Soil Sci. 85, 228-232). `alpha` is 1/m for the first and
    the last kind, and the constant A of the conductivity of the Haverkamp kinds, whose a, b and g count heads in
    units of 1/`head_scale` metres. `air_entry_m` is the suction up to which the material stays full (Vogel, van
    Genuchten & Cislerova 2001, Adv. Water Resour. 24, 133-144; Ippisch, Vogel & Bastian 2006, same journal 29,
    1780-1789); below n = 1.2 the Mualem conductivity has no usable slope at saturation without it.
    """

    name: str
    kind: str
    theta_r: float  # [m3 m-3]
    theta_s: float  # [m3 m-3]
    alpha: float
    k_s_m_s: float
    n: float = 2.0
    l: float = 0.5  # noqa: E741 - the symbol of the textbook
    air_entry_m: float = 0.0
    a: float = 0.0
    b: float = 0.0
    g: float = 0.0
    head_scale: float = 1.0
    bulk_density_kg_m3: float = 1400.0
    organic_share: float = 0.02  # of the solids, by mass
    heat_conductivity_dry_w_m_k: float = 0.25
    heat_conductivity_wet_w_m_k: float = 1.5
    origin: str = ""


KINDS = {
    "van_genuchten": kernels.VAN_GENUCHTEN,
    "haverkamp": kernels.HAVERKAMP,
    "haverkamp_log": kernels.HAVERKAMP_LOG,
    "exponential": kernels.EXPONENTIAL,
}


def _turf(
    name: str, theta_r: float, theta_s: float, alpha: float, n: float, k_s_mm_h: float, **more: object
) -> Material:
    return Material(
        name=name,
        kind="van_genuchten",
        theta_r=theta_r,
        theta_s=theta_s,
        alpha=alpha,
        n=n,
        k_s_m_s=k_s_mm_h / 1000.0 / HOUR_S,
        **({"air_entry_m": 0.005} | more),  # type: ignore[arg-type]
    )


# Heat: dry and wet conductivities of peat-like and mineral ground after de Vries 1963 (in van Wijk, Physics of Plant
# Environment), from memory, rounded.
_ORGANIC = {"heat_conductivity_dry_w_m_k": 0.06, "heat_conductivity_wet_w_m_k": 0.50}
_MIXED = {"heat_conductivity_dry_w_m_k": 0.15, "heat_conductivity_wet_w_m_k": 0.90}
_FITTED = "fitted by us; working ranges are common practice, no source"

MATERIALS: dict[str, Material] = {
    material.name: material
    for material in (
        # 0.25 at -10 kPa, 0.08 at -1500 kPa; 600 mm/h of a range 200-2000
        _turf("thatch_raw", 0.05, 0.82, 34.2, 1.379, 600.0, bulk_density_kg_m3=150.0, organic_share=0.85,
              origin=_FITTED, **_ORGANIC),
        # 0.45 at -10 kPa, 0.16 at -1500 kPa; 60 mm/h of 20-300
        _turf("thatch_decayed", 0.08, 0.74, 5.92, 1.310, 60.0, bulk_density_kg_m3=400.0, organic_share=0.45,
              origin=_FITTED, **_ORGANIC),
        # 0.30 at -10 kPa, 0.08 at -1500 kPa; 150 mm/h of 50-400
        _turf("mat_sanded", 0.04, 0.52, 4.53, 1.380, 150.0, bulk_density_kg_m3=1050.0, organic_share=0.06,
              origin=_FITTED, **_MIXED),
        # 0.20 at 0.30 m, 0.11 at -10 kPa, 0.032 at -1500 kPa; 250 mm/h, at least 150 is the usual specification
        _turf("sand_root_zone", 0.03, 0.40, 9.0, 1.70, 250.0, bulk_density_kg_m3=1500.0, organic_share=0.01,
              heat_conductivity_dry_w_m_k=0.30, heat_conductivity_wet_w_m_k=2.0, origin=_FITTED),
        # 0.22 at -10 kPa, 0.08 at -1500 kPa; 25 mm/h of 10-40
        _turf("sandy_loam", 0.05, 0.43, 9.53, 1.3485, 25.0, bulk_density_kg_m3=1400.0, origin=_FITTED),
        # 0.29 at -10 kPa, 0.11 at -1500 kPa; 10 mm/h of 5-15
        _turf("loam", 0.07, 0.45, 4.31, 1.347, 10.0, bulk_density_kg_m3=1350.0, origin=_FITTED),
        # unrolled: 0.38 at -10 kPa, 0.21 at -1500 kPa; 5 mm/h of 1-10 (the mass; cracks are the column's bypass)
        _turf("clay_loam", 0.10, 0.50, 6.30, 1.190, 5.0, air_entry_m=0.02, bulk_density_kg_m3=1200.0, origin=_FITTED),
        # a rolled club pitch: 0.33 at -10 kPa, 0.21 at -1500 kPa; 1 mm/h of 0.1-2
        _turf("clay_loam_rolled", 0.10, 0.385, 3.46, 1.153, 1.0, air_entry_m=0.02, bulk_density_kg_m3=1550.0,
              origin=_FITTED),
        # rolled hard for first-class play: 0.25 at -10 kPa, 0.18 at -1500 kPa; 0.3 mm/h, under 0.5
        _turf("clay_loam_hard", 0.08, 0.28, 3.77, 1.110, 0.3, air_entry_m=0.02, bulk_density_kg_m3=1850.0,
              origin=_FITTED),
        # Carsel & Parrish 1988, Water Resour. Res. 24(5), 755-769, class mean of sand: a coarse average
        _turf("sand_coarse", 0.045, 0.43, 14.5, 2.68, 297.0, bulk_density_kg_m3=1500.0, organic_share=0.0,
              heat_conductivity_dry_w_m_k=0.30, heat_conductivity_wet_w_m_k=2.0,
              origin="Carsel & Parrish 1988, sand"),
    )
}  # fmt: skip


def table(materials: tuple[Material, ...]) -> FloatArray:
    """Pack materials into the table of the kernels.

    Returns
    -------
    ndarray, shape (material, kernels.MATERIAL_COLUMNS)

    Raises
    ------
    ValueError
        Where a parameter has no physical meaning, naming the material and the parameter.
    """
    rows = np.zeros((len(materials), kernels.MATERIAL_COLUMNS))
    for row, entry in zip(rows, materials, strict=True):
        _check(entry)
        row[kernels.KIND] = KINDS[entry.kind]
        row[kernels.THETA_R], row[kernels.THETA_S] = entry.theta_r, entry.theta_s
        row[kernels.ALPHA], row[kernels.K_S], row[kernels.L] = entry.alpha, entry.k_s_m_s, entry.l
        row[kernels.N], row[kernels.M] = entry.n, 1.0 - 1.0 / entry.n
        row[kernels.H_AIR] = -entry.air_entry_m
        row[kernels.SE_AIR], row[kernels.T_AIR] = 1.0, 1.0
        if entry.kind == "van_genuchten" and entry.air_entry_m > 0.0:
            xn = (entry.alpha * entry.air_entry_m) ** entry.n
            row[kernels.SE_AIR] = (1.0 + xn) ** -row[kernels.M]
            row[kernels.T_AIR] = 1.0 - (xn / (1.0 + xn)) ** row[kernels.M]
        row[kernels.STORAGE] = WATER_COMPRESSIBILITY_PER_M
        row[kernels.A_PAR], row[kernels.B_PAR], row[kernels.G_PAR] = entry.a, entry.b, entry.g
        row[kernels.SCALE] = entry.head_scale
    return rows


def _check(entry: Material) -> None:
    faults = []
    if entry.kind not in KINDS:
        faults.append(f"kind: found {entry.kind!r}, expected one of {', '.join(KINDS)}")
    if not 0.0 <= entry.theta_r < entry.theta_s <= 1.0:
        faults.append(f"theta_r, theta_s: found {entry.theta_r}, {entry.theta_s}, expected 0 <= theta_r < theta_s <= 1")
    if not entry.k_s_m_s > 0.0:
        faults.append(f"k_s_m_s: found {entry.k_s_m_s}, expected above 0")
    if not entry.alpha > 0.0:
        faults.append(f"alpha: found {entry.alpha}, expected above 0")
    if entry.kind == "van_genuchten":
        if not entry.n > 1.0:
            faults.append(f"n: found {entry.n}, expected above 1")
        elif entry.n < 1.2 and not entry.air_entry_m > 0.0:
            faults.append(f"air_entry_m: found {entry.air_entry_m} with n {entry.n}, expected above 0 where n < 1.2")
    if faults:
        raise ValueError(f"material {entry.name}: " + "; ".join(faults))
