"""Every Flux text the server store can ask with is valid Flux, and no name can break out of its quotes.

The judge is the language's own parser, npm `@influxdata/flux-lsp-node`, from `npm install` into the folder named by
UNDERTURF_FLUX_LSP or into ./node_modules.
"""

import json
import os
import re
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.store.influx import flux

ROOT = Path(__file__).parents[4]
PACKAGE = "@influxdata/flux-lsp-node"
PLACE = ("bucket", "club")
CHANNELS = ["square-1/p1/c0", "square-1/p1/c1"]
NASTY = ['a"b', "a\\", '${r._value}"', "a\nb\t", "schöne Grüße", "$${", '\\"', "\\${"]

TEXTS = {
    "readings": flux.rows(*PLACE, CHANNELS, flux.READING, 0, 1_704_067_200_000),
    "one channel": flux.rows(*PLACE, CHANNELS[:1], flux.READING, 5, 6),
    "observations": flux.rows(*PLACE, CHANNELS, flux.OBSERVATION, 0, flux.LATEST_MS),
    "a page": flux.rows(*PLACE, CHANNELS, flux.OBSERVATION, 0, 1, limit=10),
    "the next page": flux.rows(*PLACE, CHANNELS, flux.OBSERVATION, 0, 1, after=(CHANNELS[0], 5), limit=10),
    "reading back": flux.outbox_rows(*PLACE, "0" * 16, 0, 1),
    "findings of all quantities": flux.findings(*PLACE, "square-1", None, 0, 1),
    "findings": flux.findings(*PLACE, "square-1", ["thatch_water", "thatch_air"], 0, 1),
    "latest": flux.latest(*PLACE, CHANNELS),
    "last answers": flux.last_answers(*PLACE, CHANNELS),
    "at times": flux.observations_at(*PLACE, [(CHANNELS[0], 5), (CHANNELS[1], 1_704_067_200_000)]),
    "first": flux.edge(*PLACE, CHANNELS, last=False),
    "last": flux.edge(*PLACE, CHANNELS, last=True),
    **{f"steps {of}": flux.steps(*PLACE, CHANNELS, 0, 1, 3_600_000, of=of) for of in ("min", "mean", "max", "count")},
    **{
        f"place {i}": flux.rows(*PLACE, [name], flux.OBSERVATION, 0, 1, after=(name, 5)) for i, name in enumerate(NASTY)
    },
    **{f"names {i}": flux.rows(name, name, [name], flux.READING, 0, 1) for i, name in enumerate(NASTY)},
}
WRONG = ["from(bucket: ", TEXTS["latest"].replace(")\n", "\n", 1), 'from(bucket: "a"b")']


@pytest.fixture(scope="session")
def is_valid_flux(need_program):
    """The parser's judgement of a list of texts."""
    node = need_program("node")
    named = os.environ.get("UNDERTURF_FLUX_LSP")
    folders = [Path(named), Path(named) / "node_modules"] if named else [ROOT / "node_modules"]
    found = [folder for folder in folders if (folder / PACKAGE).is_dir()]
    if not found:
        reason = f"npm {PACKAGE} is not installed (npm install --prefix FOLDER, and UNDERTURF_FLUX_LSP=FOLDER)"
        if os.environ.get("CI") == "true":
            pytest.fail(f"{reason}; with CI=true every part must be there")
        pytest.skip(reason)

    def check(texts):
        script = str(Path(__file__).with_name("flux_check.mjs"))
        command = [node, script, str(found[0].resolve())]
        answer = subprocess.run(
            command, input=json.dumps(texts), capture_output=True, text=True, check=True, timeout=60
        )
        return json.loads(answer.stdout)

    return check


def test_every_text_is_valid_flux(is_valid_flux):
    """The parser accepts each text the store can produce, whatever the names in it."""
    judged = dict(zip(TEXTS, is_valid_flux(list(TEXTS.values())), strict=True))
    assert [name for name, valid in judged.items() if not valid] == []


def test_the_judge_refuses_what_is_not_flux(is_valid_flux):
    """The parser that accepts ours refuses broken texts: it is not accepting everything."""
    assert is_valid_flux(WRONG) == [False] * len(WRONG)


@given(st.text(alphabet=st.sampled_from('ab"\\${}\n\r\té'), max_size=12))
def test_a_quoted_name_ends_where_it_should(name):
    """Reading the literal by the language's rules (backslash escapes, `\\x24` a byte) gives the name back."""
    literal = flux.quoted(name)
    inner = literal[1:-1]
    assert literal == f'"{inner}"' and "$" not in inner
    escapes = {'\\"': '"', "\\\\": "\\", "\\n": "\n", "\\r": "\r", "\\t": "\t", "\\x24": "$"}
    parts = re.findall(r'\\x24|\\.|[^"\\]', inner, flags=re.DOTALL)
    assert "".join(parts) == inner
    assert "".join(escapes.get(part, part) for part in parts) == name


def test_times_are_nanoseconds_of_the_span_asked():
    """A range is start <= t < end in ns since 1970 (Flux `range`: start included, stop excluded)."""
    assert "range(start: time(v: 5000000), stop: time(v: 6000000))" in TEXTS["one channel"]


def test_a_page_is_cut_by_the_server():
    """The limit stands on each series before it becomes rows, and on all of them in order (Flux `limit`: per table)."""
    page = TEXTS["the next page"].splitlines()
    assert page.count("  |> limit(n: 10)") == 2
    assert page.index("  |> limit(n: 10)") < next(i for i, line in enumerate(page) if "pivot" in line)
    assert page[-2:] == ['  |> sort(columns: ["channel", "at_ms"])', "  |> limit(n: 10)"]
    assert 'and (r.channel != "square-1/p1/c0" or r._time > time(v: 5000000))' in TEXTS["the next page"]


def test_nothing_to_ask_for_is_a_fault_of_the_caller():
    """A filter without names would give every row: it is refused."""
    with pytest.raises(ValueError, match=r"^channel: found none"):
        flux.latest(*PLACE, [])
    with pytest.raises(ValueError, match=r"^places: found none"):
        flux.observations_at(*PLACE, [])


def test_the_delete_predicate_names_one_series():
    """The delete language has only `and`, with quoted values (InfluxDB 2 documentation of delete predicates)."""
    expected = '_measurement="finding" AND site="club" AND station="s" AND quantity="thatch_water"'
    assert flux.findings_predicate("club", "s", "thatch_water") == expected
