"""Units and dates as people at a site read them: the one place that converts and formats.

Inside, in stored texts and in JSON, lengths are millimetres and metres, temperatures degrees Celsius, dates day before
month. A text or a page for people passes through `LocalUnits` last, so that what was put into words years ago follows
the setting too. Figures without a unit beside them (a ruler, a column of a table, a field of a form) are made by its
methods. What a person wrote is theirs: `own` keeps it out, by marks that do not show and are taken away again. Exact:
1 inch is 25.4 mm, 1 foot 0.3048 m, 1 US gallon 231 cubic inches (NIST Handbook 44, appendix C).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

MM_AN_INCH, M_A_FOOT, LITRES_A_GALLON = 25.4, 0.3048, 3.785411784
MM, INCH, DEGC, DEGF, DAY_FIRST, MONTH_FIRST = "mm", "inch", "degC", "degF", "day month", "month day"
IN_INCHES = ("us", "usa", "united states", "united states of america")  # by country, where the settings say no more

_NUMBER = r"[-\N{MINUS SIGN}]?\d+(?:\.\d+)?"
_BLANK = "[ \N{NO-BREAK SPACE}]"
_CHAIN = rf"(?<![\w:.,/#-]){_NUMBER}(?:(?:, |, and | to | and | or | of | of the |/){_NUMBER})*"
_UNITS = re.compile(rf"({_CHAIN})({_BLANK}?)(mm(?:(?=/h\b)|(?![\w/]))|(?:m³|m|°C)(?![\w/³²]))")
_YEAR = re.compile(r"(?:19|20)\d\d")
_MONTH = (
    "Jan(?:uary)?|Feb(?:ruary)?|Mar(?:ch)?|Apr(?:il)?|May|June?|July?|Aug(?:ust)?|Sep(?:tember)?|Oct(?:ober)?|"
    "Nov(?:ember)?|Dec(?:ember)?"
)
_DATE = re.compile(rf"\b(\d{{1,2}})(?: to (\d{{1,2}}))?({_BLANK})({_MONTH})\b(?: (\d{{4}})\b)?")
_MARKUP = re.compile(r"<(script|style|pre|code|textarea)\b.*?</\1>|<!--.*?-->|<[^>]*>", re.S)
# Unicode's isolates, which part a piece of another author from the text around it.
_OWN, _END = "\N{FIRST STRONG ISOLATE}", "\N{POP DIRECTIONAL ISOLATE}"
_KEPT = re.compile(f"{_OWN}([^{_END}]*){_END}")
_SAID = re.compile(r'( (?:aria-label|title|alt)=")([^"]*)(")')


@dataclass(frozen=True, slots=True)
class LocalUnits:
    """How a site has its figures: `mm` or `inch`, `degC` or `degF`, `day month` or `month day`."""

    length: str = MM
    temperature: str = DEGC
    dates: str = DAY_FIRST

    @property
    def is_plain(self) -> bool:
        """Whether texts stay as they are."""
        return self == LocalUnits()

    @property
    def in_inches(self) -> bool:
        return self.length == INCH

    @property
    def short(self) -> str:
        """The unit of lengths in the ground, as it stands behind a figure: `mm` or `in`."""
        return "in" if self.in_inches else "mm"

    @property
    def long(self) -> str:
        """The unit of lengths over the ground: `m` or `ft`."""
        return "ft" if self.in_inches else "m"

    @property
    def metre(self) -> float:
        """Length of a unit over the ground. [m]"""
        return M_A_FOOT if self.in_inches else 1.0

    # --- texts -------------------------------------------------------------------------------------------------------

    def text(self, text: str) -> str:
        """Return a text for people with its figures and dates as they are read here."""
        if self.is_plain:
            return text
        parts = _KEPT.split(text)  # every second one is somebody's own
        return "".join(part if number % 2 else self._local(part) for number, part in enumerate(parts))

    def own(self, text: str) -> str:
        """Return what a person wrote so that `text` and `html` leave it as it was written."""
        if self.is_plain or (_UNITS.search(text) is None and _DATE.search(text) is None):
            return text
        return f"{_OWN}{text.replace(_END, '')}{_END}"

    def _local(self, text: str) -> str:
        text = _UNITS.sub(self._converted, text)
        return _DATE.sub(_month_first, text) if self.dates == MONTH_FIRST else text

    def html(self, page: str) -> str:
        """Return a page with its words, and those for a reader's voice, so; scripts, styles and code stay."""
        if self.is_plain:
            return page
        parts, last = [], 0
        for tag in _MARKUP.finditer(page):
            parts.append(self.text(page[last : tag.start()]))
            parts.append(tag[0] if tag[1] else _SAID.sub(lambda said: said[1] + self.text(said[2]) + said[3], tag[0]))
            last = tag.end()
        return "".join((*parts, self.text(page[last:])))

    def _converted(self, found: re.Match[str]) -> str:
        chain, blank, unit = found.groups()
        if unit == "°C":
            if self.temperature == DEGC:
                return found[0]
            return _chain(chain, _fahrenheit) + blank + "°F"
        if not self.in_inches:
            return found[0]
        how, short = {"mm": (_inches, "in"), "m": (_feet, "ft"), "m³": (_gallons, "gal")}[unit]
        return _chain(chain, how) + blank + short

    # --- figures -----------------------------------------------------------------------------------------------------

    def depth(self, mm: float, decimals: int = 0) -> str:
        """Return a length in the ground without its unit. [mm]"""
        return _inches(mm, decimals) if self.in_inches else f"{mm:.{decimals}f}"

    def reach(self, metres: float) -> str:
        """Return a length over the ground without its unit. [m]"""
        return _feet(metres, 1) if self.in_inches else f"{metres:.1f}"

    def marks_mm(self, to_mm: float) -> list[tuple[float, str]]:
        """Return where figures stand on a ruler of so many mm, at most about eight, and what they say. [mm]"""
        if not self.in_inches:
            step = next(each for each in (50, 100, 200, 500) if to_mm / each <= 7)
            return [(float(mm), f"{mm}") for mm in range(0, int(to_mm) + 1, step)]
        inches = next(each for each in (2, 4, 8, 20) if to_mm / MM_AN_INCH / each <= 7)
        return [(each * MM_AN_INCH, f"{each}") for each in range(0, int(to_mm / MM_AN_INCH) + 1, inches)]

    def ticks_mm(self, to_mm: float, *, fine: bool) -> list[tuple[float, int]]:
        """Return the strokes of a ruler: where [mm], and 2 for a long one, 1 for a middling, 0 for a short."""
        if not self.in_inches:
            step = (5 if fine else 10) if to_mm <= 400 else 50
            return [
                (float(mm), 2 if mm % 50 == 0 else 1 if mm % 10 == 0 else 0) for mm in range(0, int(to_mm) + 1, step)
            ]
        parts = (4 if fine else 2) if to_mm <= 400 else 1  # of an inch
        count = int(to_mm / MM_AN_INCH * parts) + 1
        return [
            (n * MM_AN_INCH / parts, 2 if n % (2 * parts) == 0 else 1 if n % parts == 0 else 0) for n in range(count)
        ]

    def entered(self, mm: float) -> str:
        """Return a length in the ground as a field of a form has it. [mm]"""
        return f"{mm / MM_AN_INCH:.3g}" if self.in_inches else f"{mm:g}"

    # --- what is entered ---------------------------------------------------------------------------------------------

    def mm_of(self, entered: float) -> float:
        """Return what was entered as a length in the ground, to a tenth. [mm]"""
        return round(entered * MM_AN_INCH, 1) if self.in_inches else entered


