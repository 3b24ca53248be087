"""What the diary says, for the sums of advice; expected facts read off the entries by hand."""

import pytest

from pipeline.advice.surface_inputs import _pass_of
from pipeline.advice.treatments import load_treatments
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import DiaryFacts, Play, SeenHealed, read_diary
from pipeline.units import FOREVER_MS, TimeSpan

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
NOW_MS = 1_715_594_400_000


def entry(kind: str, days_ago: float, body=None, *, lasts_days: float | None = None, **more) -> DiaryEntry:
    at_ms = NOW_MS - round(days_ago * DAY_MS)
    end_ms = None if lasts_days is None else at_ms + round(lasts_days * DAY_MS)
    return DiaryEntry(kind, "green", at_ms, body or {}, end_ms=end_ms, id=more.pop("id", 1), **more)


def facts(entries: list[DiaryEntry], station: str | None = None) -> DiaryFacts:
    return read_diary(entries, "green", load_treatments().facts, station=station)


def jobs(entries: list[DiaryEntry], kind: str, variant: str) -> list[float]:
    """How many days ago each job was done."""
    return [(NOW_MS - at_ms) / DAY_MS for at_ms in facts(entries).jobs_ms(kind, variant, NOW_MS)]


def test_a_job_in_two_directions_is_one():
    """Two passes of one day are one job as old as the second; a booked one and another kind are none."""
    scarified = {"pass": "scarifying", "state": "done", "spacing_mm": 30.0, "width_mm": 3.0}
    entries = [
        entry("pass", 20.0, scarified),
        entry("pass", 19.8, scarified),
        entry("pass", 5.0, {"pass": "verticutting"}),
        entry("pass", -3.0, {"pass": "scarifying", "state": "booked"}),
    ]
    assert jobs(entries, "scarifying", "standard") == pytest.approx([19.8])


def test_begun_counts_and_booked_does_not():
    """A pass begun has cut the turf; one that was only booked, though its day is past, has not."""
    for state, count in (("begun", 1), ("done", 1), ("booked", 0)):
        made = [entry("pass", 4.0, {"pass": "slitting", "state": state})]
        assert len(jobs(made, "slitting", "standard")) == count


def made(*entries: DiaryEntry) -> list[tuple[float, float, str]]:
    """Each pass made: hours ago it began and ended, and its state."""
    found = facts(list(entries)).made
    return [((NOW_MS - p.start_ms) / HOUR_MS, (NOW_MS - p.end_ms) / HOUR_MS, p.state) for p in found]


def written(state: str, hours_ago: float, number: int, **body) -> DiaryEntry:
    """A scarifying of 8 mm and one entry of it."""
    return entry("pass", hours_ago / 24, {"pass": "scarifying", "state": state, **body}, id=number)


@pytest.mark.parametrize(
    ("entries", "passes"),
    [
        ([("begun", 9, 1, {}), ("done", 3, 2, {})], [(9, 3, "done")]),
        ([("begun", 9, 1, {}), ("done", 3, 2, {"follows": 1})], [(9, 3, "done")]),
        ([("begun", 80, 1, {}), ("done", 3, 2, {"follows": 1})], [(80, 3, "done")]),
        ([("begun", 9, 2, {"follows": 1}), ("done", 3, 3, {"follows": 1})], [(9, 3, "done")]),
        ([("begun", 9, 1, {}), ("done", 6, 2, {}), ("begun", 5, 3, {}), ("done", 3, 4, {})],
         [(9, 6, "done"), (5, 3, "done")]),
        ([("begun", 9, 1, {}), ("begun", 8, 2, {}), ("done", 3, 4, {"follows": 1})],
         [(9, 3, "done"), (8, None, "begun")]),
        ([("begun", 80, 1, {}), ("done", 3, 2, {})], [(80, None, "begun"), (3, None, "done")]),
        ([("begun", 9, 1, {"variant": "standard"}), ("done", 3, 2, {"pass": "slitting"})],
         [(9, None, "begun"), (3, None, "done")]),
    ],
    ids=["by time", "named", "named, days later", "of one booking", "two jobs", "one of two", "too long ago", "other"],
)  # fmt: skip
def test_a_pass_begun_and_then_done_is_one(entries, passes):
    """From its beginning to its end, whether its entries name one another or follow within two days."""
    found = made(*(written(state, hours, number, **body) for state, hours, number, body in entries))
    assert [(began, state) for began, _, state in found] == [(began, state) for began, _, state in passes]
    ended = [(at, expected) for (_, at, _), (_, expected, _) in zip(found, passes, strict=True) if expected is not None]
    assert all(at == pytest.approx(expected) for at, expected in ended)


