"""The diary: entries come back as written, wrong ones are refused with every fault, struck ones are gone from view.

Expected values are the entries put in, and our own rules for each kind.
"""

from dataclasses import replace

import pytest

from pipeline.diary.entry import KINDS, DiaryEntry, DiaryFault, entry_faults, entry_questions
from pipeline.diary.facts import read_diary
from pipeline.store.diary import Diary
from pipeline.store.schema import MIGRATIONS

T0_MS = 1_704_067_200_000
FOREVER = (0, 7_000_000_000_000)
CORE = DiaryEntry("core", "square", T0_MS, {"thatch_mm": 14}, station="square-1", author="Ann", written_at_ms=T0_MS + 5)


@pytest.fixture
def diary(database):
    return Diary(database)


def test_an_entry_comes_back_as_written(diary):
    """Every field comes back, with the number it was given."""
    note = DiaryEntry("note", "square", T0_MS + 1, {"text": "moss by the north end — wet"}, end_ms=T0_MS + 9)
    body = {"pass": "slitting", "depth_mm": 2.5, "spacing_mm": 40, "around": True}
    written = [diary.add(CORE), diary.add(note), diary.add(DiaryEntry("pass", "square", T0_MS + 2, body))]
    assert [w.id for w in written] == [1, 2, 3]
    assert diary.entries(None, *FOREVER) == written


# One good entry of each kind: body, and what else it must have. Our own rules, typed apart from the table of kinds.
GOOD = {
    "core": ({"thatch_mm": 14, "drop_s": 90}, {"station": "square-1"}),
    "depth": ({"channel": "square-1/p1/moisture_035", "depth_mm": 38.0}, {}),
    "dressing": ({"dressing_mm": 2.5}, {}),
    "watering": ({}, {}),
    "booked_watering": ({"water_mm": 8}, {}),
    "rain": ({"rain_mm": 4.2}, {}),
    "pass": ({"pass": "scarifying", "depth_mm": 8}, {}),
    "healed": ({"pass": "scarifying"}, {}),
    "override": ({"pass": "scarifying", "reason": "the machine is here today"}, {"end_ms": T0_MS + 9, "author": "Ann"}),
    "sown": ({"seed": "ryegrass"}, {}),
    "regulator": ({}, {"end_ms": T0_MS + 9}),
    "pre_emergence": ({}, {"end_ms": T0_MS + 9}),
    "renovation": ({}, {"end_ms": T0_MS + 9}),
    "covers": ({}, {}),
    "cut": ({"height_mm": 7}, {}),
    "sight": ({"what": "firmness", "value": 1}, {}),
    "lift": ({"probe": "p1"}, {"station": "square-1"}),
    "return": ({"probe": "p1"}, {"station": "square-1"}),
    "fixture": ({"title": "seconds", "strips": "4 to 6"}, {}),
    "mark": ({"alert": "a1", "mark": "seen"}, {}),
    "note": ({}, {}),
    "moisture": ({"moisture_percent": 35, "rod_mm": 60, "points": 5, "spread_percent": 3.5}, {"station": "square-1"}),
    "push": ({"depth_mm": [25, 50], "resistance_kpa": [600, 1200]}, {"station": "square-1"}),
    "closed": ({"reason": "standing water"}, {}),
    "cost": ({"amount": 640, "what": "scarifying by a contractor"}, {}),
    "place": ({"x_m": 1.5, "y_m": -11}, {"station": "square-1"}),
    "buried": ({"title": "the old drain", "what": "drain", "path_m": [[0, 1.5], [4, 2]]}, {}),
}
NEEDED = {
    "booked_watering": ("water_mm",),
    "core": ("thatch_mm", "station"),
    "depth": ("channel", "depth_mm"),
    "dressing": ("dressing_mm",),
    "rain": ("rain_mm",),
    "pass": ("pass",),
    "healed": ("pass",),
    "override": ("pass", "reason", "end", "author"),
    "regulator": ("end",),
    "pre_emergence": ("end",),
    "renovation": ("end",),
    "cut": ("height_mm",),
    "sight": ("what", "value"),
    "lift": ("probe", "station"),
    "return": ("probe", "station"),
    "mark": ("alert", "mark"),
    "moisture": ("moisture_percent", "rod_mm", "station"),
    "push": ("depth_mm", "resistance_kpa", "station"),
    "closed": ("reason",),
    "cost": ("amount", "what"),
    "place": ("x_m", "y_m", "station"),
    "buried": ("title", "what", "path_m"),
}


