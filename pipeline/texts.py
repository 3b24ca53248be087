"""The texts that people see, in the language of the site: one catalogue, with English as its source.

A text is written where it is used, in English and as a whole message: `say("Water {dose} tonight.", dose=dose)`. The
English text is its own key, so there is nothing to look up, and what no catalogue has is said in English. How to write
one, so that another language can say it:

- A sentence, or a clause that stands alone, is one message. What changes in it is a named field, and another language
  may put the fields in another order; never glue a sentence from halves. A field may carry a format as in `str.format`
  (`{depth:.0f}`); the decimal sign is the language's.
- What depends on a number is `say_many("{n} probe", "{n} probes", n)`: `n` is a field by itself, and a language has as
  many forms as it needs.
- A word with two meanings in English has a context, `say_as("month, short", "May")`; a clause that fills a slot of
  another message is said what slot it fills, by its context or by a comment for translators, `# Translators: ...`, in
  the line above.
- A table at the top of a module is marked with `later("half full")`, or `later_as(context, text)`, and translated where
  it is used, `say(TABLE[key])`: the language is not known when a module is imported.
- Months, weekdays, dates and lists are said by the functions here alone.
- What people or settings say (a title, a name, a note) is a field, never a message. So is nothing that is compared,
  stored as a key or logged; errors of the command line and of the settings stay English.

Templates have the same functions, and `say_html` for a message with markup in it. After a change of texts,
`python tests/make_catalogue.py` renews `locale/underturf.pot`, which a test asks for; `api/docs/words.md` says how a
language is added. The language is one a process, as a process serves one site.
"""

from __future__ import annotations

import datetime
import gettext
import string
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ENGLISH = "en"
FOLDER = Path(__file__).parent / "locale"
_OF_CONTEXT = "\4"  # parts context and text in a key of GNU gettext


class _Local(string.Formatter):
    """Fields of a text, numbers with the decimal sign of a language."""

    def __init__(self, sign: str) -> None:
        self._sign = sign

    def format_field(self, value: Any, format_spec: str) -> str:
        said = str(format(value, format_spec))
        return said.replace(".", self._sign) if isinstance(value, float) else said


@dataclass(frozen=True, slots=True)
class _Language:
    """A catalogue; None for English itself, which is written in the code."""

    catalogue: gettext.GNUTranslations | None = None
    fields: _Local | None = None  # where the decimal sign is not a point

    def find(self, key: str) -> str:
        """Return a text by its key, in English where the catalogue has none, with its fields still open."""
        if not key:
            return ""  # the key of the catalogue's own head
        said = key if self.catalogue is None else self.catalogue.gettext(key)
        return said if said is not key else key.rpartition(_OF_CONTEXT)[2]

    def filled(self, said: str, english: str, fields: dict[str, object]) -> str:
        """Return a text with its fields; the English one where the other names a field that there is not."""
        if not fields:
            return said
        try:
            return said.format(**fields) if self.fields is None else self.fields.vformat(said, (), fields)
        except (LookupError, ValueError):
            return english.format(**fields)


_spoken = _Language()


def languages() -> list[str]:
    """Return the languages there are: English, and each whose catalogue was compiled."""
    return [ENGLISH, *sorted(path.stem for path in FOLDER.glob("*.mo") if path.stem != ENGLISH)]


def use(language: str) -> None:
    """Say texts in a language from now on, in the whole process.

    Raises
    ------
    ValueError
        There is no such language.
    """
    global _spoken
    if language == ENGLISH:
        _spoken = _Language()
        return
    if language not in languages():
        raise ValueError(f"language: found {language!r}, expected one of {', '.join(languages())}")
    with (FOLDER / f"{language}.mo").open("rb") as file:
        catalogue = gettext.GNUTranslations(file)
    _spoken = _Language(catalogue)
    # Translators: the decimal sign
    sign = say_as("decimal sign", ".")
    _spoken = _Language(catalogue, None if sign == "." else _Local(sign))


def figure(value: float, decimals: int) -> str:
    """Return a number with so many decimals and the decimal sign of the language."""
    said = f"{value:.{decimals}f}"
    return said if _spoken.fields is None else _spoken.fields.format_field(value, f".{decimals}f")


# --- texts -----------------------------------------------------------------------------------------------------------


def say(text: str, /, **fields: object) -> str:
    """Return a text in the language of the site, with its fields."""
    return _spoken.filled(_spoken.find(text), text.rpartition(_OF_CONTEXT)[2], fields)


def say_as(context: str, text: str, /, **fields: object) -> str:
    """Return a text that has a meaning of its own in a context."""
    return _spoken.filled(_spoken.find(later_as(context, text)), text, fields)


