"""The passes thought of on a kind of surface where the settings name none, with the usual variant and depth of each.

Common practice for squares, outfields, greens, pitches and lawns, by kind of grass; depths lie within those of
passes.toml. What is never done on a surface is left out. A start for a club that has written down nothing: its own list
stands in place of this one, and whether a pass may be made is not said here.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from pipeline.advice.pass_facts import GRASSES, SURFACES

Usual = tuple[str, str, float]  # kind, variant, depth of the cut below the leaf base [m]

_BRUSH: Usual = ("light_raking", "standard", 0.0)
_LIGHT_DRESSING: Usual = ("topdressing", "light", 0.0)
_HEAVY_DRESSING: Usual = ("topdressing", "heavy", 0.0)
_SLIT: Usual = ("slitting", "standard", 0.100)
_CORE: Usual = ("hollow_coring", "13mm", 0.080)
_VERTICUT: Usual = ("verticutting", "standard", 0.0015)

# Depths: verticutting 1.5 mm is typical and a square is scarified 8 to 13 mm and tined to 100 or 125 mm, greens,
# outfields and lawns 5 to 10 mm for a season's thatch (trade press, the Northern Cricket Union's notes of 2010, the
# Grounds Management Association); the rest common practice, no source.
_COOL: Mapping[str, tuple[Usual, ...]] = {
    "square": (
        _BRUSH, _VERTICUT, ("scarifying", "standard", 0.010), ("heavy_dethatching", "standard", 0.020),
        ("solid_tining", "12mm", 0.100), _HEAVY_DRESSING, ("overseeding", "rye", 0.004),
    ),
    "outfield": (
        _BRUSH, ("scarifying", "standard", 0.008), ("solid_tining", "12mm", 0.100), _CORE, _SLIT,
        ("overseeding", "rye", 0.004),
    ),
    "green": (
        _BRUSH, _VERTICUT, ("scarifying", "standard", 0.006), ("hollow_coring", "13mm", 0.075),
        ("solid_tining", "needle", 0.100), _SLIT, _LIGHT_DRESSING, _HEAVY_DRESSING,
        ("overseeding", "bent_fescue", 0.003),
    ),
    "pitch": (
        _BRUSH, ("scarifying", "standard", 0.008), _CORE, ("solid_tining", "12mm", 0.150), _SLIT, _HEAVY_DRESSING,
        ("overseeding", "rye", 0.005),
    ),
    "lawn": (
        _BRUSH, ("scarifying", "standard", 0.008), ("hollow_coring", "13mm", 0.075), ("solid_tining", "12mm", 0.075),
        _LIGHT_DRESSING, ("overseeding", "rye", 0.004),
    ),
}  # fmt: skip


def _for_warm(passes: tuple[Usual, ...]) -> tuple[Usual, ...]:
    return tuple(("overseeding", "warm", depth) if kind == "overseeding" else (kind, variant, depth)
                 for kind, variant, depth in passes)  # fmt: skip


_USUAL: Mapping[tuple[str, str], tuple[Usual, ...]] = MappingProxyType(
    {(kind, "cool"): passes for kind, passes in _COOL.items()}
    | {(kind, "warm"): _for_warm(passes) for kind, passes in _COOL.items()}
)


def usual_passes(surface_kind: str, grass: str) -> tuple[Usual, ...]:
    """The passes thought of on a surface.

    Parameters
    ----------
    surface_kind : str
        One of `SURFACES`.
    grass : str
        "cool" or "warm".

    Returns
    -------
    tuple of (str, str, float)
        Kind and variant as in passes.toml, and depth of the cut. [m]

    Raises
    ------
    ValueError
        There is no such kind of surface or of grass.
    """
    if surface_kind not in SURFACES:
        raise ValueError(f"surface: found {surface_kind!r}, expected one of {', '.join(SURFACES)}")
    if grass not in GRASSES:
        raise ValueError(f"grass: found {grass!r}, expected one of {', '.join(GRASSES)}")
    return _USUAL[surface_kind, grass]