@pytest.mark.parametrize("kind", KINDS)
def test_a_good_entry_of_each_kind_is_kept(diary, kind):
    """What each kind must say is enough."""
    body, beside = GOOD[kind]
    assert diary.add(DiaryEntry(kind, "square", T0_MS, body, **beside)).kind == kind


def test_what_names_an_entry_names_the_one_written_in_its_place(diary):
    """A pass begun, done and healed is still one after its beginning, and then its end, was written anew, or taken
    back; each keeps what stood there before."""
    cut = {"pass": "scarifying", "depth_mm": 8}
    begun = diary.add(DiaryEntry("pass", "square", T0_MS, {**cut, "state": "begun"}))
    done = diary.add(DiaryEntry("pass", "square", T0_MS + 5, {**cut, "state": "done", "follows": begun.id}))
    diary.add(DiaryEntry("healed", "square", T0_MS + 9, {"pass": "scarifying", "entry": done.id}))
    anew = diary.write_anew(begun.id, DiaryEntry("pass", "square", T0_MS + 1, {**cut, "state": "begun"}), T0_MS + 10)
    first, second, healed = diary.entries(None, *FOREVER)
    assert (first.id, second.body["follows"], healed.body["entry"]) == (anew.id, anew.id, second.id)
    assert [one.id for one in diary.before(second.id)] == [done.id] and diary.before(begun.id) == []
    facts = read_diary(diary.entries(None, *FOREVER), "square", {})
    (one,) = facts.made
    assert (one.id, one.begun_id, facts.healed[0].entry, one.start_ms) == (second.id, anew.id, second.id, T0_MS + 1)
    shallow = DiaryEntry("pass", "square", T0_MS + 5, {**second.body, "depth_mm": 6})
    last = diary.write_anew(second.id, shallow, T0_MS + 11)
    assert diary.entries(("healed",), *FOREVER)[0].body["entry"] == last.id
    assert [each.body["depth_mm"] for each in diary.before(last.id)] == [8, 8]


@pytest.mark.parametrize("kind", KINDS)
def test_an_empty_entry_is_told_what_its_kind_must_say(kind):
    """Each thing that is needed is named, and nothing else."""
    faults = entry_faults(DiaryEntry(kind, "square", T0_MS))
    assert sorted(f.partition(":")[0] for f in faults) == sorted(NEEDED.get(kind, ()))
    assert all("found " in f and "expected " in f for f in faults)


@pytest.mark.parametrize(
    ("kind", "body", "words"),
    [
        ("core", {"thatch_mm": 0.75}, "thatch_mm: found 0.75 mm. Is it inches? 0.75 in are 19 mm."),
        ("watering", {"water_mm": 0.5}, "water_mm: found 0.5 mm. Is it inches? 0.5 in are 13 mm."),
        ("pass", {"pass": "scarifying", "depth_mm": 0.25}, "depth_mm: found 0.25 mm. Is it inches? 0.25 in are 6 mm."),
    ],
)
def test_a_length_that_looks_like_inches_is_asked_about_and_kept(diary, kind, body, words):
    """One inch is 25.4 mm (SI); the writer is asked, the entry is not refused."""
    entry = DiaryEntry(kind, "square", T0_MS, body, station="square-1")
    assert entry_questions(entry) == [words]
    assert diary.add(entry).body == body


@pytest.mark.parametrize(
    ("kind", "body", "faults"),
    [
        (
            "moisture",
            {"moisture_percent": 0.35, "rod_mm": 60},
            "moisture_percent: found 0.35, expected per cent by volume from 1 to 95. Is it a share? "
            "0.35 is 35 per cent",
        ),
        (
            "moisture",
            {"moisture_percent": 35, "rod_mm": 4.8},
            "rod_mm: found 4.8, expected the length of the rods, 20 to 400 mm. Is it inches? 4.8 in are 122 mm",
        ),
        (
            "moisture",
            {"moisture_percent": 35, "rod_mm": 60, "points": 1, "spread_percent": 2},
            "spread_percent: found 2, expected none with one point: it is the standard deviation of several",
        ),
        (
            "push",
            {"depth_mm": [50, 100], "resistance_kpa": [0.9, 1.2]},
            "resistance_kpa: found [0.9, 1.2], expected kPa, some of them 25 or more. Is it MPa? 1.2 MPa are 1200 kPa",
        ),
        (
            "push",
            {"depth_mm": [50, 100], "resistance_kpa": [900]},
            "resistance_kpa: found [900], expected 2 numbers, one for each of depth_mm",
        ),
        (
            "push",
            {"depth_mm": [100, 50], "resistance_kpa": [900, 1200]},
            "depth_mm: found [100, 50], expected depths as a list that increases: one push an entry",
        ),
    ],
)
def test_a_figure_in_another_unit_is_refused_and_the_question_asked(diary, kind, body, faults):
    """What can only be of another unit is refused, with what it would be in the unit expected (SI); nothing is kept."""
    entry = DiaryEntry(kind, "square", T0_MS, body, station="square-1")
    assert entry_faults(entry) == [faults]
    with pytest.raises(DiaryFault):
        diary.add(entry)
    assert diary.entries(None, *FOREVER) == []