def units_of(country: str, length: str | None, temperature: str | None, dates: str | None) -> LocalUnits:
    """Return the units of a site: as the settings have them, else by its country."""
    usual = LocalUnits(INCH, DEGF, MONTH_FIRST) if country.strip().lower() in IN_INCHES else LocalUnits()
    return LocalUnits(length or usual.length, temperature or usual.temperature, dates or usual.dates)


def _chain(chain: str, how: Callable[[float, int], str]) -> str:
    """Numbers of a text before one unit by a conversion; a year among them stays, but the last has the unit."""
    *before, last = re.finditer(_NUMBER, chain)
    edges = [0, *(one.end() for one in before)]
    said = [
        chain[edge : one.start()] + (one[0] if _YEAR.fullmatch(one[0]) else _each(one[0], how))
        for edge, one in zip(edges, before, strict=False)
    ]
    return "".join((*said, chain[edges[-1] : last.start()], _each(last[0], how)))


def _each(number: str, how: Callable[[float, int], str]) -> str:
    """One number of a text by a conversion."""
    plain = number.replace("\N{MINUS SIGN}", "-")
    decimals = len(plain.partition(".")[2])
    said = how(float(plain), decimals)
    return said.replace("-", "\N{MINUS SIGN}") if number[0] == "\N{MINUS SIGN}" else said


def _inches(mm: float, decimals: int) -> str:
    """As fine as the millimetres were told: hundredths, from four inches on tenths."""
    inches = mm / MM_AN_INCH
    return _fixed(inches, 1 if abs(inches) >= 4.0 and decimals == 0 else 2 if decimals < 2 else 3)


def _feet(metres: float, decimals: int) -> str:
    return _fixed(metres / M_A_FOOT, decimals if decimals else (0 if abs(metres) >= 10.0 else 1))


def _gallons(cubic_metres: float, decimals: int) -> str:
    """Three figures: as much as cubic metres tell."""
    del decimals
    gallons = 1000.0 * cubic_metres / LITRES_A_GALLON
    size = 0 if gallons == 0.0 else math.floor(math.log10(abs(gallons)))
    return f"{round(gallons, 2 - size):.{max(2 - size, 0)}f}"


def _fahrenheit(degc: float, decimals: int) -> str:
    return _fixed(degc * 9.0 / 5.0 + 32.0, decimals)


def _fixed(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}" if round(value, decimals) else f"{0:.{decimals}f}"


def _month_first(found: re.Match[str]) -> str:
    day, until, blank, month, year = found.groups()
    return f"{month}{blank}{day}" + (f" to {until}" if until else "") + (f", {year}" if year else "")
