"""Bounds of every kind of pass against cases typed apart from them, and the data files read fault by fault."""

import math
from importlib import resources

import numpy as np
import pytest

from pipeline.advice.conditions import (
    CONDITIONS,
    Verdict,
    verdicts_of,
)
from pipeline.advice.treatments import TreatmentFault, load_treatments, parse_treatments
from pipeline.site.passes import Bounds
from tests.pipeline.advice.treatment_cases import judge, typed

TABLE = load_treatments()
FOLDER = resources.files("pipeline") / "advice"
CSV = (FOLDER / "treatments.csv").read_text(encoding="utf-8")
TOML = (FOLDER / "passes.toml").read_text(encoding="utf-8")
CASES = typed()


def keys_of(kind: str, variants: str, condition: str) -> list[tuple[str, str, str]]:
    return [(kind, v, condition) for v in variants.split() or TABLE.facts[kind].variants]


@pytest.mark.parametrize("key", CASES, ids=lambda k: "-".join(filter(None, k)))
def test_each_edge_belongs_to_the_better_side(key):
    """Inside, at and just outside each edge, far out, and missing: the verdict is the one typed (source by line)."""
    window_h, cases = CASES[key]
    for row_key in keys_of(*key):
        row = TABLE.rows[row_key]
        assert row.window_h == window_h
        found = [(value, judge(value, row.bounds)) for value, _ in cases]
        assert found == cases
        assert verdicts_of(np.array([v for v, _ in cases]), row.bounds).tolist() == [v for _, v in cases]
        assert judge(None, row.bounds) is judge(math.nan, row.bounds) is Verdict.UNKNOWN


def test_no_row_is_without_cases_and_no_case_without_its_row():
    """Typed cases and data file speak of the same passes, variants and conditions."""
    assert {k for key in CASES for k in keys_of(*key)} == set(TABLE.rows)
    assert {k[2] for k in TABLE.rows} == set(CONDITIONS)


def test_ten_kinds_of_pass_with_their_variants():
    """All ten kinds and the variants by tine, amount and seed are there (common practice, no source)."""
    variants = {kind: facts.variants for kind, facts in TABLE.facts.items()}
    assert variants == {
        "light_raking": ("standard",),
        "verticutting": ("standard",),
        "scarifying": ("standard",),
        "heavy_dethatching": ("standard",),
        "hollow_coring": ("6mm", "13mm", "18mm"),
        "solid_tining": ("needle", "12mm"),
        "slitting": ("standard",),
        "topdressing": ("light", "heavy"),
        "overseeding": ("rye", "bent_fescue", "warm"),
        "rolling": ("standard",),
    }


def test_growth_days_to_heal_are_those_of_the_table():
    """Ranges to 95 % healed (ratios of Landreth et al. 2007 and times of Ervin & Nichols 2010, start values)."""
    found = {(k, v): span for k, f in TABLE.facts.items() for v, span in f.heal_growth_days.items()}
    assert found == {
        ("light_raking", "standard"): (0, 1),
        ("verticutting", "standard"): (2, 4),
        ("scarifying", "standard"): (12, 20),
        ("heavy_dethatching", "standard"): (25, 40),
        ("hollow_coring", "6mm"): (5, 8),
        ("hollow_coring", "13mm"): (10, 16),
        ("hollow_coring", "18mm"): (16, 24),
        ("solid_tining", "needle"): (1, 4),
        ("solid_tining", "12mm"): (1, 4),
        ("slitting", "standard"): (1, 3),
        ("topdressing", "light"): (1, 3),
        ("topdressing", "heavy"): (6, 10),
        ("overseeding", "rye"): (20, 30),
        ("overseeding", "bent_fescue"): (30, 45),
        ("overseeding", "warm"): (20, 30),
        ("rolling", "standard"): (0, 0),
    }


def test_lead_times_come_from_the_rows():
    """Facts that are also conditions are read from one place (common practice, no source)."""
    assert TABLE.lead_days("hollow_coring", "13mm") == 21.0
    assert TABLE.lead_days("light_raking", "standard") == 0.0


def test_a_sum_that_misses_an_edge_by_its_last_bit_lies_on_it():
    """0.1 + 0.2 is more than 0.3 in binary, and still an open 0.3 (algebra)."""
    assert 0.1 + 0.2 > 0.3
    assert judge(0.1 + 0.2, Bounds(open_hi=0.3, closed_hi=0.3)) is Verdict.OPEN
    assert judge(0.0, Bounds(open_lo=0.0, closed_lo=0.0)) is Verdict.OPEN


def test_cold_soil_waits_on_a_pitch_and_closes_elsewhere():
    """Winter loam or sand may go on a pitch (common practice, no source); the other bounds stay."""
    key = ("topdressing", "heavy", "soil_temperature_cool")
    pitch, green = TABLE.for_surface("pitch"), TABLE.for_surface("green")
    assert judge(3.0, pitch.rows[key].bounds) is Verdict.WAIT
    assert judge(3.0, green.rows[key].bounds) is Verdict.CLOSED
    assert judge(24.05, pitch.rows[key].bounds) is Verdict.CLOSED


def test_a_clubs_bounds_stand_over_the_tables():
    """An override for every variant holds but where one names the variant, in whatever order."""
    wide, narrow = Bounds(0.1, 0.9), Bounds(0.4, 0.5, 0.4, 0.5)
    own = {("hollow_coring", "13mm", "thatch_wetness"): narrow, ("hollow_coring", "", "thatch_wetness"): wide}
    for overrides in (own, dict(reversed(own.items()))):
        rows = TABLE.for_surface("green", overrides).rows
        assert rows[("hollow_coring", "6mm", "thatch_wetness")].bounds == wide
        assert rows[("hollow_coring", "13mm", "thatch_wetness")].bounds == narrow
        assert rows[("hollow_coring", "13mm", "thatch_wetness")].source == "set by the club"
    assert TABLE.rows[("hollow_coring", "6mm", "thatch_wetness")].bounds.open_lo == 0.3


