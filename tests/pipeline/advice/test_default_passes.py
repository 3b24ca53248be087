"""The usual passes of a surface, against the trade's table and the data file of passes."""

import pytest

from pipeline.advice.treatments import SURFACES, default_passes, load_treatments

FACTS = load_treatments().facts
GRASS_SEASONS = ("cool", "warm")
EVERY = [(kind, grass) for kind in SURFACES for grass in GRASS_SEASONS]
TINES_OF = {"square": (100, 125)}  # Grounds Management Association: a square is tined to about 100-125 mm


@pytest.mark.parametrize(("kind", "grass"), EVERY)
def test_default_passes_are_passes_of_the_table(kind, grass):
    """Each names a variant of a pass that this grass can have, to a depth within its usual range."""
    passes = default_passes(kind, grass)
    assert len(set(passes)) == len(passes) >= 6
    for name, variant, depth_m in passes:
        facts = FACTS[name]
        assert grass in facts.grass[variant]
        assert facts.depth_mm[0] <= depth_m * 1000.0 <= facts.depth_mm[1]


@pytest.mark.parametrize(("kind", "grass"), EVERY)
def test_every_surface_is_scarified_brushed_dressed_or_slit(kind, grass):
    """Thatch has its pass on every surface (trade table of passes, common practice)."""
    names = [name for name, _, _ in default_passes(kind, grass)]
    assert {"light_raking", "scarifying", "overseeding"} <= set(names)


def test_square_is_never_cored():
    """Hollow coring is marked as not to be used on cricket squares (Cranfield University's aeration guidelines)."""
    for grass in GRASS_SEASONS:
        assert "hollow_coring" not in [name for name, _, _ in default_passes("square", grass)]


def test_square_is_scarified_and_tined_as_deep_as_the_trade_does():
    """8-13 mm with the scarifier (Northern Cricket Union 2010), about 100-125 mm with the tine (GMA)."""
    depths = {name: depth_m * 1000.0 for name, _, depth_m in default_passes("square", "cool")}
    assert 8.0 <= depths["scarifying"] <= 13.0
    assert TINES_OF["square"][0] <= depths["solid_tining"] <= TINES_OF["square"][1]


def test_green_is_cut_shallower_than_the_turf_of_play():
    """Fine greens are scarified no deeper than outfields and pitches (common practice, no source)."""
    depths = {k: {n: d for n, _, d in default_passes(k, "cool")}["scarifying"] for k in ("green", "outfield", "pitch")}
    assert depths["green"] <= min(depths["outfield"], depths["pitch"])


def test_warm_grass_is_sown_with_its_own_seed():
    """Warm-season turf is overseeded with warm seed, cool turf is not."""
    for kind in SURFACES:
        seeds = {grass: [v for n, v, _ in default_passes(kind, grass) if n == "overseeding"] for grass in GRASS_SEASONS}
        assert seeds["warm"] == ["warm"] and "warm" not in seeds["cool"]
