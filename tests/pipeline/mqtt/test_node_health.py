"""What a node says of its machine: read strictly, kept with the supply of its days, and known again after a restart."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.mqtt.node_health import (
    BOUNDS,
    DAYS_KEPT,
    BadHealth,
    NodeHealth,
    SupplyDay,
    as_note,
    from_note,
    health_after,
)
from pipeline.mqtt.nodes import BadStatus, Nodes
from pipeline.units import DAY_MS

TOPIC = "underturf/1/meadow/node-1/status"


def up(**health: object) -> bytes:
    return json.dumps({"state": "up", "health": health}).encode()


def test_each_day_keeps_its_lowest_and_highest_supply() -> None:
    """By hand: 12.6, 11.9, 13.1 on one day, 12.2 on the next; a clock gone back adds to the newest day."""
    health = None
    for at_ms, supply_v in ((0, 12.6), (1000, 11.9), (2000, 13.1), (DAY_MS, 12.2), (5000, 12.0)):
        health = health_after(health, {"supply_v": supply_v}, at_ms)
    assert health is not None
    assert health.supply_days == (SupplyDay(0, 11.9, 13.1), SupplyDay(DAY_MS, 12.0, 12.2))
    assert (health.lowest_v(1), health.lowest_v(2)) == (12.0, 11.9)


def test_no_more_than_the_last_days_are_kept() -> None:
    """Forty days of words leave the newest fourteen."""
    health = None
    for day in range(40):
        health = health_after(health, {"supply_v": 10.0 + day}, day * DAY_MS)
    assert health is not None and len(health.supply_days) == DAYS_KEPT
    assert health.supply_days[-1] == SupplyDay(39 * DAY_MS, 49.0, 49.0)


def test_a_status_without_it_changes_nothing_and_unknown_names_are_left() -> None:
    """A last will says only that the node is down; a newer node may say more than we know."""
    before = NodeHealth(5, {"supply_v": 12.0})
    assert health_after(before, None, 9) is before
    assert health_after(None, {"mood": "good", "uptime_s": 4}, 9) == NodeHealth(9, {"uptime_s": 4.0})


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        ([1], "status.health: found"),
        ({"supply_v": "12"}, "status.health.supply_v: found '12', expected a number"),
        ({"supply_v": True}, "status.health.supply_v: found True"),
        ({"supply_v": 1e300}, "status.health.supply_v: found 1e+300, expected 0 to 1000"),
        ({"signal_dbm": 3}, "status.health.signal_dbm: found 3, expected -200 to 0"),
        ({"uptime_s": float("nan")}, "status.health.uptime_s: found nan"),
    ],
)
def test_what_is_out_of_form_is_refused_by_name(said: object, reason: str) -> None:
    """And with it the status: nothing of it is taken."""
    with pytest.raises(BadHealth) as refused:
        health_after(None, said, 0)
    assert str(refused.value).startswith(reason)
    nodes = Nodes()
    with pytest.raises(BadStatus):
        nodes.hear(TOPIC, json.dumps({"state": "up", "health": said}).encode(), 0)
    assert nodes.all() == () and nodes.health() == {}


@given(
    st.dictionaries(
        st.sampled_from(["hut", "mast", "shed-2"]),
        st.lists(
            st.fixed_dictionaries({}, optional={k: st.floats(*v) for k, v in BOUNDS.items()}), min_size=1, max_size=5
        ),
    )
)
def test_what_is_kept_comes_back(told: dict[str, list[dict[str, float]]]) -> None:
    """Through JSON as the note is kept (algebra)."""
    health = {}
    for node, words in told.items():
        for n, said in enumerate(words):
            after = health_after(health.get(node), said, n * DAY_MS)
            assert after is not None
            health[node] = after
    assert from_note(json.loads(json.dumps(as_note(health)))) == health


def test_a_note_that_is_damaged_costs_that_node_alone() -> None:
    """What cannot be read is left out; the node says it anew."""
    good = as_note({"hut": NodeHealth(7, {"supply_v": 12.5}, (SupplyDay(0, 12.5, 12.5),))})
    assert set(
        from_note({**good, "mast": {"at_ms": "x"}, "shed": 3, "nets": {"at_ms": 1, "values": {"supply_v": "?"}}})
    ) == {"hut"}


def test_only_news_has_to_be_kept() -> None:
    """Once after each word of a machine, not for a backlog, and once when a node is taken off."""
    nodes = Nodes()
    assert nodes.health_to_keep() is None
    nodes.hear(TOPIC, up(supply_v=12.0), 1)
    assert set(nodes.health_to_keep() or {}) == {"node-1"}
    nodes.hear(TOPIC, b'{"state": "up", "backlog": 4}', 2)
    nodes.hear(TOPIC, b'{"state": "down"}', 3)
    assert nodes.health_to_keep() is None
    assert nodes.all()[0].health == NodeHealth(1, {"supply_v": 12.0}, (SupplyDay(0, 12.0, 12.0),))
    nodes.hear(TOPIC, b"", 4)
    assert nodes.health_to_keep() == {}