def test_every_fault_of_overrides_is_told_at_once():
    """A slip of the pen is answered with the nearest name, an impossible range with what is expected."""
    own = {
        ("hollow_coring", "", "thatch_wetnes"): Bounds(),
        ("hollowcoring", "", "thatch_wetness"): Bounds(),
        ("scarifying", "standard", "thatch_wetness"): Bounds(open_lo=0.9, open_hi=0.1),
        ("scarifying", "", "root_zone_wetness"): Bounds(open_lo=0.5, closed_lo=0.6),
        ("scarifying", "", "rain_ahead"): Bounds(open_hi=math.nan),
    }
    with pytest.raises(TreatmentFault) as caught:
        TABLE.for_surface("green", own)
    assert len(caught.value.faults) == 5
    for said in ("'thatch_wetness'", "a pass out of light_raking", "0.9 to 0.1", "0.5 to inf", "expected numbers"):
        assert said in str(caught.value)
    with pytest.raises(TreatmentFault, match="found 'moor'"):
        TABLE.for_surface("moor")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("scarifying,,thatch_wetness,0,0.3", "scarifing,,thatch_wetness,0,0.3", "pass: found 'scarifing'"),
        ("hollow_coring,6mm,lead", "hollow_coring,7mm,lead", "variant: found '7mm', expected one of 6mm, 13mm"),
        ("slitting,,thatch_wetness", "slitting,,thatch_wetnes", "expected thatch_wetness"),
        ("slitting,,thatch_wetness", "slitting,,thatch_wetnes", "slitting standard: found no row of thatch_wetness"),
        ("scarifying,,thatch_wetness,0,0.3", "scarifying,,thatch_wetness,0,0.x", "open_lo: found '0.x'"),
        ("scarifying,,thatch_wetness,0,0.3", "scarifying,,thatch_wetness,0,nan", "open_lo: found 'nan'"),
        ("scarifying,,thatch_wetness,0,0.3", "scarifying,,thatch_wetness,0,0.8", "found open from 0.8 to 0.7"),
        ("scarifying,,thatch_wetness,0,", "scarifying,,thatch_wetness,-1,", "window_h: found '-1'"),
        ("scarifying,,thatch_wetness,0,0.3,0.7,0.15,1,", "scarifying,,thatch_wetness,0,,,,,", "found no bound"),
        ("slitting,,lead_time,0,2,,1,,", "slitting,,lead_time,0,2,,1,,x\nslitting,,lead_time,0,2,,1,,", "again"),
        ("pass,variant", "kind,variant", "found columns"),
    ],
)
def test_a_fault_of_the_rows_is_named(old, new, said):
    """Each slip in treatments.csv is told by line, with what was expected."""
    assert old in CSV
    with pytest.raises(TreatmentFault) as caught:
        parse_treatments(CSV.replace(old, new, 1), TOML)
    assert said in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("doing =", "dong =", "scarifying.dong: found an unknown key, expected 'doing'"),
        ("doing = ", "doing = 3 # ", "doing: found 3, expected 1 to 200 printable characters"),
        ("depth_mm = [3, 15]", "depth_mm = [15, 3]", "depth_mm: found [15, 3]"),
        ("months_cool = [4, 5, 8, 9]", "months_cool = [4, 13]", "months, 1 to 12"),
        ("seedling_weeks = 8", 'seedling_weeks = "8"', "seedling_weeks: found '8'"),
        (
            "standard = [12, 20]",
            "standard = [12]",
            "heal_growth_days: found {'standard': [12]}, expected at least one variant",
        ),
        ('rye = ["cool"', 'rye = ["cold"', "grass: found {'rye': ['cold', 'warm']"),
        ("[scarifying.wait_notes]", "[scarifying.wait_notes", "found no TOML"),
    ],
)
def test_a_fault_of_the_facts_is_named(old, new, said):
    """Each slip in passes.toml is told by key, with what was expected."""
    start = TOML.index("[scarifying]")
    assert old in TOML[start:]
    with pytest.raises(TreatmentFault) as caught:
        parse_treatments(CSV, TOML[:start] + TOML[start:].replace(old, new, 1))
    assert said in str(caught.value)


def test_a_fault_of_what_changes_on_a_surface_is_named():
    """A change of a row that is not there, or for a surface that is none, is told."""
    for old, new, said in (
        ('condition = "soil_temperature_cool"', 'condition = "frost"', "found no such row"),
        ('surfaces = ["pitch"]', 'surfaces = ["moor"]', "surfaces out of square"),
        ("closed_lo = -inf", "closed_lo = 99", "expected no part of"),
    ):
        with pytest.raises(TreatmentFault) as caught:
            parse_treatments(CSV, TOML.replace(old, new, 1))
        assert said in str(caught.value)


def test_faults_of_both_files_are_told_in_one_run():
    """Two slips in one file and one in the other make three lines."""
    rows = CSV.replace("scarifying,,rain_on_day", "scarifying,,rain_on_dai").replace(
        "slitting,,rain_on", "slit,,rain_on"
    )
    with pytest.raises(TreatmentFault) as caught:
        parse_treatments(rows, TOML.replace("doing = ", "dong = ", 1))
    assert len(caught.value.faults) == 4  # the misspelt key is both unknown and missing