def test_what_was_written_last_of_a_pass_stands_and_its_healing_is_found_by_either_entry():
    """Depth of the beginning where the end has none; a mark that names the beginning means the pass."""
    begun = written("begun", 200, 1, depth_mm=8.0, spacing_mm=30.0)
    (one,) = facts([begun, written("done", 190, 2, follows=1, spacing_mm=25.0)]).made
    assert (one.id, one.begun_id, one.depth_m, one.spacing_m) == (2, 1, 0.008, 0.025)
    for number in (1, 2):
        assert _pass_of(SeenHealed(NOW_MS, number, None), (one,)) is one


def test_a_booking_that_an_entry_goes_on_with_is_booked_no_more():
    """Though it was begun on another day; one that nothing names stays."""
    booked = [written("booked", 72, 1), written("booked", -24, 2)]
    assert [p.id for p in facts([*booked, written("begun", 1, 3, follows=1)]).booked] == [2]
    assert [p.id for p in facts(booked).booked] == [1, 2]


def test_variants_are_told_apart_where_they_are_written():
    """Needles are no heavy tines; a pass without a variant counts for each."""
    entries = [entry("pass", 9.0, {"pass": "solid_tining", "variant": "needle"})]
    assert jobs(entries, "solid_tining", "12mm") == []
    assert len(jobs(entries, "solid_tining", "needle")) == 1
    assert len(jobs([entry("pass", 9.0, {"pass": "solid_tining"})], "solid_tining", "12mm")) == 1


@pytest.mark.parametrize(("laid_mm", "variant"), [(0.4, "light"), (1.0, "light"), (3.0, "heavy")])
def test_dressing_laid_is_top_dressing_done(laid_mm, variant):
    """A light dressing is one of up to 1 mm, a heavy one more."""
    entries = [entry("dressing", 2.0, {"dressing_mm": laid_mm})]
    other = "heavy" if variant == "light" else "light"
    assert len(jobs(entries, "topdressing", variant)) == 1
    assert jobs(entries, "topdressing", other) == []


def test_seed_is_remembered_however_it_was_written():
    """Sown, or overseeded: the later counts; what is to come does not."""
    entries = [
        entry("sown", 30.0),
        entry("pass", 12.0, {"pass": "overseeding", "variant": "rye"}),
        entry("pass", -4.0, {"pass": "overseeding", "state": "booked"}),
    ]
    assert facts(entries).latest_sown_ms(NOW_MS) == NOW_MS - 12 * DAY_MS
    assert facts([]).latest_sown_ms(NOW_MS) is None
    assert len(jobs(entries, "overseeding", "rye")) == 2


def test_regulator_and_renovation_last_until_their_end():
    """What has ended is over; of two renovations the one that is on stands."""
    entries = [
        entry("regulator", 40.0, lasts_days=21.0),
        entry("regulator", 10.0, lasts_days=21.0),
        entry("renovation", 3.0, lasts_days=30.0),
        entry("renovation", 400.0, lasts_days=30.0),
    ]
    assert facts(entries).until_ms("regulator", NOW_MS) == NOW_MS + 11 * DAY_MS
    assert facts(entries).until_ms("pre_emergence", NOW_MS) is None
    on = TimeSpan(NOW_MS - 3 * DAY_MS, NOW_MS + 27 * DAY_MS)
    assert facts(entries).renovation(NOW_MS) == facts(entries).renovation(on.end_ms - 1) == on
    assert facts(entries).renovation(on.end_ms) is None  # it ends with the moment written


