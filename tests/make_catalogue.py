"""Makes the template of all texts that people see, `pipeline/locale/underturf.pot`: `python tests/make_catalogue.py`.

The texts are what the functions of `pipeline.texts` are called with in modules and templates, with the file each stands
in. Lines and dates are left out, so that the template changes only with the texts.
"""

from __future__ import annotations

import io
import sys
import tomllib
from collections.abc import Iterator
from contextlib import redirect_stderr
from functools import cache
from pathlib import Path
from typing import BinaryIO

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import write_po

sys.path.insert(0, str(Path(__file__).parent.parent))

from hardware.machine_clock import TIME_IN_DOUBT
from hardware.probe import load_probe, models
from pipeline.diary.entry import KINDS
from pipeline.site.power import BATTERIES
from pipeline.stages.catalogue import CATALOGUE

ROOT = Path(__file__).parent.parent
TEMPLATE = ROOT / "pipeline/locale/underturf.pot"
PACKAGES = ("api", "pipeline")
KEYWORDS = {
    "say": None, "say_html": None, "later": None,
    "say_many": (1, 2), "say_as": ((1, "c"), 2), "later_as": ((1, "c"), 2),
}  # fmt: skip
HEAD = """\
# Every text that people see, in English. A language is a copy of this file, filled in: see api/docs/words.md.
#"""


def of_passes(file: BinaryIO, *_: object, **__: object) -> Iterator[tuple[int, str, str, list[str]]]:
    """The texts of the kinds of pass, as an extraction method of Babel."""
    for name, facts in tomllib.load(file).items():
        said = (facts.get(name, "") for name in ("square_caution", "look_first"))
        each = [facts["title"], facts["doing"], *facts.get("wait_notes", {}).values(), *said]
        about, each = f"of a pass: {name.replace('_', ' ')}", [name.replace("_", " "), *each]
        yield from ((0, "say", text, [about]) for text in dict.fromkeys(each) if text)


METHODS = [
    ("**.py", "python"), ("**.html", "jinja2.ext:babel_extract"), ("**/passes.toml", of_passes),
]  # fmt: skip


# Texts of packages that may not know the catalogue, and of long tables, said by those that show them.
TABLES = [
    (
        "pipeline/stages/catalogue.py",
        [text for one in CATALOGUE.values() for text in (one.title, one.meaning)],
        "a finding, its name or what it says",
    ),
    ("pipeline/diary/entry.py", [kind.kind_title for kind in KINDS.values()], "a kind of entry in the diary"),
    ("pipeline/site/power.py", [battery.caution for battery in BATTERIES.values()], "what a kind of battery needs"),
    ("hardware/machine_clock.py", tuple(TIME_IN_DOUBT.values()), "of a clock"),
    ("hardware/probes", tuple(dict.fromkeys(load_probe(name).title for name in models())), "a model of probe"),
]


@cache
def extracted() -> Catalog:
    """The texts of the code as it is."""
    catalogue = Catalog(charset="utf-8", header_comment=HEAD, fuzzy=False)
    with redirect_stderr(
        io.StringIO()
    ):  # Babel warns of f-strings: a field may be one, a text may not, which is tested
        for package in PACKAGES:
            found = extract_from_dir(
                ROOT / package, METHODS, keywords=KEYWORDS, comment_tags=("Translators:",), strip_comment_tags=True
            )
            for name, _, message, comments, context in found:
                catalogue.add(message, None, [(f"{package}/{name}", 0)], auto_comments=comments, context=context)
    for path, texts, about in TABLES:
        for text in dict.fromkeys(texts):
            catalogue.add(text, None, [(path, 0)], auto_comments=[about])
    return catalogue


def text_of(catalogue: Catalog) -> str:
    """The template as it stands in the file."""
    file = io.BytesIO()
    write_po(file, catalogue, width=110, sort_by_file=True, include_lineno=False)
    lines = file.getvalue().decode().splitlines(keepends=True)
    dated = ('"POT-Creation-Date', '"PO-Revision-Date', '"Generated-By', '"Last-Translator', '"Language-Team',
             '"Report-Msgid', '"Project-Id')  # fmt: skip
    return "".join(line for line in lines if not line.startswith(dated))


if __name__ == "__main__":
    TEMPLATE.write_text(text_of(extracted()), encoding="utf-8")
    print(f"{TEMPLATE.relative_to(ROOT)}: {len(extracted())} texts")
