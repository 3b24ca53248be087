"""A probe description is refused by its loader, or every stage runs over readings of it: there is nothing between.

Descriptions are those that come with the project and one of the forms that none of them has, each with up to four slips
of the pen. What is expected is the promise itself, so nothing is taken from our own sums.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import tomli_w
from hypothesis import event, given, settings
from hypothesis import strategies as st

from hardware.curves import SIGNATURES
from hardware.probe import models
from hardware.quantities import QUANTITIES
from pipeline.diary.station import StationContext
from pipeline.service import load_settings as load
from pipeline.site.settings import ConfigFault
from pipeline.stages.recompute import PERIOD_STAGES, process
from pipeline.stages.stage import find, series_of
from pipeline.units import Flag

START_MS = 1_714_521_600_000  # 2024-05-01 00:00 UTC
SLOT_MS = 900_000
SLOTS = 96
SHIPPED = Path(__file__).parents[3] / "hardware" / "probes"
SITE = """
[site]
name = "home"
latitude_deg = 50.0
longitude_deg = 10.0
[data]
model_dir = "probes"
[[surface]]
name = "square"
kind = "square"
[[surface.station]]
name = "s1"
soil = "loam"
[[surface.station.probe]]
name = "p1"
model = "own"
[[surface.station.core]]
date = 2024-04-20
thatch_mm = 16
"""
UNLIKE_THE_SHIPPED = """
title = "Concurrent, without check characters, curves with parameters"
protocol = "sdi12"
baud = 1200
frame = "8N1"
[[channel]]
name = "upper"
heard = "apparent_permittivity"
quantity = "water_content"
depth_mm = 40
command = "C1"
position = 1
calibration = { curve = "crim", porosity = 0.5, solid_permittivity = 4.5, source = "bench" }
[[channel]]
name = "lower"
heard = "apparent_permittivity"
quantity = "water_content"
depth_mm = 90
command = "C1"
position = 20
scale = 0.1
offset = -1.0
calibration = { curve = "linear", slope = 0.02, offset = -0.05, reading_low = 3, reading_high = 30.5, source = "rings" }
[[channel]]
name = "warmth"
heard = "soil_temperature"
depth_mm = 40
command = "C"
position = 1
[[channel]]
name = "amount"
heard = "rain"
command = "M9"
position = 9
"""
TEXTS = [*((SHIPPED / f"{model}.toml").read_text(encoding="utf-8") for model in models()), UNLIKE_THE_SHIPPED]
NUMBERS = (-1, 0, 2, 10, 100, 1.5, 1e9, 1e300, 10**30, float("nan"), float("inf"), True)
OTHERS = ("", "x", 3, -0.25, True, [], [1], {}, {"curve": "nagare", "source": "x"})
WORDS = {
    "heard": tuple(QUANTITIES), "quantity": tuple(QUANTITIES), "curve": tuple(SIGNATURES),
    "command": ("M", "M1", "C", "C9", "D0"), "protocol": ("sdi12", "cone"), "frame": ("7E1", "8E1"),
}  # fmt: skip


def places(table: Any) -> list[tuple[Any, Any]]:
    """Every value of a description, as the table or list it is in and its key or index there."""
    inside = table.items() if isinstance(table, dict) else enumerate(table) if isinstance(table, list) else ()
    return [place for key, value in inside for place in ((table, key), *places(value))]


def slip(draw: st.DrawFn, table: dict[str, Any]) -> None:
    """One slip of the pen in a description, in place."""
    owner, key = draw(st.sampled_from(places(table)))
    value = owner[key]
    kinds = ["drop", "other", "twice"]
    kinds += ["key"] if isinstance(owner, dict) else []
    kinds += ["number"] * 4 if isinstance(value, int | float) else []
    kinds += ["misspell", *["word"] * 4 * (key in WORDS)] if isinstance(value, str) else []
    kind = draw(st.sampled_from(kinds))
    if kind == "drop":
        del owner[key]
    elif kind == "twice" and isinstance(owner, list):
        owner.append(copy.deepcopy(value))
    elif kind in ("key", "misspell"):
        word = value if kind == "misspell" else key
        at = draw(st.integers(0, max(0, len(word) - 1)))
        spelt = word[:at] + draw(st.sampled_from(["", "x", word[at : at + 1] * 2])) + word[at + 1 :]
        if kind == "misspell":
            owner[key] = spelt
        else:
            owner[spelt] = owner.pop(key)
    elif kind == "word":
        owner[key] = draw(st.sampled_from(WORDS[key]))
    else:
        owner[key] = copy.deepcopy(draw(st.sampled_from(NUMBERS if kind == "number" else OTHERS)))


@st.composite
def descriptions(draw: st.DrawFn) -> str:
    """A description as TOML, with up to four slips."""
    table = tomllib.loads(draw(st.sampled_from(TEXTS)))
    for _ in range(draw(st.integers(0, 4))):
        if places(table):
            slip(draw, table)
    return tomli_w.dumps(table)


def readings(context: StationContext, seed: int) -> pd.DataFrame:
    """A day of every channel: anything the agent lets through (limits of its quantity included), and silence."""
    rng = np.random.default_rng(seed)
    at_ms = START_MS + SLOT_MS * np.arange(SLOTS)
    tables = []
    for channel_id, channel in context.channels.items():
        limits = QUANTITIES[channel.heard]
        raw = rng.uniform(limits.lowest, limits.highest, SLOTS)
        raw[rng.integers(0, SLOTS, 20)] = rng.choice([limits.lowest, limits.highest], 20)
        status = np.where(
            rng.random(SLOTS) < 0.1, rng.choice(["silent", "short", "bad_check", "no_value"], SLOTS), "ok"
        )
        tables.append(
            pd.DataFrame(
                {
                    "channel": channel_id, "measured_at_ms": at_ms, "raw": np.where(status == "ok", raw, np.nan),
                    "status": status, "clock_ok": rng.random(SLOTS) > 0.02, "received_at_ms": at_ms + 3000,
                }
            )
        )  # fmt: skip
    return pd.concat(tables, ignore_index=True)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Settings of a ground with one probe, of a model of its own."""
    folder = tmp_path_factory.mktemp("site")
    (folder / "probes").mkdir()
    (folder / "underturf.toml").write_text(SITE, encoding="utf-8")
    return folder


