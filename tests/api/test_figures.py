"""Every figure on every page is one of the data: pages are walked over four simulated grounds beside their twins.

A figure is a number with a unit in the words of a page, or a number in a cell of a table. It has to be a number of the
page's JSON, rounded as pages round, or stand in a sentence of it. The drawn slices are read back from their strokes.
The twins themselves are held against store and truth elsewhere.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from html.parser import HTMLParser
from typing import Any

import pytest

from api.slices import MOST_WETNESS, PLUMB_SHARE
from tests.api.grounds import STORIES, Shown, furnish, ground_of, pages

SKIPPED = {"form", "select", "script", "style", "pre", "figcaption", "nav", "footer", "header", "svg"}
VOID = {"br", "meta", "link", "input", "img", "path", "use", "hr"}
UNIT = r"%|mm a year|mm|m³/m³|m³|m3/m3|°C|dS/m|kPa|W/m²|m/s|kg/m²|hours?|h\b|minutes|min\b|m\b|V\b"
FIGURE = re.compile(rf"(?<![\w.,:/-])(\d+(?:\.\d+)?) ?({UNIT})")
RANGE = re.compile(rf"(\d+(?:\.\d+)?) (?:to|and) (\d+(?:\.\d+)?) ?({UNIT})")
UNITS = {"1": "%", "mm": "mm", "m": "m", "m3 m-3": "m3", "degC": "°C", "dS m-1": "dS/m", "m s-1": "m/s",
         "W m-2": "W/m²", "kPa": "kPa", "h": "h", "V": "V", "%": "%%"}  # fmt: skip
SAID_BY_PAGES = {("150", "mm"), ("25", "mm"), ("50", "mm"), ("2", "m"), ("24", "hours"), ("1", "mm")}  # bounds in words
pytestmark = pytest.mark.timeout(600)  # a ground is lived through first, on a busy machine slowly
SOAKED = ("sand_green", "late_frost")
EVERY = pytest.mark.parametrize(
    "story", [pytest.param(story, marks=[pytest.mark.soak] if story in SOAKED else []) for story in STORIES]
)


class Words(HTMLParser):
    """The words of a page's main part, but for forms, drawings and keys; cells of tables by themselves."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text, self.cells = "", list[str]()
        self._open: list[str] = []
        self._hidden = 0
        self.feed(text[text.index("<main") : text.rindex("</main>")])

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in VOID:
            return
        told = dict(attrs)
        skipped = tag in SKIPPED or told.get("aria-hidden") == "true" or "n" in (told.get("class") or "").split()
        self._open.append("skip" if skipped else tag)
        self._hidden += skipped
        if tag == "td":
            self.cells.append("")
        if tag in ("p", "li", "td", "th", "h2", "h3", "summary", "dd", "div", "section"):
            self.text += "\n"

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID and self._open:
            self._hidden -= self._open.pop() == "skip"

    def handle_data(self, data: str) -> None:
        if self._hidden:
            return
        plain = re.sub(r"\s+", " ", data)
        self.text += plain
        if "td" in self._open:
            self.cells[-1] += plain


def leaves(body: Any, key: str = "", unit: str = "") -> Iterator[tuple[float | str, str]]:
    """Every number of a JSON body with its unit, as its key or its neighbour says it, and every text."""
    if isinstance(body, dict):
        own = UNITS.get(str(body.get("unit", "")), "")
        for name, value in body.items():
            yield from leaves(value, name, unit_of(name) or own or unit)
    elif isinstance(body, list):
        for value in body:
            yield from leaves(value, key, unit)
    elif isinstance(body, str):
        yield body, ""
    elif isinstance(body, int | float) and not isinstance(body, bool):
        yield float(body), unit


def unit_of(key: str) -> str:
    for ending, unit in (
        ("_mm", "mm"), ("wetness", "%"), ("share", "%"), ("chance", "%"), ("_degc", "°C"), ("_m", "m"), ("_m3", "m³"),
        ("water_content", "m3"), ("_kpa", "kPa"), ("_h", "h"), ("driest", "%"), ("both", "%"), ("metres", "m"),
    ):  # fmt: skip
        if key.endswith(ending) or (unit == "%" and ending in key):
            return unit
    return ""


@dataclass
class Known:
    """Figures that a page may show: by unit, and bare ones as a table has them."""

    figures: set[tuple[str, str]]
    bare: set[str]

    @classmethod
    def of(cls, bodies: list[Any]) -> Known:
        figures, bare = set[tuple[str, str]](), set[str]()
        for value, unit in (leaf for body in bodies for leaf in leaves(body)):
            if isinstance(value, str):
                plain = value.replace("\N{NO-BREAK SPACE}", " ")
                figures |= set(found_in(plain))
                bare |= set(re.findall(r"\d+(?:\.\d+)?", plain))
                continue
            for factor, called in {
                "%": [(100, "%")],
                "m3": [(100, "%"), (1, "m³/m³"), (1, "m3/m3")],
                "m": [(1, "m"), (1000, "mm")],
                "mm": [(1, "mm")],
                "h": [(1, "h"), (1, "hours"), (1, "hour")],
                "%%": [(1, "%")],
            }.get(unit, [(1, unit)]):
                texts = {f"{abs(value) * factor:.{decimals}f}" for decimals in range(4)} | {
                    f"{round(abs(value) * factor):d}"
                }
                figures |= {(text, called) for text in texts}
                bare |= texts
        return cls(figures, bare)