def test_waterings_and_covers_of_a_station():
    """A watering of unknown amount is none to reckon with; covers without an end are on still."""
    entries = [
        entry("watering", 2.0, {"water_mm": 8.0}, lasts_days=0.1),
        entry("watering", 1.0),
        entry("watering", 1.0, {"water_mm": 5.0}, station="s2"),
        entry("covers", 0.5),
    ]
    (given,) = facts(entries, "s1").measured_waterings
    assert (given.water_mm, given.end_ms - given.start_ms) == (8.0, round(0.1 * DAY_MS))
    assert len(facts(entries, "s1").waterings) == 2
    assert len(facts(entries, "s2").measured_waterings) == 2
    assert facts(entries, "s1").covers == ((NOW_MS - DAY_MS // 2, FOREVER_MS),)


def test_what_has_no_end_ends_by_its_kind():
    """A watering at once, play after three hours, a pass with its day in the site's time; the same for every reader."""
    entries = [entry("watering", 1.0), entry("fixture", 1.0), entry("pass", 1.0, {"pass": "slitting"})]
    at_ms = NOW_MS - DAY_MS  # 10:00 of 12 May 2024, UTC
    for found in (facts(entries), facts(entries, "s1")):
        assert found.waterings[0].end_ms == at_ms
        assert found.plays == ((at_ms, at_ms + 3 * HOUR_MS),)
        assert found.made[0].end_ms == at_ms + 14 * HOUR_MS - 1


@pytest.mark.parametrize(("strip", "own"), [(4, [0, 2]), (7, [1, 2]), (None, [0, 1, 2])])
def test_a_station_is_kept_for_play_on_its_strip_or_on_none_that_is_named(strip, own):
    """Play on strip 4, on strip 7 of the calendar, and on one that nobody names; all of it is play on the surface."""
    begins = [NOW_MS + days * DAY_MS for days in (1, 2, 3)]
    entries = [entry("fixture", -1.0, {"strips": "4"}), entry("fixture", -3.0)]
    ends = [begin + 3 * HOUR_MS for begin in begins]
    calendar = (Play("cup", begins[1], ends[1], (7,)),)
    found = read_diary(entries, "green", {}, station="s1", plays=calendar, strip=strip)
    every = tuple(zip(begins, ends, strict=True))
    assert found.plays == every and found.own_plays == tuple(every[n] for n in own)


def test_words_of_people_keep_who_and_why():
    """An override stands with its reason, its author and the span it holds over; a sight with its value."""
    entries = [
        entry("override", 0.1, {"pass": "scarifying", "reason": "dry by the knife"}, lasts_days=1.0, author="R. Fenn"),
        entry("sight", 0.2, {"what": "wilt", "value": 1.0}),
    ]
    (override,) = facts(entries).overrides
    assert (override.kind, override.variant, override.reason, override.author) == (
        "scarifying", "", "dry by the knife", "R. Fenn",
    )  # fmt: skip
    (sight,) = facts(entries).sights
    assert (sight.what, sight.value, sight.at_ms) == ("wilt", 1.0, NOW_MS - round(0.2 * DAY_MS))


def test_other_surfaces_are_passed_over_and_facts_are_in_order():
    """Of another surface only a mark counts: it names its alert."""
    entries = [entry("dressing", days, {"dressing_mm": mm}) for days, mm in ((1.0, 2), (3.0, 1))]
    mark = {"alert": "a1", "mark": "seen"}
    found = facts([*entries, DiaryEntry("sown", "square", NOW_MS), DiaryEntry("mark", "square", NOW_MS, mark)])
    assert [round(d.length_m * 1000) for d in found.dressings] == [1, 2]
    assert found.sown_ms == () and found.marks["a1"][0].mark == "seen"