def refused_or_worked_out(site: Path, text: str, seed: int = 0) -> str:
    """Refused: each fault is `file: key: found, expected`. Taken: all stages end, those of days and fortnights too;
    raw is untouched, each value is a number or none, each flag is one of ours."""
    (site / "probes" / "own.toml").write_text(text, encoding="utf-8")
    try:
        config = load(site / "underturf.toml")
    except ConfigFault as refused:
        own = re.escape(f"underturf.toml: surface.square.station.s1.probe.p1.model: {site / 'probes' / 'own.toml'}: ")
        for fault in refused.faults:
            assert re.match(rf"{own}[^:]+: found .+, expected .+", fault, re.S), fault
        return "refused"
    context = StationContext.from_config(config, "s1")
    raw = readings(context, seed)
    done = process(series_of(raw), context)
    record = done.record
    find(PERIOD_STAGES, record, context, START_MS, START_MS + SLOTS * SLOT_MS)
    order = ["channel", "measured_at_ms"]
    kept = done.observations.sort_values(order)["raw"].to_numpy()
    np.testing.assert_array_equal(kept, raw.sort_values(order)["raw"].to_numpy())
    assert not np.isinf(done.observations["value"].to_numpy()).any()
    assert set(done.observations["flag"]) <= {int(flag) for flag in Flag}
    return "taken"


@settings(max_examples=200, deadline=None)
@given(text=descriptions(), seed=st.integers(0, 2**32 - 1))
def test_description_is_refused_or_every_stage_runs_over_its_readings(site: Path, text: str, seed: int) -> None:
    """Any few slips at once, in any description."""
    event(refused_or_worked_out(site, text, seed))


@pytest.mark.parametrize("text", [UNLIKE_THE_SHIPPED, (SHIPPED / "cone_hard.toml").read_text(encoding="utf-8")])
def test_no_single_value_left_out_or_changed_gets_past_the_loader_and_stops_a_stage(site: Path, text: str) -> None:
    """Each value in turn left out, and each number in turn made any other."""
    outcomes = Counter[str]()
    for number, (owner, key) in enumerate(places(tomllib.loads(text))):
        others: list[Any] = [None, *(NUMBERS if isinstance(owner[key], int | float) else ())]
        for other in others:
            table = tomllib.loads(text)
            changed, place = places(table)[number]
            if other is None:
                del changed[place]
            else:
                changed[place] = other
            outcomes[refused_or_worked_out(site, tomli_w.dumps(table))] += 1
    assert min(outcomes["refused"], outcomes["taken"]) >= 5, outcomes


@pytest.mark.parametrize("text", TEXTS, ids=[*models(), "unlike_the_shipped"])
def test_description_without_a_slip_is_taken(site: Path, text: str) -> None:
    """So that the slips begin from what is right."""
    (site / "probes" / "own.toml").write_text(text, encoding="utf-8")
    assert load(site / "underturf.toml").channels()
