"""Every text that people see is in the catalogue: pages, sheet, calendar, text and digest in a language of the test's.

The language is made from the template, each message in brackets with its fields kept: `⟦Water ⟦12 mm⟧ tonight.⟧`. So
what stands outside all brackets came from no catalogue. Only data may: names and notes that people gave, numbers, units
and times. With the brackets taken away, all is as in English: nothing is decided by the words of a language.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po

from api.app import create_app
from pipeline import texts
from pipeline.locale.compile import compile_texts
from pipeline.notify.outbox import _news
from pipeline.notify.policy import due
from pipeline.plan.digest import plan_news
from pipeline.service import Pipeline
from pipeline.texts import use
from tests.api.advice_by_hand import advice
from tests.api.grounds import furnish, ground_of, pages
from tests.api.served import TestClient
from tests.api.site import SETTINGS, ground_at, readings

OPEN, CLOSE = "\N{MATHEMATICAL LEFT WHITE SQUARE BRACKET}", "\N{MATHEMATICAL RIGHT WHITE SQUARE BRACKET}"
READ_ALOUD = {"title", "aria-label", "alt", "placeholder"}
HIDDEN = {"script", "style", "pre", "code", "textarea"}
# What is no text: beside the names that settings and people give, and whatever has no letters.
UNITS = {
    "mm",
    "mm²",
    "m",
    "in",
    "ft",
    "h",
    "min",
    "V",
    "kPa",
    "dBm",
    "dS",
    "W",
    "kg",
    "g",
    "GB",
    "MB",
    "kB",
    "s",
    "C",
    "cm",
    "m³",
    "m²",
}
PRODUCT = {"Underturf", "JSON", "CSV", "EC", "UTC", "SDI", "CRC"}
pytestmark = pytest.mark.timeout(600)


def bracketed() -> Catalog:
    """The language: every message of the code in brackets."""
    with (texts.FOLDER / "underturf.pot").open("rb") as file:  # whole and up to date: `test_texts.py`
        catalogue = read_po(file)
    for message in catalogue:
        if message.id and message.context != "decimal sign":
            forms = (message.id,) if isinstance(message.id, str) else message.id
            said = tuple(f"{OPEN}{form}{CLOSE}" for form in forms)
            message.string = said[0] if isinstance(message.id, str) else said
    return catalogue


@pytest.fixture(scope="module")
def zz(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The language, installed beside English for this module."""
    folder, before = tmp_path_factory.mktemp("locale"), texts.FOLDER
    catalogue = bracketed()
    with (folder / "zz.po").open("wb") as file:
        write_po(file, catalogue)
    text = (folder / "zz.po").read_text(encoding="utf-8")
    plural = r'"Plural-Forms: nplurals=2; plural=(n != 1);\n"'
    (folder / "zz.po").write_text(text.replace('"MIME-Version', plural + '\n"MIME-Version', 1), encoding="utf-8")
    compile_texts(folder)
    texts.FOLDER = folder
    yield "zz"
    texts.FOLDER = before
    use("en")


