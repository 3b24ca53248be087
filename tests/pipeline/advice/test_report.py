"""Lines a groundsman reads of windows and last good dates."""

import datetime
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from pipeline.advice.conditions import (
    Verdict,
)
from pipeline.advice.healing import LastGoodDate, LastSowing
from pipeline.advice.report import (
    PassAdvice,
    last_good_words,
    last_sowing_words,
    next_open,
    of_place,
    too_late_once,
    window_words,
)
from pipeline.advice.windows import Outlook
from pipeline.diary.facts import (
    Buried,
    Override,
)
from pipeline.site.passes import Bounds
from pipeline.units import (
    DAY_MS,
    HOUR_MS,
    TimeSpan,
)
from tests.pipeline.advice.window_series import (
    NOW_MS,
    PLANS,
    SIGHTS,
    good_hours,
    ground,
    hour,
    look,
    series,
    with_courses,
)

NAN = float("nan")
LONDON = ZoneInfo("Europe/London")
OPEN, WAIT, CLOSED, UNKNOWN = Verdict
FREE = Bounds()


# The lines a groundsman reads. Times are British summer time, an hour ahead of UTC; now is Wednesday 7:00 there.


def window_line(outlook: Outlook, zone: ZoneInfo) -> str:
    """The words of an outlook behind the name of its surface."""
    return of_place(outlook.ground.title, window_words(outlook, zone))


def test_line_of_a_window_that_opens():
    """What waits and why, from when to when it is due, how sure, what to lift and look at: in one line."""
    thatch = series(0.6)
    thatch[: hour(26)] = 0.8
    hours = good_hours(thatch_wetness=thatch, rain_mm=series(0.0, h100=30.0))
    hours = with_courses(hours, thatch=0.1)
    found = look(
        hours=hours,
        ground=ground(buried=(Buried("P2", 0.01), Buried("P3", 0.012))),
        plans=replace(PLANS, sights=SIGHTS[1:]),
    )
    assert window_line(found, LONDON) == (
        "Green: scarifying to 8 mm must wait, thatch too wet. Due to open Thu 9:00 to Fri 12:00, 8 in 10. "
        "Lift the P2 probe and the P3 probe first. Check first: no print or wheel mark."
    )


def test_line_of_an_open_window_says_what_ends_it():
    """Open until when, and what closes it then."""
    found = look("slitting", hours=good_hours(rain_mm=series(0.0, h20=30.0)))
    assert window_line(found, LONDON) == ("Green: slitting to 100 mm is open until today 16:00, then rain on the day.")


def test_line_of_a_closed_one_says_what_would_open_it():
    """With nothing open ahead it says what would open it."""
    season = TimeSpan(NOW_MS - DAY_MS, NOW_MS + 99 * DAY_MS)
    square = ground(title="Square", kind="square", seasons=(season,))
    assert window_line(look("hollow_coring", "13mm", ground=square), LONDON) == (
        "Square: 13 mm hollow coring to 75 mm is closed, square in season. What would open it: close of season."
    )


def test_line_names_whatever_else_shuts_it():
    """Two locks that last alike are both named, and both would have to open."""
    wet_and_cold = good_hours("solid_tining", root_zone_wetness=series(1.2), soil_temperature_degc=series(-1.0))
    assert window_line(look("solid_tining", "12mm", hours=wet_and_cold), LONDON) == (
        "Green: 12 mm solid tining to 100 mm is closed, soil too wet; also ground frozen or thawing, ground thawed at "
        "the top only and soil too cold. What would open it: drying days, a thaw, a thaw right down and warmer days."
    )


def test_line_of_what_cannot_be_judged():
    """Silence of the probes is said as such, and never as open."""
    line = window_line(look(ground=ground(newest_reading_ms=NOW_MS - 9 * HOUR_MS)), LONDON)
    assert line == (
        "Green: scarifying to 8 mm cannot be judged, nothing heard from the probes for 9 hours. "
        "What would open it: fresh readings."
    )


def test_line_of_an_override_names_who_and_why():
    """A window open on a person's word says whose, and against what."""
    span = TimeSpan(NOW_MS, NOW_MS + DAY_MS)
    override = Override("scarifying", "", span, "dry by the knife", "the head groundsman", NOW_MS)
    wet = good_hours(thatch_wetness=series(1.5))
    assert window_line(look(hours=wet, ground=ground(overrides=(override,))), LONDON) == (
        "Green: scarifying to 8 mm is open on the word of the head groundsman (dry by the knife), "
        "against: thatch too wet."
    )


