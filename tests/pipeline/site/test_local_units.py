"""Units and dates as people at a site read them: figures by hand from the definitions (NIST HB 44, appendix C)."""

from __future__ import annotations

import pytest

from pipeline.site.ground import Site
from pipeline.site.local_units import DAY_FIRST, DEGC, INCH, MONTH_FIRST, LocalUnits

INCHES = LocalUnits("inch", "degF", "month day")


@pytest.mark.parametrize(("text", "said"), [
    ("6.8 mm of rain since Thu 02:00.", "0.27 in of rain since Thu 02:00."),  # 6.8 / 25.4 = 0.268
    ("Got 0.4 of 6.8 mm", "Got 0.02 of 0.27 in"),
    ("Roots drink to 120 mm (48 to 172 mm).", "Roots drink to 4.7 in (1.89 to 6.8 in)."),
    ("at 35, 65, 110, 160, 220 mm: 21", "at 1.38, 2.56, 4.3, 6.3, 8.7 in: 21"),
    ("12 mm solid tining to 100 mm", "0.47 in solid tining to 3.94 in"),
    ("keep 2 m off it, 29.7 m from A", "keep 6.6 ft off it, 97.4 ft from A"),
    ("Water 25 mm (15 m³)", "Water 0.98 in (3960 gal)"),  # 15,000 l / 3.785411784 = 3962.6
    ("5 mm/h, 0.21 m³/m³, 3 m/s, 400 W/m², 600 m²", "0.20 in/h, 0.21 m³/m³, 3 m/s, 400 W/m², 600 m²"),
    ("−0.4 °C to -40 °C, 0 to 100 °C", "31.3 °F to -40 °F, 32 to 212 °F"),
    ("Since Thu 21 Mar 01:00.", "Since Thu Mar 21 01:00."),
    ("from 3 to 7 October, then 2 Jul 2024, 5 mm", "from October 3 to 7, then Jul 2, 2024, 0.20 in"),
    ("at 06:15, 3 probes, 4 in 10, p1 35mm", "at 06:15, 3 probes, 4 in 10, p1 1.38in"),
])  # fmt: skip
def test_a_text_is_told_in_inches_degf_and_month_first(text: str, said: str) -> None:
    """Each number of a list or range is converted with its unit, as fine as it was told; nothing else is touched."""
    assert INCHES.text(text) == said
    assert LocalUnits().text(text) == text


def test_each_of_the_three_is_chosen_by_itself() -> None:
    """Inches alone leave temperature and date, and so on."""
    text = "25.4 mm, 10 °C, 2 Jul"
    assert LocalUnits(length=INCH).text(text) == "1.00 in, 10 °C, 2 Jul"
    assert LocalUnits(temperature="degF").text(text) == "25.4 mm, 50 °F, 2 Jul"
    assert LocalUnits(dates=MONTH_FIRST).text(text) == "25.4 mm, 10 °C, Jul 2"


def test_a_page_keeps_its_scripts_styles_code_and_addresses() -> None:
    """Only words between tags, and those for a reader's voice, are converted."""
    page = (
        '<style>a{width:62 mm}</style><pre>8 mm</pre><a href="/2 Jul/5 mm" aria-label="to 5 mm">12 mm</a>'
        '<i data-history="5 mm"></i>'
    )
    assert INCHES.html(page) == page.replace(">12 mm<", ">0.47 in<").replace('"to 5 mm"', '"to 0.20 in"')


def test_a_site_is_read_by_its_country_and_by_what_its_settings_say() -> None:
    """The United States read inches, Fahrenheit and month first, everybody else not; a setting stands over it."""
    assert Site(name="a").units == Site(name="a", country="England").units == LocalUnits()
    assert Site(name="a", country="United States").units == INCHES
    mixed = Site(name="a", country="USA", temperature=DEGC, dates=DAY_FIRST).units
    assert mixed == LocalUnits("inch", "degC", "day month")


def test_a_ruler_has_whole_figures_and_what_is_entered_comes_back() -> None:
    """Of 300 mm: each two inches, to 10; 4 in are 101.6 mm and are shown as 4 again."""
    assert [said for _, said in INCHES.marks_mm(300.0)] == ["0", "2", "4", "6", "8", "10"]
    assert INCHES.marks_mm(300.0)[1][0] == pytest.approx(50.8)
    assert [said for _, said in LocalUnits().marks_mm(300.0)] == ["0", "50", "100", "150", "200", "250", "300"]
    assert sum(rank == 2 for _, rank in INCHES.ticks_mm(300.0, fine=True)) == 6
    assert INCHES.mm_of(4.0) == 101.6 and INCHES.entered(101.6) == "4" and LocalUnits().mm_of(4.0) == 4.0


@pytest.mark.parametrize(
    ("said", "read"), [("2000 mm of rain", "78.7 in of rain"), ("in 2024 and 2025, 50 mm", "in 2024 and 2025, 1.97 in")]
)
def test_a_number_beside_its_unit_is_no_year(said: str, read: str) -> None:
    """By hand: 2000 / 25.4 is 78.74, 50 / 25.4 is 1.97. A year further ahead in a list stays."""
    assert LocalUnits(length="inch").text(said) == read