def say_many(one: str, many: str, n: float, /, **fields: object) -> str:
    """Return the text for so many, `n`, which is a field of it. Parts of a number count as many."""
    english = one if n == 1 else many
    if _spoken.catalogue is None:
        return english.format(n=n, **fields)
    whole = int(n) if n == int(n) else 2
    return _spoken.filled(_spoken.catalogue.ngettext(one, many, whole), english, {"n": n, **fields})


def later(text: str) -> str:
    """Mark a text of a table, to be translated by `say` where it is used."""
    return text


def later_as(context: str, text: str) -> str:
    """Mark a text of a table that has a meaning of its own in a context."""
    return f"{context}{_OF_CONTEXT}{text}"


# --- lists and dates -------------------------------------------------------------------------------------------------

_MONTHS = (
    later("January"), later("February"), later("March"), later("April"), later_as("month", "May"), later("June"),
    later("July"), later("August"), later("September"), later("October"), later("November"), later("December"),
)  # fmt: skip
_SHORT_MONTHS = (
    later("Jan"), later("Feb"), later("Mar"), later("Apr"), later_as("month, short", "May"), later("Jun"),
    later("Jul"), later("Aug"), later("Sep"), later("Oct"), later("Nov"), later("Dec"),
)  # fmt: skip
_DAYS = (
    later("Monday"), later("Tuesday"), later("Wednesday"), later("Thursday"), later("Friday"), later("Saturday"),
    later("Sunday"),
)  # fmt: skip
_SHORT_DAYS = (
    later("Mon"), later("Tue"), later("Wed"), later("Thu"), later("Fri"), later("Sat"), later("Sun"),
)  # fmt: skip
_DAYS_IN_TWO = (
    later_as("Monday, in two letters", "Mo"), later_as("Tuesday, in two letters", "Tu"),
    later_as("Wednesday, in two letters", "We"), later_as("Thursday, in two letters", "Th"),
    later_as("Friday, in two letters", "Fr"), later_as("Saturday, in two letters", "Sa"),
    later_as("Sunday, in two letters", "Su"),
)  # fmt: skip
_MONTH_LETTERS = (
    later_as("January, in a letter", "J"), later_as("February, in a letter", "F"),
    later_as("March, in a letter", "M"), later_as("April, in a letter", "A"), later_as("May, in a letter", "M"),
    later_as("June, in a letter", "J"), later_as("July, in a letter", "J"), later_as("August, in a letter", "A"),
    later_as("September, in a letter", "S"), later_as("October, in a letter", "O"),
    later_as("November, in a letter", "N"), later_as("December, in a letter", "D"),
)  # fmt: skip


def listed(names: Sequence[str]) -> str:
    """Return names as in a sentence: `a`, `a and b`, `a, b and c`; empty for none."""
    if len(names) < 2:
        return names[0] if names else ""
    # Translators: how a list ends, as in "roots, thatch and soil"
    return say("{first} and {last}", first=in_a_row(names[:-1]), last=names[-1])


def in_a_row(names: Sequence[str]) -> str:
    """Return names of a list that goes on, or of a row of figures: `a, b, c`."""
    said = names[0] if names else ""
    for name in names[1:]:
        # Translators: how a list goes on
        said = say("{first}, {next}", first=said, next=name)
    return said


def month(number: int) -> str:
    """Return the name of a month. [1 to 12]"""
    return say(_MONTHS[number - 1])


def short_month(number: int) -> str:
    """Return the short name of a month, as in a date or under a figure. [1 to 12]"""
    return say(_SHORT_MONTHS[number - 1])


def month_letter(number: int) -> str:
    """Return the letter of a month, as under a narrow figure. [1 to 12]"""
    return say(_MONTH_LETTERS[number - 1])


def weekday(day: datetime.date) -> str:
    """Return the name of a day of the week."""
    return say(_DAYS[day.weekday()])


def short_weekday(day: datetime.date) -> str:
    """Return the short name of a day of the week."""
    return say(_SHORT_DAYS[day.weekday()])


def weekday_letters(day: datetime.date) -> str:
    """Return a day of the week in two letters, as under a narrow figure."""
    return say(_DAYS_IN_TWO[day.weekday()])


def weekday_and_day(day: datetime.date) -> str:
    """Return a day of these weeks without its month, as `Fri 22`."""
    return say("{weekday} {day}", weekday=short_weekday(day), day=day.day)


def day_words(day: datetime.date, *, year: bool = False, long: bool = False) -> str:
    """Return a date as `12 Oct`, or with the whole name of its month; with its year where that is asked for."""
    name = month(day.month) if long else short_month(day.month)
    if year:
        # Translators: a date, as in "12 Oct 2025" or "12 October 2025"
        return say("{day} {month} {year}", day=day.day, month=name, year=day.year)
    # Translators: a date, as in "12 Oct" or "12 October"
    return say("{day} {month}", day=day.day, month=name)
