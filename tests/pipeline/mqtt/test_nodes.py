"""What nodes say of themselves is read strictly, and what they do not say is not forgotten."""

from __future__ import annotations

import json
import random

import pytest

from pipeline.mqtt.nodes import MAX_STATUS_BYTES, BadStatus, Nodes

TOPIC = "underturf/1/meadow/node-1/status"


@pytest.mark.parametrize(
    ("payload", "told"),
    [
        (b"\xff\x00", "expected JSON"),
        (b"[1]", "expected 'up' or 'down'"),
        (b'{"state": "asleep"}', "expected 'up' or 'down'"),
        (b'{"state": "up", "backlog": -1}', "status.backlog"),
        (b'{"state": "up", "backlog": true}', "status.backlog"),
        (b'{"state": "up", "lines": {"north": 3}}', "status.lines"),
        (b'{"state": "up", "version": 1}', "status.version"),
        (b'{"state": "up"' + b" " * 70_000 + b"}", "bytes"),
        (b"[" * 60_000, "status"),
    ],
)
def test_a_status_out_of_form_is_refused_with_its_reason(payload: bytes, told: str) -> None:
    """Nothing of it is taken."""
    nodes = Nodes()
    with pytest.raises(BadStatus, match=told):
        nodes.hear(TOPIC, payload, 0)
    assert nodes.all() == ()


@pytest.mark.parametrize("topic", ["underturf/1/meadow/NODE/status", "underturf/1/meadow/a/b/status", "status"])
def test_a_topic_that_names_no_node_is_refused(topic: str) -> None:
    """A node is named by a slug."""
    with pytest.raises(BadStatus, match="topic"):
        Nodes().hear(topic, b'{"state": "up"}', 0)


def test_an_empty_retained_message_takes_a_node_off_the_list() -> None:
    """That is how a node that is no longer there is cleared from the broker."""
    nodes = Nodes()
    nodes.hear(TOPIC, b'{"state": "up"}', 5)
    assert [n.heard_at_ms for n in nodes.all()] == [5]
    assert nodes.hear(TOPIC, b"", 6) is None
    assert nodes.all() == ()


def test_random_bytes_never_raise_anything_else() -> None:
    """Five hundred damaged statuses are each taken or refused."""
    rng, nodes = random.Random(11), Nodes()
    good = json.dumps({"state": "up", "backlog": 3, "lines": {"north": "away: unplugged"}}).encode()
    for _ in range(500):
        damaged = bytearray(good)
        for _ in range(rng.randint(1, 4)):
            damaged[rng.randrange(len(damaged))] = rng.randrange(256)
        try:
            nodes.hear(TOPIC, bytes(damaged), 0)
        except BadStatus as bad:
            assert str(bad)


@pytest.mark.parametrize(
    ("devices", "told"),
    [
        (b"[]", "status.devices: found [], expected at most 128 by name"),
        (b'{"s/r": 5}', "status.devices.s/r: found 5, expected names with a number each"),
        (b'{"s/r": {"at_ms": 1}}', "status.devices.s/r: found ['at_ms'], expected at_ms and missed among them"),
        (b'{"s/r": {"at_ms": 1, "missed": -1}}', "status.devices.s/r.missed: found -1, expected 0 to"),
        (
            b'{"s/r": {"at_ms": 1, "missed": 0, "signal_dbm": "x"}}',
            "status.devices.s/r.signal_dbm: found 'x', expected a",
        ),
    ],
)
def test_radio_nodes_out_of_form_are_refused_with_their_reason(devices: bytes, told: str) -> None:
    """No table, no numbers, what must be there, a count below none, a text: each is named."""
    with pytest.raises(BadStatus) as caught:
        Nodes().hear(TOPIC, b'{"state": "up", "devices": ' + devices + b"}", 0)
    assert told in str(caught.value)


def test_a_node_of_another_site_is_up_only_while_it_says_so() -> None:
    """One that goes down with a line whose state has those letters in it is gone from those that are up."""
    nodes = Nodes("meadow")
    topic = "underturf/1/valley/node-1/status"
    nodes.hear(topic, b'{"state": "up"}', 5)
    assert nodes.strangers() == {"valley/node-1": 5}
    nodes.hear(topic, b'{"state": "down", "lines": {"north": "interrupted"}}', 6)
    assert nodes.strangers() == {}
    for payload in (b"up", b'["up"]', b'{"state": "up"' + b" " * MAX_STATUS_BYTES + b"}"):
        nodes.hear(topic, payload, 7)
        assert nodes.strangers() == {}