def test_line_past_a_week_names_the_date():
    """Wednesday in a week is told by its date."""
    thatch = series(0.6)
    thatch[: hour(24 * 8)] = 0.8
    line = window_line(look(hours=good_hours(thatch_wetness=thatch)), LONDON)
    assert "Due to open Thu 28 May" in line


def test_lines_of_the_last_good_date():
    """Safe and latest date; late but possible; too late: each in a line."""
    play = datetime.date(2026, 9, 20)
    safe, likely = datetime.date(2026, 8, 20), datetime.date(2026, 8, 27)
    said = [
        last_good_words("scarifying", LastGoodDate(*pair, False), play, for_play=for_play)
        for pair, for_play in (((safe, likely), True), ((None, likely), True), ((None, None), False))
    ]
    assert said == [
        "to heal before play on 20 Sep, do the scarifying by 20 Aug, 27 Aug at the latest.",
        "scarifying may heal before play on 20 Sep if done by 27 Aug, but do not count on it.",
        "too late for scarifying to heal before growth ends about 20 Sep. Go shallower, sow more, or leave it.",
    ]


def falling_chances(*chances: float) -> Outlook:
    """Slitting open for as many whole days as chances are given, each with its own."""
    found = look("slitting", hours=good_hours(rain_mm=series(0.0, **{f"h{24 * len(chances) + 12}": 30.0})))
    spans = [TimeSpan(NOW_MS + n * DAY_MS, NOW_MS + (n + 1) * DAY_MS) for n in range(len(chances))]
    shut = next(w for w in found.windows if w.verdict is Verdict.CLOSED)
    each = [replace(found.windows[0], span=s, chance=c) for s, c in zip(spans, chances, strict=True)]
    return replace(found, windows=(*each, replace(shut, span=TimeSpan(spans[-1].end_ms, shut.span.end_ms))))


@pytest.mark.parametrize(
    ("chances", "said"),
    [
        ((0.9, 0.9, 0.88), "until Sat 7:00, then rain on the day, 9 in 10."),
        ((0.9, 0.7, 0.52), "until Sat 7:00, then rain on the day, 9 in 10, by Sat 5 in 10."),
        ((0.9, 0.5, 0.49), "until Fri 7:00, then less likely than not, 9 in 10, by Fri 5 in 10."),
        ((0.9, 0.4, 0.3), "until Thu 7:00, then less likely than not, 9 in 10."),
        ((0.4, 0.3, 0.8), "until Fri 7:00, then likelier, 4 in 10, by Fri 3 in 10."),
    ],
)
def test_a_chance_is_said_of_its_span_and_no_longer(chances, said):
    """A span ends where it is no longer likelier than not, at a half still is, and says how its chance falls; NOW is a
    Wednesday at six, seven in London."""
    assert window_line(falling_chances(*chances), LONDON) == f"Green: slitting to 100 mm is open {said}"


def test_a_window_due_ends_where_it_is_no_longer_likely():
    """Two days of 8 in 10 and one of 3 in 10: it is due for the two."""
    found = falling_chances(0.8, 0.8, 0.3)
    shut = replace(found.windows[-1], span=TimeSpan(NOW_MS - DAY_MS, NOW_MS), reason="soil too wet", also=())
    line = window_line(replace(found, windows=(shut, *found.windows)), LONDON)
    assert line == ("Green: slitting to 100 mm is closed, soil too wet. Due to open today 7:00 to Fri 7:00, 8 in 10.")


def test_lines_of_the_last_sowing():
    """Safe and latest; late but possible; too cold, with the day from which it is warm enough again."""
    safe, likely = datetime.date(2026, 10, 1), datetime.date(2026, 10, 14)
    each = [((safe, likely), None), ((None, likely), None), ((None, None), datetime.date(2027, 4, 20))]
    said = [last_sowing_words("overseeding", LastSowing(LastGoodDate(*pair, False), resumes)) for pair, resumes in each]
    assert said == [
        "to come up before the soil is too cold, do the overseeding by 1 Oct, 14 Oct at the latest.",
        "overseeding may still come up if done by 14 Oct, but do not count on it.",
        "the soil is too cold for overseeding until about 20 Apr, seed may not come up.",
    ]


def test_too_late_is_said_once_a_surface_and_of_what_wounds():
    """Two cuts and a dressing, all too late: one sentence names the cuts; what is in time keeps its line."""
    play = datetime.date(2026, 6, 1)
    late, good = LastGoodDate(None, None, False), LastGoodDate(play, play, False)
    told = [
        PassAdvice(look(kind), "", last, play, True, "its line.")
        for kind, last in (
            ("topdressing", late), ("scarifying", late), ("verticutting", good), ("hollow_coring", late),
            ("light_raking", late), ("overseeding", late),
        )
    ]  # fmt: skip
    assert [one.last_good_line for one in too_late_once(told)] == [
        "",
        "Green: too late for scarifying and 6 mm hollow coring to heal before play on 1 Jun. "
        "Go shallower, or leave it for a longer gap.",
        "Green: its line.",
        "",
        "",
        "",
    ]


