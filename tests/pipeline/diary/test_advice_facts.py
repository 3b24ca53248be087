"""What the diary says, for the sums of advice; expected facts read off the entries by hand."""

import pytest

from pipeline.diary import facts as said
from pipeline.diary.entry import DiaryEntry
from pipeline.units import (
    TimeSpan,
)

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
NOW_MS = 1_715_594_400_000


def entry(kind: str, days_ago: float, body=None, *, lasts_days: float | None = None, **more) -> DiaryEntry:
    at_ms = NOW_MS - round(days_ago * DAY_MS)
    end_ms = None if lasts_days is None else at_ms + round(lasts_days * DAY_MS)
    return DiaryEntry(kind, "green", at_ms, body or {}, end_ms=end_ms, id=more.pop("id", 1), **more)


def days_ago(jobs) -> list[float]:
    return [(NOW_MS - job.at_ms) / DAY_MS for job in jobs]


def test_a_job_in_two_directions_is_one():
    """Two passes of one day are one job as old as the second; a booked one and another kind are none."""
    scarified = {"pass": "scarifying", "state": "done", "spacing_mm": 30.0, "width_mm": 3.0}
    entries = [
        entry("pass", 20.0, scarified),
        entry("pass", 19.8, scarified),
        entry("pass", 5.0, {"pass": "verticutting"}),
        entry("pass", -3.0, {"pass": "scarifying", "state": "booked"}),
    ]
    (job,) = said.jobs(entries, "scarifying", "standard", NOW_MS)
    assert days_ago([job]) == pytest.approx([19.8])
    assert job.area == pytest.approx(0.2)  # 3 mm of every 30, twice


def test_begun_counts_and_booked_does_not():
    """A pass begun has cut the turf; one that was only booked, though its day is past, has not."""
    for state, count in (("begun", 1), ("done", 1), ("booked", 0)):
        made = [entry("pass", 4.0, {"pass": "slitting", "state": state})]
        assert len(said.jobs(made, "slitting", "standard", NOW_MS)) == count


def test_variants_are_told_apart_where_they_are_written():
    """Needles are no heavy tines; a pass without a variant counts for each."""
    entries = [entry("pass", 9.0, {"pass": "solid_tining", "variant": "needle"})]
    assert said.jobs(entries, "solid_tining", "12mm", NOW_MS) == ()
    assert len(said.jobs(entries, "solid_tining", "needle", NOW_MS)) == 1
    assert len(said.jobs([entry("pass", 9.0, {"pass": "solid_tining"})], "solid_tining", "12mm", NOW_MS)) == 1


@pytest.mark.parametrize(("laid_mm", "variant"), [(0.4, "light"), (1.0, "light"), (3.0, "heavy")])
def test_dressing_laid_is_top_dressing_done(laid_mm, variant):
    """A light dressing is one of up to 1 mm, a heavy one more."""
    entries = [entry("dressing", 2.0, {"dressing_mm": laid_mm})]
    other = "heavy" if variant == "light" else "light"
    assert len(said.jobs(entries, "topdressing", variant, NOW_MS)) == 1
    assert said.jobs(entries, "topdressing", other, NOW_MS) == ()


def test_seed_is_remembered_however_it_was_written():
    """Sown, or overseeded: the later counts; what is to come does not."""
    entries = [
        entry("sown", 30.0),
        entry("pass", 12.0, {"pass": "overseeding", "variant": "rye"}),
        entry("pass", -4.0, {"pass": "overseeding", "state": "booked"}),
    ]
    assert said.latest_sown_ms(entries, NOW_MS) == NOW_MS - 12 * DAY_MS
    assert said.latest_sown_ms([], NOW_MS) is None
    assert len(said.jobs(entries, "overseeding", "rye", NOW_MS)) == 2


def test_regulator_and_renovation_last_until_their_end():
    """What has ended is over; of two renovations the one that is on stands."""
    entries = [
        entry("regulator", 40.0, lasts_days=21.0),
        entry("regulator", 10.0, lasts_days=21.0),
        entry("renovation", 3.0, lasts_days=30.0),
        entry("renovation", 400.0, lasts_days=30.0),
    ]
    assert said.until_ms(entries, "regulator", NOW_MS) == NOW_MS + 11 * DAY_MS
    assert said.until_ms(entries, "pre_emergence", NOW_MS) is None
    assert said.renovation(entries, NOW_MS) == TimeSpan(NOW_MS - 3 * DAY_MS, NOW_MS + 27 * DAY_MS)


def test_waterings_and_covers_of_a_station():
    """A watering of unknown amount is none to reckon with; covers without an end are on still."""
    entries = [
        entry("watering", 2.0, {"water_mm": 8.0}, lasts_days=0.1),
        entry("watering", 1.0),
        entry("watering", 1.0, {"water_mm": 5.0}, station="s2"),
        entry("covers", 0.5),
    ]
    (given,) = said.waterings(entries, "s1")
    assert (given.mm, given.end_ms - given.start_ms) == (8.0, round(0.1 * DAY_MS))
    assert len(said.waterings(entries, "s2")) == 2
    (cover,) = said.covers(entries, "s1", NOW_MS)
    assert (cover.start_ms, cover.end_ms) == (NOW_MS - DAY_MS // 2, NOW_MS)


def test_words_of_people_keep_who_and_why():
    """An override stands with its reason, its author and the span it holds over; a sight with its value."""
    entries = [
        entry("override", 0.1, {"pass": "scarifying", "reason": "dry by the knife"}, lasts_days=1.0, author="R. Fenn"),
        entry("sight", 0.2, {"what": "wilt", "value": 1.0}),
    ]
    (override,) = said.overrides(entries)
    assert (override.kind, override.variant, override.reason, override.author) == (
        "scarifying", "", "dry by the knife", "R. Fenn",
    )  # fmt: skip
    (sight,) = said.sights(entries)
    assert (sight.what, sight.value, sight.at_ms) == ("wilt", 1.0, NOW_MS - round(0.2 * DAY_MS))


def test_entries_of_a_surface_are_in_order():
    """Other surfaces are passed over."""
    mine = [entry("note", 1.0, id=2), entry("note", 3.0, id=1)]
    other = DiaryEntry("note", "square", NOW_MS)
    assert [e.id for e in said.of_surface([*mine, other], "green")] == [1, 2]
