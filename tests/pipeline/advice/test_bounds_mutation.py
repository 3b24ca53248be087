"""Every bound of the data file is moved one step either way, and every window; each must turn a typed case red."""

import csv
import io
from importlib import resources

from pipeline.advice.treatments import TREATMENT_COLUMNS, TreatmentFault, TreatmentTable, parse_treatments
from tests.pipeline.advice.treatment_cases import judge, step, typed

FOLDER = resources.files("pipeline") / "advice"
CSV = (FOLDER / "treatments.csv").read_text(encoding="utf-8")
TOML = (FOLDER / "passes.toml").read_text(encoding="utf-8")
CASES = typed()


def red(table: TreatmentTable, kind: str, condition: str) -> bool:
    """Whether a typed case of this pass and condition fails on a table."""
    for (typed_kind, variants, typed_condition), (window_h, cases) in CASES.items():
        if (typed_kind, typed_condition) != (kind, condition):
            continue
        for variant in variants.split() or table.facts[kind].variants:
            row = table.rows[(kind, variant, condition)]
            if row.window_h != window_h or any(judge(value, row.bounds) is not said for value, said in cases):
                return True
    return False


def with_rows(lines: list[dict[str, str]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, TREATMENT_COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(lines)
    return text.getvalue()


def only(kind: str, condition: str) -> str:
    """The facts of one pass, so that a mutant is read in a moment."""
    start = TOML.index(f"[{kind}]")
    following = [TOML.find(f"\n[{k}]\n", start) for k in {key[0] for key in CASES}]
    return TOML[start : min((f for f in following if f > 0), default=len(TOML))]


def test_every_bound_moved_one_step_turns_a_case_red(capsys):
    """N of N mutants of bounds and windows are caught, and the counts are printed.

    Where two bounds meet, moving one across the other makes a range that cannot be, which the loader refuses by name.
    """
    lines = list(csv.DictReader(io.StringIO(CSV)))
    by_case, refused, missed = 0, 0, []
    for number, line in enumerate(lines):
        kind, condition = line["pass"], line["condition"]
        own = [dict(other) for other in lines if other["pass"] == kind]
        at = [other for other in lines if other["pass"] == kind].index(line)
        toml = only(kind, condition)
        for column in ("window_h", "open_lo", "open_hi", "closed_lo", "closed_hi"):
            for way in (-1.0, 1.0):
                if line[column] == "" or (column == "window_h" and float(line[column]) + way < 0):
                    continue
                by = 1.0 if column == "window_h" else step(condition)
                own[at] = {**line, column: f"{float(line[column]) + way * by:.10g}"}
                try:
                    hit = red(parse_treatments(with_rows(own), toml), kind, condition)
                    by_case += hit
                except TreatmentFault as fault:
                    hit = any("expected no part of" in said or "that rises" in said for said in fault.faults)
                    refused += hit
                missed += [] if hit else [(number + 2, column, way)]
        own[at] = dict(line)
    with capsys.disabled():
        found, moved = by_case + refused, by_case + refused + len(missed)
        print(f"\nbounds moved one step: {found} of {moved} caught, {by_case} by a case, {refused} by the loader")
    assert missed == []
    assert by_case > 700


def test_a_table_that_nobody_touched_is_green():
    """The check does not go red by itself."""
    table = parse_treatments(CSV, TOML)
    assert not any(red(table, kind, condition) for kind, _, condition in CASES)