def test_a_figure_wetter_than_soil_can_be_is_asked_about(diary):
    """Porosity of soil is 0.4 to 0.6 (common practice): 70 may be wet thatch, or the other scale of a meter."""
    entry = DiaryEntry("moisture", "square", T0_MS, {"moisture_percent": 70, "rod_mm": 38}, station="square-1")
    asked = "moisture_percent: found 70 %, wetter than most soil can be. Is it another scale of the meter?"
    assert entry_questions(entry) == [asked]
    assert diary.add(entry).body["moisture_percent"] == 70


def test_what_counted_before_there_were_questions_counts_on(diary, database):
    """The step confirms those that are asked about, struck ones among them, and leaves all others as they were."""
    asked = [("watering", {"water_mm": 0.5}), ("dressing", {"dressing_mm": 0.25}), ("rain", {"rain_mm": 160})]
    for kind, body in [*asked, ("watering", {"water_mm": 6})]:
        diary.add(DiaryEntry(kind, "square", T0_MS, body))
    core = diary.add(DiaryEntry("core", "square", T0_MS, {"thatch_mm": 1.5, "method": "by eye"}, "s1"))
    diary.strike(core.id, T0_MS)
    assert len(diary.entries(None, 0, T0_MS + 1)) == 1
    step = next(one for one in MIGRATIONS if one.number == 16)
    for _ in range(2):
        with database.transaction() as tx:
            step.statements[0](tx)
    found = diary.entries(None, 0, T0_MS + 1)
    assert [one.body for one in found] == [*({**body, "confirmed": True} for _, body in asked), {"water_mm": 6}]
    assert all(entry_faults(one) == [] for one in found)
    assert diary.restore(core.id, T0_MS).body == {"thatch_mm": 1.5, "method": "by eye", "confirmed": True}
    assert len(diary.entries(None, 0, T0_MS + 1)) == 5


def test_a_usual_length_is_not_asked_about():
    """14 mm of thatch, 6 mm of water, the 1 mm that cools a leaf and an 8 mm cut are what groundsmen write (common
    practice, no source)."""
    assert entry_questions(DiaryEntry("watering", "square", T0_MS, {"water_mm": 1.0})) == []
    for kind, (body, beside) in GOOD.items():
        assert entry_questions(DiaryEntry(kind, "square", T0_MS, body, **beside)) == []


def test_entries_are_chosen_by_kind_and_time(diary):
    """start <= time < end, in order of time; None stands for every kind, an empty list for none."""
    for minutes, kind in ((2, "note"), (0, "watering"), (1, "note"), (3, "note")):
        diary.add(DiaryEntry(kind, "square", T0_MS + minutes))
    assert [e.at_ms - T0_MS for e in diary.entries(["note"], T0_MS + 1, T0_MS + 3)] == [1, 2]
    assert [e.kind for e in diary.entries(None, T0_MS, T0_MS + 2)] == ["watering", "note"]
    assert diary.entries([], *FOREVER) == []


def test_a_struck_entry_is_no_longer_given(diary):
    """Striking works once, and leaves the others."""
    first, second = diary.add(CORE), diary.add(CORE)
    assert diary.strike(first.id, T0_MS) and not diary.strike(first.id, T0_MS) and not diary.strike(99, T0_MS)
    assert diary.entries(["core"], *FOREVER) == [second]


