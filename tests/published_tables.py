"""Every published or independently computed table the sums are held against: by which test, or why by none.

`tests/make_checks_page.py` writes the list out and `tests/test_checks_page.py` holds it: each test named is there, and
no more than ten tables are left out. It must not hold figures: those stand in the tests, beside their source.
"""

from __future__ import annotations

from typing import NamedTuple

PAGE = "tests/published_checks.py"  # figures that stand on the page itself
SOIL = "tests/pipeline/soil/test_"


class Table(NamedTuple):
    """One table: what it gives, whose it is, and the tests that hold it, as `file::test`."""

    what: str
    source: str
    held_by: tuple[str, ...]


class LeftOut(NamedTuple):
    """One table that no test holds: what it gives, whose it is, and why."""

    what: str
    source: str
    reason: str


FAO = "Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56"
TOPP = "Topp, Davis & Annan 1980, Water Resour. Res. 16(3), 574-582"
JACKISCH = "Jackisch et al. 2020, Biogeosciences 17, 5787-5808"
DORIGO = "Dorigo et al. 2013, Vadose Zone J. 12(3), doi:10.2136/vzj2012.0097"
CARSEL = "van Genuchten 1980, SSSAJ 44, 892-898; Carsel & Parrish 1988, Water Resour. Res. 24(5), 755-769"
STARING = "Heinen, Bakker & Wosten 2020, Wageningen report 2978; Wosten et al. 1999, Geoderma 90, 169-185"
USCRN = "US Climate Reference Network, hourly records"


def _soil(module: str, *tests: str) -> tuple[str, ...]:
    return tuple(f"{SOIL}{module}.py::{test}" for test in tests)


TABLES = (
    Table("water content of mineral soil by permittivity", TOPP, (
        f"{PAGE}::water_content", *_soil("permittivity", "test_topp_1980_at_every_tabulated_permittivity"))),
    Table("water content there and back by the authors' own second fit", TOPP, _soil(
        "permittivity", "test_topp_round_trip_stays_within_the_two_fits")),
    Table("equations of organic layers and of mixing", "the authors named on this page", _soil(
        "permittivity", "test_topp_organic_pair_agrees_where_it_may_be_used",
        "test_roth_mineral_lies_near_topp_in_mineral_soil", "test_malicki_porosity_agrees_with_malicki_bulk_density",
        "test_cubics_that_blow_up_refuse_above_forty")),
    Table("water content by eleven curves at eight permittivities", "the authors named on this page", (
        f"{PAGE}::water_content", *_soil("permittivity", "test_formula_gives_the_tabulated_water_content"))),
    Table("example 19, N'Diaye: inputs and steps", FAO, (
        *_soil("climate", "test_fao56_example_19_steps"),
        *_soil("radiation", "test_fao56_example_19_hour", "test_fao56_example_19_net_radiation_of_an_hour"))),
    Table("example 18, Uccle: pressure and slope; examples 17, 18, 20: radiation above the air", FAO, (
        *_soil("climate", "test_fao56_example_18_steps"),
        *_soil("radiation", "test_extraterrestrial_radiation_of_the_examples"))),
    Table("example 20, Lyon: Hargreaves", FAO, _soil("climate", "test_fao56_example_20_hargreaves")),
    Table("the hour of example 19 by ASCE 2005", "ASCE 2005, by refet and independently", _soil(
        "climate", "test_fao56_example_19_hour_by_the_short_reference")),
    Table("single steps of examples 2, 3 and 8", FAO, (
        *_soil("climate", "test_fao56_example_2_pressure_and_psychrometric_constant",
               "test_fao56_example_3_saturation"),
        *_soil("radiation", "test_fao56_example_8_steps_to_the_printed_digits"))),
    Table("check hour, Fallon, 1 July 2015", "tests of refet", _soil("climate", "test_asce_check_hour")),
    Table("classes of soil: parameters of twelve", CARSEL, (
        "tests/simulator/test_published_classes.py::test_curve_of_a_class_is_the_textbooks",)),
    Table("water content and conductivity of five classes by suction", CARSEL, (
        f"{PAGE}::hydraulic_functions",
        "tests/simulator/test_materials.py::test_retention_curve_matches_the_class_means",
        "tests/simulator/test_materials.py::test_relative_conductivity_at_one_metre")),
    Table("peat: parameters of seven", STARING, (
        "tests/simulator/test_published_classes.py::test_curve_of_a_class_is_the_textbooks",)),
    Table("water content and conductivity of three peats by suction", STARING, (f"{PAGE}::peat",)),
    Table("exponential dry-down", "McColl et al. 2017, Water Resour. Res. (from memory)", _soil(
        "drying", "test_recession_finds_the_time_constant")),
    Table("growth potential by temperature, and where the curves cross", "Gelernter & Stowell 2005", (
        f"{PAGE}::grass_and_ground", *_soil("climate", "test_cool_and_warm_tables",
                                             "test_curves_cross_where_a_published_note_says"))),
    Table("base areas of cones and pressure of 100 N", "ASAE S313.3, EP542", (f"{PAGE}::grass_and_ground",)),
    Table("resistance at which roots stop", "Taylor, Roberson & Parker 1966", _soil(
        "strength", "test_depth_to_two_megapascal")),
    Table("trends of three worked series", "Mann 1945; Kendall 1975; Sen 1968", (
        f"{PAGE}::trends", *_soil("trend", "test_worked_series", "test_interval_of_the_thatch_series"))),
    Table("rules of range, frost and saturation, and how often each is met", DORIGO, _soil(
        "quality", "test_range_agrees_with_the_published_flags", "test_frost_agrees_with_the_published_flags",
        "test_published_counts_are_those_of_the_series")),
    Table("rules of spikes, steps, standing values and rises, row by row", DORIGO, _soil(
        "quality", "test_spike_agrees_with_the_published_flags", "test_step_agrees_with_the_published_flags",
        "test_flat_line_agrees_with_the_published_flags_once_its_window_is_full",
        "test_rise_without_rain_is_a_coarser_rule_than_the_published_one")),
    Table("depths above which half and 95 % of roots lie", "Gale & Grigal 1987; Jackson et al. 1996", (
        f"{PAGE}::grass_and_ground", *_soil("roots", "test_depths_of_the_exponential_convention"))),
    Table("when a day of uptake is refused", JACKISCH, _soil(
        "uptake", "test_reasons_for_withholding")),
    Table("drawdown of dry days at two stands, by depth", f"{JACKISCH} (data); computed independently", _soil(
        "uptake", "test_drawdown_of_dry_june_days_is_that_of_fixed_hours")),
    Table("drawdown at Dinosaur: an artefact of temperature", f"{USCRN}; computed independently", _soil(
        "roots", "test_a_real_temperature_artefact_is_refused")),
    Table("gains of the storm of 9 January 2024 at Ithaca", f"{USCRN}, read off the record", _soil(
        "arrival", "test_storm_of_9_january_2024_at_ithaca")),
    Table("uptake of a single day", f"{JACKISCH}, the authors' notebook", _soil(
        "uptake", "test_published_day_is_reproduced_from_its_turns", "test_published_day_is_found_by_ourselves")),
    Table("uptake of the season at each of 21 depths; depth of 95 %", JACKISCH, (
        *_soil("uptake", "test_season_sums_are_the_published_ones_at_every_depth",
               "test_season_sums_agree_on_days_both_accept",
               "test_depth_of_95_percent_of_the_season_is_the_published_one"),
        *_soil("roots", "test_published_season_sums_give_the_published_depth"))),
    Table("336 hours of reference evapotranspiration", "AgriMet, Fallon, July 2015, by an independent program", _soil(
        "climate", "test_fallon_july_hours_agree_with_the_independent_program")),
    Table("uptake by depth of simulated seasons", "pattern of Guderle & Hildebrandt 2015, HESS 19, 409-425", (
        "tests/pipeline/test_twin.py::test_depths_are_found_within_the_aim",
        "tests/pipeline/test_twin.py::test_intervals_hold_what_they_say")),
)  # fmt: skip

