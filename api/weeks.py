"""The weeks ahead of a surface, for the work page and the data interface: the chance of each week, and when to book.

The pipeline works them out once a day; here they get words and columns. Nothing is decided here.
"""

from __future__ import annotations

import datetime
from collections.abc import Collection
from typing import Any

from api import advice_schema, words
from api.data import iso
from pipeline.advice.report import pass_named
from pipeline.advice.weeks_ahead import PassWeeks, SurfaceWeeks, Week, best_week
from pipeline.forecast.wetness import in_ten, tenths
from pipeline.site.passes import PassFacts
from pipeline.texts import day_words, later, say, say_as, short_month

# A contractor is booked and seed ordered six to ten weeks before: common practice, no source.
BOOKED_AHEAD = datetime.timedelta(weeks=6)
BY_CONTRACTOR_MM = 3.0  # what goes deeper is seldom done with a club's own machine: common practice, no source
SHUT_UNDER = 0.05  # a chance that no tenth tells: our own choice


def weeks_rows(
    found: SurfaceWeeks, today: datetime.date, play: Collection[datetime.date], booked: Collection[tuple[str, str]] = ()
) -> dict[str, Any]:
    """Return what the page shows of a surface: the columns' heads, and a row a pass.

    `booked` has the kind and variant of what is booked ahead: it is not to be booked.
    """
    first = found.passes[0].weeks if found.passes else ()
    mondays = [week.first for week in first]
    return {
        "heads": [
            {"day": day.day, "month": short_month(day.month) if n == 0 or day.day <= 7 else ""}
            for n, day in enumerate(mondays)
        ],
        "rows": [
            {
                "title": words.tied(words.upper_first(pass_named(one.intent, one.facts))),
                "verdict": words.tied(verdict),
                "clause": words.tied(clause),
                "cells": [_cell(week, play) for week in one.weeks],
            }
            for one in found.passes
            for verdict, clause in [_told(one, today, is_booked=(one.intent.kind, one.intent.variant) in booked)]
        ],
        "reason": found.reason,
    }


def _told(one: PassWeeks, today: datetime.date, *, is_booked: bool) -> tuple[str, str]:
    """Return the best week as a bold verdict, and behind it how sure, what ends it, and by when to book."""
    best = best_week(one.weeks)
    if best is None:
        return say("Not likely"), _not_before(one)
    # Translators: a week named by its Monday, bold; behind it stands its chance: "Week of 14 Sep, 8 in 10"
    verdict = say("Week of {day},", day=day_words(best.first))
    clause = [say("{chance}.", chance=in_ten(best.chance))]
    ends = _ends(one, best)
    if ends is not None:
        clause.append(say("From the week of {day}: {reason}.", day=day_words(ends.first), reason=ends.reason))
    if not is_booked and (one.facts.sows or one.facts.depth_mm[1] > BY_CONTRACTOR_MM):
        clause.append(_booked_by(one.facts, best.first - BOOKED_AHEAD, today))
    return verdict, " ".join(clause)


def _booked_by(facts: PassFacts, by: datetime.date, today: datetime.date) -> str:
    """Return by when a contractor is booked or seed ordered."""
    if by > today:
        told = later("Order seed by {day}.") if facts.sows else later("Book it by {day}.")
        return say(told, day=day_words(by))
    late = later("Order seed now, it may be late.") if facts.sows else later("Book it now, it may be late.")
    return say(late)


def _not_before(one: PassWeeks) -> str:
    end = one.weeks[-1].first + datetime.timedelta(days=7)
    reasons = [week.reason for week in one.weeks if week.reason]
    if not reasons:
        return say("before {day}.", day=day_words(end))
    return say("before {day}: {reason}.", day=day_words(end), reason=max(reasons, key=reasons.count))


def _ends(one: PassWeeks, best: Week) -> Week | None:
    """Return the first week behind the best that is as good as shut, and all behind it; None where none is."""
    ends = None
    for week in reversed(one.weeks):
        if week.chance >= SHUT_UNDER or week.first <= best.first:
            break
        ends = week if week.reason else ends
    return ends


def _cell(week: Week, play: Collection[datetime.date]) -> dict[str, Any]:
    """Return the column of a week: how high, what it is, and its words."""
    days = {week.first + datetime.timedelta(days=n) for n in range(7)}
    kind = "closed" if week.chance < SHUT_UNDER else "open" if week.chance >= 0.5 else "may_open"
    shut = say("shut, {reason}", reason=week.reason) if week.reason else say_as("a day of a pass", "shut")
    told = shut if kind == "closed" else in_ten(week.chance)
    return {
        "kind": kind,
        "height": 100.0 * week.chance,
        "figure": "" if kind == "closed" else str(tenths(week.chance)),
        "play": bool(days & set(play)),
        # Translators: a week named by its Monday, and the chance of it
        "words": say("{day}: {told}", day=day_words(week.first), told=told),
    }


def weeks_out(one: PassWeeks) -> list[advice_schema.WeekOut]:
    """Return the weeks of a pass for the data interface."""
    return [
        advice_schema.WeekOut(
            first=week.first.isoformat(), chance=round(week.chance, 3), days=round(week.days, 2), reason=week.reason
        )
        for week in one.weeks
    ]


def of_pass(found: SurfaceWeeks | None, kind: str, variant: str) -> PassWeeks | None:
    """Return the weeks of one pass of a surface; None where there are none."""
    passes = () if found is None else found.passes
    return next((one for one in passes if (one.intent.kind, one.intent.variant) == (kind, variant)), None)


def worked_out(found: SurfaceWeeks | None) -> tuple[str | None, str]:
    """Return when the weeks of a surface were worked out, and why there are none."""
    return (None, say("they are not worked out yet")) if found is None else (iso(found.at_ms), found.reason)