@pytest.mark.parametrize(
    ("entry", "reason"),
    [
        (DiaryEntry("picnic", "square", T0_MS), "kind: found 'picnic', expected one of core"),
        (DiaryEntry("note", "", T0_MS), "surface: found none"),
        (DiaryEntry("note", "square", T0_MS, end_ms=T0_MS - 1), "end: found"),
        (DiaryEntry("note", "square", T0_MS, {"x": float("nan")}), "body: found what JSON cannot carry"),
        (DiaryEntry("note", "square", T0_MS, {"x": object()}), "body: found what JSON cannot carry"),
        (DiaryEntry("note", "square", T0_MS, {"x": "y" * 20_000}), "body: found 20"),
        (DiaryEntry("core", "square", T0_MS, {"thatch_mm": 14}), "station: found none"),
        (DiaryEntry("core", "square", T0_MS, {}, station="s"), "thatch_mm: found None"),
        (DiaryEntry("core", "square", T0_MS, {"thatch_mm": "14"}, station="s"), "thatch_mm: found '14'"),
        (DiaryEntry("core", "square", T0_MS, {"thatch_mm": True}, station="s"), "thatch_mm: found True"),
        (DiaryEntry("core", "square", T0_MS, {"thatch_mm": -1}, station="s"), "thatch_mm: found -1, expected 0 to 200"),
        (DiaryEntry("core", "square", T0_MS, {"thatch_mm": 201}, station="s"), "thatch_mm: found 201"),
        (DiaryEntry("watering", "square", T0_MS, {"water_mm": -2}), "water_mm: found -2, expected 0 to 500"),
        (DiaryEntry("depth", "square", T0_MS, {"depth_mm": 35}), "channel: found None"),
        (DiaryEntry("depth", "square", T0_MS, {"channel": "p1", "depth_mm": 35}), "channel: found 'p1'"),
        (DiaryEntry("depth", "square", T0_MS, {"channel": "a/b/c"}), "depth_mm: found None"),
        (
            DiaryEntry("core", "square", T0_MS, {"roots_mm": 9}, station="s"),
            "roots_mm: found no such field, expected 'root_mm'?",
        ),
        (
            DiaryEntry("pass", "square", T0_MS, {"pass": "slitting", "state": "dune"}),
            "state: found 'dune', expected one of booked, begun, done, nearest 'done'",
        ),
        (DiaryEntry("sight", "square", T0_MS, {"what": "tug", "value": 2}), "value: found 2, expected 0 to 1 for tug"),
    ],
    ids=range(19),
)
def test_an_entry_out_of_form_is_refused_with_its_reason(diary, entry, reason):
    """Each wrong thing is named; nothing is written."""
    with pytest.raises(DiaryFault) as refused:
        diary.add(entry)
    assert any(fault.startswith(reason) for fault in refused.value.faults)
    assert diary.entries(None, *FOREVER) == []


def test_thatch_of_no_thickness_is_a_core_too(diary):
    """Zero is a measurement, not a missing one."""
    assert diary.add(DiaryEntry("core", "square", T0_MS, {"thatch_mm": 0}, station="s")).id == 1


def test_every_fault_is_said_at_once(diary):
    """Somebody who writes an entry is told everything that is wrong with it in one go."""
    with pytest.raises(DiaryFault) as refused:
        diary.add(DiaryEntry("core", "", T0_MS, {"thatch_mm": -5}, end_ms=0))
    assert len(refused.value.faults) == 4


def test_what_is_sent_twice_under_an_identity_is_written_once(diary):
    """The second sending gives the first entry back, even when it was struck; another identity writes another."""
    one, other = replace(CORE, sent_as="k1"), replace(CORE, sent_as="k2")
    first = diary.add(one)
    assert diary.add(one) == first and diary.entries(None, *FOREVER) == [first]
    assert diary.add(other).id == 2 and diary.add(CORE).id == 3
    assert diary.strike(first.id, T0_MS + 9)
    assert diary.add(one) == first and len(diary.entries(None, *FOREVER)) == 2
    assert diary.sent_as("k1") == first and diary.sent_as("k3") is None and diary.sent_as("") is None


def test_a_correction_sent_twice_strikes_once(diary):
    """Sent again it gives what was written the first time, though what it stands in place of is struck by then."""
    before, anew = diary.add(CORE), replace(CORE, body={"thatch_mm": 15}, sent_as="k1")
    first = diary.write_anew(before.id, anew, T0_MS + 9)
    assert diary.write_anew(before.id, anew, T0_MS + 10) == first and diary.entries(None, *FOREVER) == [first]


def test_an_identity_of_any_length_is_not_taken(diary):
    """200 characters are taken, one more is refused, with the number found."""
    assert diary.add(replace(CORE, sent_as="k" * 200)).id == 1
    with pytest.raises(DiaryFault, match="sent_as: found 201 characters, expected at most 200"):
        diary.add(replace(CORE, sent_as="k" * 201))


def test_one_entry_is_had_by_its_number_until_it_is_struck(diary):
    """A number nobody has, or that of a struck entry, gives none."""
    written = diary.add(CORE)
    assert diary.entry(written.id) == written and diary.entry(written.id + 1) is None
    diary.strike(written.id, T0_MS + 9)
    assert diary.entry(written.id) is None