@pytest.mark.parametrize(
    ("for_play", "said"),
    [
        (True, ["", ""]),
        (False, ["Green: too late for scarifying and 6 mm hollow coring to heal before growth ends about 1 Jun. "
                 "Sow more, or leave it.", ""]),
    ],
)  # fmt: skip
def test_nothing_shallower_is_told_where_every_cut_is_too_late(for_play, said):
    """With every cut too late before growth ends none is told instead; before play each is shut for it anyway."""
    late = LastGoodDate(None, None, False)
    told = [
        PassAdvice(look(kind), "", late, datetime.date(2026, 6, 1), for_play)
        for kind in ("scarifying", "hollow_coring")
    ]
    assert [one.last_good_line for one in too_late_once(told)] == said


def test_a_window_too_short_while_it_is_likely_is_not_named():
    """Four likely hours and a day less likely than not: the day may open, and the hours are no window by themselves."""
    found = falling_chances(0.8, 0.3)
    first, second, shut = found.windows
    first = replace(first, span=TimeSpan(NOW_MS, NOW_MS + 4 * HOUR_MS))
    second = replace(second, span=TimeSpan(NOW_MS + 4 * HOUR_MS, NOW_MS + DAY_MS))
    coming = next_open(replace(found, windows=(first, second, shut)))
    assert coming is not None and coming.span == second.span


def test_line_of_a_window_that_may_open_is_no_promise():
    """Less likely than not, it may open; likelier, it is due."""
    thatch = series(0.6)
    thatch[: hour(26)] = 0.8
    # open from 0.3 to 0.7: Phi(0.2) - Phi(-0.6) = 0.579 - 0.274 = 0.305
    hours = with_courses(good_hours(thatch_wetness=thatch, rain_mm=series(0.0, h100=30.0)), thatch=0.5)
    line = window_line(look(hours=hours), LONDON)
    assert "May open Thu 9:00 to Fri 12:00, 3 in 10." in line


@pytest.mark.parametrize(
    ("kind", "variant", "words"),
    [
        ("topdressing", "light", "Green: light topdressing is"),
        ("topdressing", "heavy", "Green: heavy topdressing is"),
        ("solid_tining", "needle", "Green: solid tining with needle tines to 100 mm is"),
        ("solid_tining", "12mm", "Green: 12 mm solid tining to 100 mm is"),
        ("overseeding", "bent_fescue", "Green: overseeding with bent and fescue to 4 mm is"),
        ("scarifying", "standard", "Green: scarifying to 8 mm is"),
    ],
)
def test_line_names_the_variant_where_there_are_several(kind, variant, words):
    """Light and heavy dressing are two jobs, and told apart."""
    depth_m = {"solid_tining": 0.1, "overseeding": 0.004}.get(kind)
    line = window_line(look(kind, variant, depth_m=depth_m), LONDON)
    assert line.startswith(words.removesuffix(" is"))


def test_hours_that_no_forecast_covers_are_no_news():
    """Rain that is not known for the end of the forecast ends no window; it reaches as far as the forecast goes."""
    rain = series(0.0)
    rain[-10:] = NAN
    line = window_line(look("slitting", hours=good_hours(rain_mm=rain)), LONDON)
    assert line.startswith("Green: slitting to 100 mm is open as far as the forecast goes. Check first:")


def test_outlook_that_ends_in_hours_says_so():
    """What is known for eight hours only is no forecast, and the line says from when nothing is known."""
    thatch = series(0.6)
    thatch[hour(8) :] = NAN
    line = window_line(look(hours=good_hours(thatch_wetness=thatch)), LONDON)
    assert line.startswith("Green: scarifying to 8 mm is open until today 15:00, then thatch wetness is not known.")


def test_window_that_begins_in_the_morning_says_from_when():
    """Windows cut to work hours begin with the next of them, and the line says so."""
    found = look("slitting", hours=good_hours(rain_mm=series(0.0, h60=30.0)))
    begins = NOW_MS + 24 * HOUR_MS
    later = tuple(replace(w, span=TimeSpan(max(w.span.start_ms, begins), w.span.end_ms)) for w in found.windows)
    line = window_line(replace(found, windows=later), LONDON)
    assert line.startswith("Green: slitting to 100 mm is open from Thu 7:00 until Fri 8:00, then rain on the day")
