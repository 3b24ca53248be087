"""How surfaces are kept and what is known of days to come, as the settings say: read whole, every fault named.

Expected values are those written in the test; bounds that are not written are those of the table that is shipped.
"""

from pathlib import Path

import pytest

from pipeline.advice.treatments import load_treatments
from pipeline.diary.station import StationContext
from pipeline.service import load_settings as load
from pipeline.site.ground import YearSpan
from pipeline.site.passes import PlannedPass
from pipeline.site.settings import ConfigFault, SiteConfig
from pipeline.soil.layers import Place
from pipeline.stages.layers import limits_of

SITE = '[site]\nname = "home"\n'
SURFACE = '[[surface]]\nname = "square"\nkind = "square"\n'
TWELVE = ", ".join(["10"] * 12)
CLIMATE = (
    f"[climate]\nrain_mm = [{TWELVE}]\nwet_days = [{TWELVE}]\nhighest_degc = [{TWELVE}]\nlowest_degc = [{TWELVE}]\n"
)


def read(folder: Path, text: str) -> SiteConfig:
    path = folder / "underturf.toml"
    path.write_text(text, encoding="utf-8")
    return load(path)


def faults(folder: Path, text: str) -> list[str]:
    with pytest.raises(ConfigFault) as caught:
        read(folder, text)
    return caught.value.faults


def test_a_surface_that_says_nothing_is_kept_the_usual_way(tmp_path: Path) -> None:
    """No area, water to hand, no season, the passes and bounds of the table."""
    config = read(tmp_path, SITE + SURFACE)
    surface = config.surfaces[0]
    assert (surface.area_m2, surface.water_to_hand, surface.interval_days, surface.play) == (None, True, None, None)
    assert (surface.renovation_until, surface.fixture_words, surface.passes) == (None, (), ())
    assert config.bounds == {"square": {}}


def test_a_surface_says_how_it_is_kept(tmp_path: Path) -> None:
    """Every key arrives, lengths in metres."""
    text = (
        SURFACE + "area_m2 = 800\nwater_to_hand = false\n"
        'play_from = "04-20"\nplay_until = "09-14"\nrenovation_until = "11-15"\nwater_every_days = 4\n'
        'fixture_words = ["first eleven"]\n[[surface.pass]]\nkind = "scarifying"\ndepth_mm = 8\n'
    )
    care = read(tmp_path, SITE + text).surfaces[0]
    assert (care.area_m2, care.water_to_hand, care.interval_days) == (800.0, False, 4)
    assert care.play == YearSpan((4, 20), (9, 14)) and care.renovation_until == (11, 15)
    assert care.fixture_words == ("first eleven",)
    assert care.passes == (PlannedPass(kind="scarifying", variant="standard", depth_mm=8.0),)
    assert care.passes[0].depth_m == 0.008