def found_in(text: str) -> list[tuple[str, str]]:
    """Every number with a unit, both of a range."""
    plain = text.replace("\N{NO-BREAK SPACE}", " ")
    return [*FIGURE.findall(plain), *((low, unit) for low, _, unit in RANGE.findall(plain))]


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[str], Shown]]:
    """Over a story: its server, with advice worked out, a plan of the ground, a core, a booked pass and one done."""
    made: dict[str, Shown] = {}

    def over(story: str) -> Shown:
        if story not in made:
            made[story] = ground_of(story, tmp_path_factory.mktemp(story))
            furnish(made[story])
        return made[story]

    yield over
    for one in made.values():
        one.pipeline.stop()


@EVERY
def test_every_figure_of_every_page_is_one_of_its_data(walked: Any, story: str) -> None:
    """Numbers with a unit wherever they stand, and bare ones in tables: none that the data do not have."""
    one, asked, counted = walked(story), dict[str, Any](), 0
    strange = []
    for page, twins in pages(one):
        for twin in twins:
            if twin not in asked:
                answer = one.client.get(twin)
                assert answer.status_code == 200, (twin, answer.text)
                asked[twin] = answer.json()
        known = Known.of([asked[twin] for twin in twins])
        words = Words(one.client.get(page).text)
        figures = [figure for figure in found_in(words.text) if figure not in SAID_BY_PAGES]
        counted += len(figures)
        strange += [(page, *figure) for figure in figures if figure not in known.figures]
        cells = [cell.strip() for cell in words.cells if re.fullmatch(r"\s*\d+(\.\d+)?\s*", cell)]
        counted += len(cells)
        strange += [(page, cell) for cell in cells if cell not in known.bare]
    assert counted > 150 and strange == []


NUMBER = r"-?\d+(?:\.\d+)?"


def edges_of(svg: str) -> list[list[tuple[float, float]]]:
    """Points of the firm edge of the water in the soil, of each slice of a drawing. [px]"""
    found = []
    for d in re.findall(r'data-draw="edge" d="([^"]*)"', svg):
        found.append([(float(x), float(y)) for x, y in re.findall(rf"({NUMBER}) ({NUMBER})", d)])
    return found


@EVERY
def test_the_slice_is_drawn_where_the_data_have_the_water(walked: Any, story: str) -> None:
    """On the page of a station: at the depth of each probe in the soil the edge stands as far from the left cut as the
    water is on its way to drained, to half a pixel; the figures beside it, and those of past hours, are the data's."""
    one = walked(story)
    for name in one.pipeline.config.stations():
        told = one.client.get(f"/api/v1/stations/{name}").json()
        soil = [d for d in told["depths"] if d["lies_in"] == "soil" and d["wetness"] is not None]
        text = one.client.get(f"/stations/{name}").text
        if not told["depths"]:
            continue
        (big,) = re.findall(r'<figure class="big">(.*?)</figure>', text, re.S)
        place = {key: float(value) for key, value in re.findall(rf'data-(left|wide|head|scale)="({NUMBER})"', big)}
        (edge,) = edges_of(big)
        for depth in soil:
            y = place["head"] + depth["depth_mm"] * place["scale"]
            x = place["left"] + min(max(depth["wetness"], 0.0), MOST_WETNESS) * place["wide"] * PLUMB_SHARE
            assert any(abs(x - a) < 0.5 and abs(y - b) < 0.5 for a, b in edge), (name, depth, edge)
        ways, volumes = (dict(re.findall(rf'data-{what}="([^"]+)">([^<]*)<', big)) for what in ("way", "volume"))
        heard = {channel["id"]: channel["value"] for channel in told["channels"]}
        for depth in told["depths"]:
            if depth["wetness"] is not None:
                assert ways[depth["channel"]] == f"{round(depth['wetness'] * 100)} %"
                assert volumes[depth["channel"]].startswith(f"{heard[depth['channel']] * 100:.0f} %")
        history = json.loads(re.findall(r'data-history="([^"]*)"', text)[0].replace("&#34;", '"'))
        depths = one.client.get(f"/api/v1/stations/{name}/depths?days=14").json()["depths"]
        for drawn, data in zip(history["depths"], depths, strict=True):
            expected = ["" if v is None else f"{round(v * 100)}" for v in data["wetness"]]
            assert drawn["key"] == data["channel"] and drawn["wet"].split(",") == expected
