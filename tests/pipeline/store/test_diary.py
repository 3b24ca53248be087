"""The diary: entries come back as written, wrong ones are refused with every fault, struck ones are gone from view.

Expected values are the entries put in, and our own rules for each kind.
"""

import pytest

from pipeline.store.database import Database
from pipeline.store.diary import KINDS, Diary, DiaryEntry, DiaryFault

T0_MS = 1_704_067_200_000
FOREVER = (0, 7_000_000_000_000)
CORE = DiaryEntry("core", "square", T0_MS, {"thatch_mm": 14}, station="square-1", author="Ann", written_at_ms=T0_MS + 5)


@pytest.fixture
def diary(tmp_path):
    database = Database(tmp_path / "journal.db")
    yield Diary(database)
    database.close()


def test_an_entry_comes_back_as_written(diary):
    """Every field comes back, with the number it was given."""
    body = {"words": "moss by the north end — wet", "parts": [1, 2.5, None, {"a": True}]}
    note = DiaryEntry("note", "square", T0_MS + 1, body, end_ms=T0_MS + 9)
    written = [diary.add(CORE), diary.add(note)]
    assert [w.id for w in written] == [1, 2]
    assert diary.entries(None, *FOREVER) == written


@pytest.mark.parametrize("kind", sorted(set(KINDS) - {"core", "depth"}))
def test_the_other_kinds_take_any_body(diary, kind):
    """What a kind says is free until its form is laid down."""
    assert diary.add(DiaryEntry(kind, "square", T0_MS, {"words": "done"})).kind == kind


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
    ],
    ids=range(16),
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
