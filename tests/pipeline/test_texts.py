"""The catalogue of texts: English from the code, another language from one file, and the template of all of them."""

from __future__ import annotations

import ast
import datetime
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline import texts
from pipeline.locale.compile import compile_texts
from pipeline.service import Pipeline, load_settings
from pipeline.site.settings import ConfigFault
from pipeline.texts import later, later_as, listed, say, say_as, say_many, use
from tests import house
from tests.make_catalogue import KEYWORDS, PACKAGES, TEMPLATE, extracted, text_of

HEAD = r"""
msgid ""
msgstr ""
"Content-Type: text/plain; charset=utf-8\n"
"Plural-Forms: nplurals=3; plural=(n==1 ? 0 : n<5 ? 1 : 2);\n"

"""
ZZ = (
    HEAD
    + r"""
msgid "Water {dose} tonight, {place}."
msgstr "{place}: {dose} water."

msgid "{n} probe"
msgid_plural "{n} probes"
msgstr[0] "one-{n}"
msgstr[1] "few-{n}"
msgstr[2] "many-{n}"

msgid "{n} hour"
msgid_plural "{n} hours"
msgstr[0] "eine Stunde"
msgstr[1] ""
msgstr[2] ""

msgid "half full"
msgstr "halb"

msgctxt "month, short"
msgid "May"
msgstr "Mai"

msgctxt "decimal sign"
msgid "."
msgstr ","

msgid "at {depth:.1f} mm"
msgstr "{depth:.1f} mm tief"

msgid "as it {was}"
msgstr "wrong {field}"

msgid "{first} and {last}"
msgstr "{first} und {last}"

msgid "{day} {month}"
msgstr "{day}. {month}"
"""
)


@pytest.fixture
def zz(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A language of nine texts in a folder of its own, in use; English again behind it."""
    (tmp_path / "zz.po").write_text(ZZ, encoding="utf-8")
    compile_texts(tmp_path)
    monkeypatch.setattr(texts, "FOLDER", tmp_path)
    use("zz")
    yield tmp_path
    use("en")


def test_texts_are_said_in_the_language(zz: Path) -> None:
    """Fields change places, a number takes one of three forms, a context its own text; what is missing is English."""
    assert say("Water {dose} tonight, {place}.", dose="12 mm", place="Square") == "Square: 12 mm water."
    assert [say_many("{n} probe", "{n} probes", n) for n in (1, 2, 7)] == ["one-1", "few-2", "many-7"]
    assert say_as("month, short", "May") == "Mai" and say_as("other", "May") == "May"
    assert say(later("half full")) == "halb" and say(later_as("month, short", "May")) == "Mai"
    assert [say_many("{n} hour", "{n} hours", n) for n in (1, 2)] == ["1 hour", "2 hours"]  # a form is missing
    assert say("not there {n}", n=1) == "not there 1" and say(later_as("a", "not there")) == "not there"
    assert say("") == ""


def test_numbers_dates_and_lists_are_those_of_the_language(zz: Path) -> None:
    """The decimal sign, the order of a date and the end of a list; whole numbers and texts are left alone."""
    assert say("at {depth:.1f} mm", depth=12.34) == "12,3 mm tief"
    assert say("version {n}, {text}", n=3, text="1.5") == "version 3, 1.5"
    assert listed(["a", "b", "c"]) == "a, b und c" and listed(["a"]) == "a" and listed([]) == ""
    assert texts.day_words(datetime.date(2025, 5, 9)) == "9. Mai"


def test_a_text_whose_fields_are_wrong_is_said_in_english(zz: Path) -> None:
    """A slip in a catalogue costs no page."""
    assert say("as it {was}", was="is") == "as it is"


def test_english_is_what_the_code_says() -> None:
    """Without a catalogue each text is itself."""
    assert say("Water {dose} tonight, {place}.", dose="12 mm", place="Square") == "Water 12 mm tonight, Square."
    assert [say_many("{n} probe", "{n} probes", n) for n in (0, 1, 1.0, 2)] == [
        "0 probes", "1 probe", "1.0 probe", "2 probes"
    ]  # fmt: skip
    assert say_as("month, short", "May") == "May" == say(later_as("month, short", "May"))
    assert texts.day_words(datetime.date(2025, 5, 9), year=True, long=True) == "9 May 2025"


def test_the_language_of_the_settings_is_in_use(zz: Path, tmp_path: Path) -> None:
    """`[site] language` is said from the start of the pipeline on; one that is not there is a fault that names all."""
    surface = '[[surface]]\nname = "square"\nkind = "square"\n'
    file = tmp_path / "underturf.toml"
    file.write_text(f'[site]\nname = "meadow"\nlanguage = "zz"\n{surface}')
    use("en")
    Pipeline(load_settings(file)).stop()
    assert say("half full") == "halb"
    file.write_text(f'[site]\nname = "meadow"\nlanguage = "xy"\n{surface}')
    with pytest.raises(ConfigFault, match=r"site.language: found 'xy', expected one of en, zz"):
        load_settings(file)
    with pytest.raises(ValueError, match="found 'xy', expected one of en, zz"):
        use("xy")


def test_the_template_has_every_text_of_the_code() -> None:
    """`python tests/make_catalogue.py` makes it anew."""
    assert TEMPLATE.read_text(encoding="utf-8") == text_of(extracted()), "run: python tests/make_catalogue.py"


def test_a_text_is_written_where_it_can_be_found() -> None:
    """A message is a plain string, and Babel finds it; one put together before it is looked up is in no catalogue."""
    found = {part for m in extracted() for part in ((m.id,) if isinstance(m.id, str) else m.id)}
    wrong = []
    for path in house.modules(*PACKAGES):
        for node in ast.walk(house.parsed(path)):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in KEYWORDS:
                many = 2 if node.func.id in ("say_many", "say_as", "later_as") else 1
                plain = [isinstance(one, ast.Constant) for one in node.args[:many]]
                named = node.func.id == "say" and isinstance(node.args[0], ast.Name | ast.Subscript | ast.Attribute)
                told = {one.value for one in node.args[:many][-1:] if isinstance(one, ast.Constant)}
                if not told <= found or (not (all(plain) or named) and path.as_posix() != "pipeline/texts.py"):
                    wrong.append(f"{path}:{node.lineno}")
    assert wrong == []


def test_no_two_texts_differ_in_their_fields_by_number() -> None:
    """The form for one has no field that the form for many has not, and a positional field is in none."""
    fields = re.compile(r"\{(\w*)[^}]*\}")
    for message in extracted():
        forms = message.id if isinstance(message.id, tuple) else (message.id,)
        assert {name for form in forms for name in fields.findall(form)} <= {"n", *fields.findall(forms[-1])}, forms
        assert not any(name == "" or name.isdigit() for form in forms for name in fields.findall(form)), forms