LEFT_OUT = (
    LeftOut("porosity, conductivity and suction of three peats by power laws",
            "Letts et al. 2000, Atmosphere-Ocean 38, 141-160 (from memory)",
            "power laws after Clapp and Hornberger; neither the sums nor the simulator has that form"),
    LeftOut("conductivity and shape of peat by bulk density",
            "a table 4, copied in public without naming its paper",
            "the paper could not be found, so nothing is built on it"),
    LeftOut("flags by air temperature, modelled soil temperature and modelled rain", DORIGO,
            "they need a weather model's figures for the place; the same rules are held on what was measured there"),
    LeftOut("flags of a saturated plateau and a stand after a drop, over the whole run", DORIGO,
            "the paper looks back once a run has ended; ours looks backwards only, and is held from where its window is"
            " full"),
    LeftOut("pressure of 100 N on the nominal bases of 323 and 130 mm2", "ASAE S313.3 (from memory)",
            "309.6 and 769.2 kPa in place of 309.9 and 773.5: the exact diameters are used throughout"),
    LeftOut("reference evapotranspiration of a day and a month: examples 17, 18 and 20, and Fallon's year", FAO,
            "the program works out hours, or Hargreaves where only temperatures are known; no daily Penman-Monteith"),
    LeftOut("daily water balance of a season by crop coefficients", f"{FAO}, run by another program",
            "the program follows the water by its own balance of thatch and root zone, without crop tables"),
    LeftOut("drainage under gravity, the daily wave of warmth, trends within seasons",
            "Sisson et al. 1980; van Wijk & de Vries 1963; Hirsch, Slack & Smith 1982",
            "nothing in the program draws on these equations, so it does not have them"),
    LeftOut("daily moisture and temperature at Manhattan, Kansas, 2003 to 2017", "US Climate Reference Network",
            "one value a day; day and night, wettings and dry-downs all need hours"),
)  # fmt: skip