def test_a_club_s_edge_stands_and_the_others_stay(tmp_path: Path) -> None:
    """The surface's over the site's, one edge at a time; what nobody wrote is the table's."""
    own = load_treatments().for_surface("square").rows[("scarifying", "standard", "thatch_wetness")].bounds
    bound = 'pass = "scarifying"\ncondition = "thatch_wetness"\n'
    text = SITE + f"[[bound]]\n{bound}open_hi = 0.6\n" + SURFACE + f"[[surface.bound]]\n{bound}open_hi = 0.65\n"
    found = read(tmp_path, text).bounds["square"][("scarifying", "standard", "thatch_wetness")]
    assert (found.open_lo, found.open_hi, found.closed_lo, found.closed_hi) == (
        own.open_lo,
        0.65,
        own.closed_lo,
        own.closed_hi,
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (SURFACE + 'play_from = "4-31"\n', "surface.square.play_from: found '4-31', expected month and day as '04-15'"),
        (
            SURFACE + 'renovation_until = "11-15"\n',
            "surface.square.play_until: found nothing, expected the end of play",
        ),
        (SURFACE + "fixture_words = 3\n", "surface.square.fixture_words: found 3, expected a list"),
        (
            SURFACE + '[[surface.pass]]\nkind = "scarify"\n',
            "surface.square.pass[0].kind: found 'scarify', expected one of",
        ),
        (
            SURFACE + '[[surface.bound]]\npass = "scarifying"\ncondition = "thatch_wet"\nopen_hi = 0.6\n',
            "surface.square.bound: override scarifying / every variant / thatch_wet: found no such row",
        ),
        (
            SURFACE + '[[surface.bound]]\npass = "scarifying"\ncondition = "thatch_wetness"\nopen_hi = 2.0\n',
            "found closed outside 0.15 to 1",
        ),
        ("[work]\nfrom_hour = 19\nuntil_hour = 7\n" + SURFACE, "work.until_hour: found 7, expected an hour after"),
        ("[climate]\nrain_mm = [1, 2]\n" + SURFACE, "climate.rain_mm: found [1, 2], expected twelve numbers"),
        (
            CLIMATE.replace(f"lowest_degc = [{TWELVE}]", f"lowest_degc = [{TWELVE.replace('10', '11')}]") + SURFACE,
            "climate: highest_degc: found a month below its lowest_degc",
        ),
    ],
)
def test_what_cannot_be_is_named(tmp_path: Path, text: str, said: str) -> None:
    """Key, what was found, what was expected."""
    assert any(said in line for line in faults(tmp_path, SITE + text)), faults(tmp_path, SITE + text)


def test_days_to_come_have_their_sources(tmp_path: Path) -> None:
    """A path is counted from the file, an address stays as it is; the climate arrives by its four rows."""
    text = '[forecast]\nsource = "ahead/forecast.csv"\n[fixtures]\nsource = "https://example.org/play.ics"\n'
    config = read(tmp_path, SITE + text + CLIMATE + "[water]\nrestricted = true\n" + SURFACE)
    assert config.forecast.source == str(tmp_path / "ahead" / "forecast.csv")
    assert config.fixtures.source == "https://example.org/play.ics"
    assert config.climate is not None and config.climate.rain_mm == (10.0,) * 12
    assert config.water.restricted and config.work.hours == (7, 19)


STATION = '[[surface.station]]\nname = "s1"\nsoil = "club_clay_loam"\n'
PROBE = '[[surface.station.probe]]\nname = "p1"\nmodel = "root_zone_profile"\n'


def test_a_subsoil_holds_what_its_own_medium_holds(tmp_path: Path) -> None:
    """Clay loam below a rolled club square: at 160 mm 0.45 m3/m3 is ordinary (porosity 0.52 of bulk density 1.20
    g/cm3), at 110 mm it is more than the rolled clay can hold (0.38 to 0.40)."""
    text = STATION + 'subsoil = "clay_loam"\nsubsoil_from_mm = 140\n' + PROBE
    context = StationContext.from_config(read(tmp_path, SITE + SURFACE + text), "s1")
    assert context.soil_at("s1/p1/moisture_110").fullest == pytest.approx(0.40)
    assert context.soil_at("s1/p1/moisture_160").fullest == pytest.approx(0.52)
    middle = [limits_of(context, Place.SOIL, f"s1/p1/moisture_{depth}", 0)[1] for depth in (110, 160)]
    assert middle == pytest.approx([0.33, 0.37])  # drained, middle of 0.30 to 0.36 and of 0.34 to 0.40


def test_a_subsoil_s_two_keys_belong_together(tmp_path: Path) -> None:
    """One without the other is a fault that names the missing one."""
    told = faults(tmp_path, SITE + SURFACE + STATION + 'subsoil = "clay_loam"\n' + PROBE)
    assert told == [
        "underturf.toml: surface.square.station.s1.subsoil_from_mm: found nothing, expected it beside its fellow"
    ]
