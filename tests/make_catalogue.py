"""Makes the template of all texts that people see, `pipeline/locale/underturf.pot`: `python tests/make_catalogue.py`.

The texts are what the functions of `pipeline.texts` are called with in modules and templates, with the file each stands
in. Lines and dates are left out, so that the template changes only with the texts.
"""

from __future__ import annotations

import io
from contextlib import redirect_stderr
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import write_po

ROOT = Path(__file__).parent.parent
TEMPLATE = ROOT / "pipeline/locale/underturf.pot"
PACKAGES = ("api", "pipeline")
METHODS = [("**.py", "python"), ("**.html", "jinja2.ext:babel_extract")]
KEYWORDS = {
    "say": None, "say_html": None, "later": None,
    "say_many": (1, 2), "say_as": ((1, "c"), 2), "later_as": ((1, "c"), 2),
}  # fmt: skip
HEAD = """\
# Every text that people see, in English. A language is a copy of this file, filled in: see api/docs/words.md.
#"""


def extracted() -> Catalog:
    """The texts of the code as it is."""
    catalogue = Catalog(charset="utf-8", header_comment=HEAD, fuzzy=False)
    with redirect_stderr(
        io.StringIO()
    ):  # Babel warns of f-strings. A field may be one, a text may not: a test holds it
        for package in PACKAGES:
            found = extract_from_dir(
                ROOT / package, METHODS, keywords=KEYWORDS, comment_tags=("Translators:",), strip_comment_tags=True
            )
            for name, _, message, comments, context in found:
                catalogue.add(message, None, [(f"{package}/{name}", 0)], auto_comments=comments, context=context)
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
