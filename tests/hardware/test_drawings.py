"""The sheets for the shed: current, whole, readable in grey, and what they say agrees with sources and program.

Figures are recomputed here from the standard's half volt (SDI-12 1.4, section 3), from copper's resistivity (IEC 60028)
and from the cone's angle; settings and commands named on a sheet are looked up in the program.
"""

from __future__ import annotations

import math
import re
import shlex
import tomllib
from pathlib import Path
from xml.etree import ElementTree

import pytest

from api.command import _parser as server_parser
from hardware.docs import draw, paper
from probe_agent import config
from probe_agent.__main__ import _parser

FOLDER = Path(__file__).parents[2] / "hardware" / "docs"
SVG = "{http://www.w3.org/2000/svg}"


SHEETS = draw.drawn()


def words(svg: str) -> str:
    root = ElementTree.fromstring(svg)
    return " ".join("".join(text.itertext()) for text in root.iter(f"{SVG}text"))


def test_the_files_are_current_and_no_other_lies_beside_them():
    """What stands in the folder is what the script draws today."""
    kept = {path.name: path.read_text(encoding="utf-8") for path in FOLDER.glob("*.svg")}
    assert kept == SHEETS, "run python -m hardware.docs.draw"


@pytest.mark.parametrize("name", SHEETS)
def test_a_sheet_is_one_a4_with_title_and_sources(name):
    """Upright A4 in millimetres (ISO 216), a title for who cannot see it, no text beyond the margin to the right."""
    root = ElementTree.fromstring(SHEETS[name])
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("210mm", "297mm", "0 0 210 297")
    assert root.findtext(f"{SVG}title")
    said = words(SHEETS[name])
    assert "common practice" in said.lower()
    for text in root.iter(f"{SVG}text"):
        size = next((s for k, s in (("title", 7), ("lead", 4.3), ("quiet", 3.1)) if k == text.get("class")), 3.7)
        share = {"end": 0.0, "middle": 0.5, None: 1.0}[text.get("text-anchor")]
        assert float(text.get("x", "0")) + share * paper.width_mm("".join(text.itertext()), size) < 197
        assert 10 < float(text.get("y", "0")) < 287


def test_the_three_wires_differ_in_form_and_not_by_colour():
    """In a grey print data, 0 V and supply are still told apart: by width and by dashes."""
    styles = dict(re.findall(r"\.(data|ground|supply) \{ ([^}]*) \}", SHEETS["one-probe.svg"]))
    forms = {re.sub(r"stroke: [^;]*;", "", style) for style in styles.values()}
    assert len(styles) == len(forms) == 3
    assert len({re.search(r"stroke: ([^;]*)", style)[1] for style in styles.values()}) == 1


@pytest.mark.parametrize(("core", "current", "metres"), [(0.5, 100, "145 m"), (0.22, 500, "13 m"), (1.0, 50, "581 m")])
def test_the_longest_line_is_ohms_law(core, current, metres):
    """Half a volt over the resistance of one core: R = 0.0172 ohm mm2/m x length / core."""
    by_hand = 0.5 / (current / 1000) / (0.0172 / core)
    assert draw.longest_line_m(core, current) == pytest.approx(by_hand)
    assert f"{by_hand:.0f} m" == metres and metres in words(SHEETS["three-probes.svg"])


def test_cones_have_the_base_areas_of_the_standard_and_are_drawn_at_true_size():
    """ASAE S313.3: 323 and 130 mm2 nominal; the drawn height is that of a cone of 30 degrees, in millimetres."""
    areas = {kind: math.pi * wide**2 / 4 for kind, (wide, _) in draw.CONES_MM.items()}
    assert areas["soft"] == pytest.approx(323, abs=0.5) and areas["hard"] == pytest.approx(130, abs=1)
    cones = SHEETS["dock.svg"].partition("true size")[2]
    drawn = re.findall(r"h([\d.]+)l-([\d.]+) ([\d.]+)Z", cones)
    assert {float(wide) for wide, _, _ in drawn} == {wide for wide, _ in draw.CONES_MM.values()}
    for wide, half, high in drawn:
        assert 2 * float(half) == pytest.approx(float(wide), abs=0.01)
        assert 2 * math.degrees(math.atan(float(half) / float(high))) == pytest.approx(30, abs=0.05)


def test_settings_and_commands_on_the_sheets_are_the_programs():
    """Each setting reads as TOML and is a key of a line; each command parses."""
    marked = [code for sheet in SHEETS.values() for code in re.findall(r'class="code">([^<]*)<', sheet)]
    assert len(marked) > 8
    for code in marked:
        plain = code.replace("\u00a0", " ").replace("&gt;", ">").replace("’", "'")
        if plain.startswith("underturf power"):
            server_parser().parse_args(["power", "--draws", "80"])
        elif plain.startswith("underturf-agent"):
            _parser().parse_args(shlex.split(plain)[1:] + (["square-1/p1"] if plain.endswith("live") else []))
        elif "=" in plain:
            ((key, value),) = tomllib.loads(plain).items()
            bounds = {"break": config.BREAKS, "frame": config.FRAMES, "baud": config.BAUDS, "protocol": ("cone",)}
            assert key in ("settle_s", "prompt") or value in bounds[key]


def test_the_depths_are_those_of_the_siting_page():
    """The sheet of the pit and the page about siting give the same depths."""
    siting = (FOLDER / "siting-and-calibration.md").read_text(encoding="utf-8")
    said = words(SHEETS["setting-a-probe.svg"])
    for depth in ("5 to 12", "30 to 40", "60 to 75", "100 to 120", "150 to 200"):
        assert depth in said and f"{depth} mm" in siting