class Seen(HTMLParser):
    """All that a page says, in its order, with the place of each: words, and what is read aloud or hovered over."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.parts: list[str] = []
        self.aside: list[str] = []
        self._hidden: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in HIDDEN:
            self._hidden.append(tag)
        told = dict(attrs)
        self.aside += [value for name, value in attrs if name in READ_ALOUD and value]
        self.aside += [value for name, value in attrs if name.startswith("data-say") and value]
        if tag == "input" and told.get("type") in ("submit", "button"):
            self.aside.append(told.get("value") or "")

    def handle_endtag(self, tag: str) -> None:
        if self._hidden and self._hidden[-1] == tag:
            self._hidden.pop()

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.parts.append(data)


def outside(parts: list[str]) -> list[str]:
    """What stands outside all brackets of some texts that follow on one another; brackets may reach over them."""
    found, depth = [], 0
    for part in parts:
        if part.endswith(" ..."):  # cut short: whatever was open ends here
            part += CLOSE * (part.count(OPEN) - part.count(CLOSE))
        plain = ""
        for letter in part:
            depth += (letter == OPEN) - (letter == CLOSE)
            plain += letter if depth == 0 and letter != CLOSE else "\0"
            if depth < 0:
                return [*found, f"more closed than opened: {part}"]
        found += [one for one in re.split("\0+", plain) if one.strip()]
    return [*found, f"never closed: {parts[-1]}"] if depth else found


def names_of(pipeline: Pipeline) -> list[str]:
    """What people and settings have given names to, the longest first."""
    site = pipeline.config.site
    made_by_hand = pipeline.advice()  # of one ground, its notes and sources among it
    given = [] if made_by_hand is None else [note.rstrip(".") for note in made_by_hand.notes]
    for one in () if made_by_hand is None else made_by_hand.surfaces:
        given += [text for each in one.stations for text in (each.forecast.source, each.forecast.reason)]
    given += [site.title, site.name, site.timezone, "the cable", "the left peg", "the right peg"]
    for surface in pipeline.config.surfaces:
        given += [surface.title, surface.name]
        for station in surface.stations:
            given += [station.title or "", station.name, *(p.name for p in station.probes)]

    given += [each.strip() for one in given for each in one.split(",")]
    return sorted({one for one in given if one}, key=len, reverse=True)


def untranslated(said: str, names: list[str]) -> str:
    """What is left of a text when names, numbers with their units and signs are taken away: nothing, of data."""
    left = said
    for name in names:
        left = re.sub(rf"(?<!\w){re.escape(name)}(?!\w)", " ", left, flags=re.IGNORECASE)
    words = [word for word in re.findall(r"[^\W\d_]+", left) if word not in UNITS | PRODUCT and len(word) > 1]
    return said.strip() if words else ""


@dataclass
class Ground:
    """A server of one language, and what else the walk needs of it."""

    pipeline: Pipeline
    client: TestClient
    addresses: list[str]


def addresses_of(pipeline: Pipeline, walked: list[str]) -> list[str]:
    """Every page there is, and all texts beside them."""
    stations = pipeline.config.stations().values()
    probes = [f"/probes/{s.name}/{p.name}" for s in stations for p in s.probes]
    surfaces = [s.name for s in pipeline.config.surfaces]
    booked = [entry.id for entry in pipeline.diary.entries(("pass",), 0, 2**62)]
    return [
        *walked, "/alerts", "/probes", *probes, "/work/book", *(f"/work/book?surface={s}" for s in surfaces),
        *(f"/work/book?entry={entry}" for entry in booked), *(f"/work/{s}/windows" for s in surfaces), "/nowhere",
        "/stations/nobody", "/calendar/work.ics", "/api/v1/summary.txt", "/api/v1/answers",
        *(f"/stations/{s.name}?span=season" for s in stations),
    ]  # fmt: skip


def story(folder: Path, language: str) -> Ground:
    """Days of a simulated square, furnished."""
    one = ground_of("thatch_bound_square", folder, language)
    furnish(one)
    return Ground(one.pipeline, one.client, addresses_of(one.pipeline, [page for page, _ in pages(one)]))


def site(folder: Path, language: str) -> Ground:
    """Days of three stations as a node would have sent them, with their alerts, and advice made by hand."""
    folder.mkdir()
    ground = ground_at(folder, SETTINGS.replace("[site]\n", f'[site]\nlanguage = "{language}"\n'))
    ground.hear(readings())
    ground.advise(advice())
    stations, surfaces = ground.pipeline.config.stations(), [s.name for s in ground.pipeline.config.surfaces]
    walked = ["/", *(f"/stations/{s}" for s in stations), "/work", *(f"/season/{s}" for s in surfaces),
              *(f"/sheet/{s}" for s in surfaces), "/ground", "/compare", "/trust"]  # fmt: skip
    client = TestClient(create_app(ground.pipeline), raise_server_exceptions=False)
    return Ground(ground.pipeline, client, addresses_of(ground.pipeline, walked))


def empty(folder: Path, language: str) -> Ground:
    """A site without a station."""
    folder.mkdir()
    text = SETTINGS.replace("[site]\n", f'[site]\nlanguage = "{language}"\n')
    ground = ground_at(folder, text, bare=True)
    return Ground(ground.pipeline, TestClient(create_app(ground.pipeline), raise_server_exceptions=False),
                  ["/", "/work", "/season", "/ground", "/compare", "/alerts", "/probes", "/trust"])  # fmt: skip


def digest_of(pipeline: Pipeline) -> list[str]:
    """Subject and lines of the digest of all that was opened and closed, and of what is planned."""
    config, now_ms, plan = pipeline.config, pipeline.clock.now_ms(), pipeline.plan()
    texts_of_plan = {alert: text for each in plan.surfaces.values() for alert, text in each.texts.items()}
    news = [_news(event, now_ms, texts_of_plan) for event in pipeline.journal.events(0, now_ms + 1)]
    zone = ZoneInfo(config.site.timezone)
    here = datetime.fromtimestamp(now_ms / 1000, zone).replace(hour=12)
    plans = [one for each in plan.surfaces.values() for one in plan_news(each, now_ms, zone)]
    last = here.date().replace(year=here.year - 1).isoformat()
    found = due(
        config.site,
        config.notify.model_copy(update={"digest_when_empty": True}),
        news,
        (),
        last,
        round(here.timestamp() * 1000),
        plans=plans,
    )
    assert found.messages
    told = [text for message in found.messages for text in (message.subject, *message.lines)]
    return [
        line + CLOSE * (line.count(OPEN) - line.count(CLOSE)) for line in told
    ]  # a subject has the first words only


def problem_of(ground: Ground, address: str) -> list[str]:
    """What a page of a problem quotes: the document of the data interface, which is in English."""
    told = ground.client.get(address, headers={"accept": "application/json"}).json()
    return [told[key].lower() for key in ("title", "detail") if key in told]


def _is_quoted(part: str, quoted: list[str]) -> bool:
    return any(part.strip().lower().partition(" · ")[0] == one for one in quoted)


def said_by(ground: Ground) -> Iterator[tuple[str, list[str]]]:
    """Every address with its texts, each list of those that follow on one another."""
    for address in ground.addresses:
        answer = ground.client.get(address, headers={"accept": "text/html"})
        text = answer.text
        if text.startswith("<!doctype html>"):
            seen, quoted = Seen(text), problem_of(ground, address) if answer.status_code >= 400 else []
            yield address, [part for part in seen.parts if not _is_quoted(part, quoted)]
            yield from ((f"{address} (aside)", [one]) for one in seen.aside)
        elif address.endswith(".ics"):
            whole = re.sub(r"\r\n ", "", text)
            yield from ((address, [line.split(":", 1)[1]]) for line in whole.splitlines()
                        if line.startswith(("SUMMARY", "DESCRIPTION", "X-WR-CALNAME")))  # fmt: skip
        elif text.startswith("["):
            yield from ((address, [html.unescape(one)]) for row in ground.client.get(address).json()
                        for one in (row["question"], row["verdict"], row["clause"], *row["lines"]))  # fmt: skip
        else:
            yield from ((address, [line]) for line in text.splitlines())


GROUNDS = {"story": story, "site": site, "empty": empty}


@pytest.mark.parametrize("which", GROUNDS)
def test_every_text_is_in_the_catalogue(zz: str, tmp_path: Path, which: str) -> None:
    """Nothing that people see stands outside the brackets but data."""
    ground = GROUNDS[which](tmp_path / which, zz)
    try:
        left: dict[str, str] = {}
        names, counted = names_of(ground.pipeline), 0
        for address, said in said_by(ground):
            counted += sum(one.count(OPEN) for one in said)
            for one in outside(said):
                if untranslated(one, names):
                    left.setdefault(one.strip(), address)
        for line in digest_of(ground.pipeline):
            left |= {one: "digest" for one in outside([line]) if untranslated(one, names)}
    finally:
        ground.pipeline.stop()
        use("en")
    assert counted > 10
    print(*(f"{where}: {one!r}" for one, where in left.items()), sep="\n")
    assert not left


def plain(text: str) -> str:
    """A page without brackets, case and the kind of its blanks, and without its language and what was cut to length."""
    text = text.replace("\r\n ", "")  # folds of a calendar
    text = text.replace(f'<th scope="row">{OPEN}the ', '<th scope="row">')  # an article that English leaves out there
    text = re.sub(r'<html lang="\w+">', "", html.unescape(text)).replace(OPEN, "").replace(CLOSE, "")
    text = re.sub(r'(?s)<a href="#see">.*?</a></p>|<text class="i q?" x="184".*?</text>', "", text)
    return re.sub(r"\s+", " ", text.lower().replace("\N{NO-BREAK SPACE}", " "))


def test_nothing_is_decided_by_the_words_of_a_language(zz: str, tmp_path: Path) -> None:
    """Without the brackets every page is the English one: the same verdicts, marks, drawings and figures."""
    said: list[dict[str, str]] = []
    for language in (zz, "en"):
        ground = site(tmp_path / language, language)
        said.append({a: plain(ground.client.get(a, headers={"accept": "text/html"}).text) for a in ground.addresses})
        ground.pipeline.stop()
    use("en")
    differ = {address: text for address, text in said[1].items() if said[0][address] != text}
    for address, text in differ.items():
        at = next(n for n, (a, b) in enumerate(zip(text, said[0][address], strict=False)) if a != b)
        print(address, repr(text[at - 60 : at + 60]), repr(said[0][address][at - 60 : at + 60]), sep="\n  ")
    assert not differ
