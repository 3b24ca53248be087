"""What the broker says of those it turns away, line by line. The lines are those of mosquitto 2.0.11, as a broker of
that version wrote them to us, and for 2.1 those of its source, from memory."""

from __future__ import annotations

import pytest

from pipeline.mqtt.refusals import MOST_KEPT, REFUSAL_TOLD_FOR_MS, Refusal, Refusals

NEW = "1796089160: New connection from {}:39208 on port 8883."
REFUSED = "1796089160: Client <unknown> disconnected, not authorised."
FOREIGN = "1796089160: OpenSSL Error[0]: error:0A000418:SSL routines::tlsv1 alert unknown ca"
ENDED = "1796089160: Client <unknown> disconnected: Protocol error."


def heard(*lines: str) -> list[tuple[str, str, int]]:
    """Address, cause and count of what was turned away."""
    found = Refusals()
    for at_ms, line in enumerate(lines):
        found.hear(line, at_ms)
    return [(one.address, one.cause, one.count) for one in found.recent(len(lines))]


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ([NEW.format("10.0.0.5"), REFUSED] * 2, [("10.0.0.5", "password", 2)]),
        (["Client meadow/hut [10.0.0.5:39208] disconnected: not authorised."], [("10.0.0.5", "password", 1)]),
        ([NEW.format("fd00::5"), FOREIGN, ENDED], [("fd00::5", "authority", 1)]),
        (["Client connection from 10.0.0.5 failed: error:0A00010B:SSL routines::wrong version number."],
         [("10.0.0.5", "clear", 1)]),
        ([NEW.format("10.0.0.5"), FOREIGN.replace("tlsv1 alert unknown ca", "wrong version number"), ENDED],
         [("10.0.0.5", "clear", 1)]),
        (["Client connection from 10.0.0.5 failed: error:0A0000C1:SSL routines::no shared cipher."],
         [("10.0.0.5", "encryption", 1)]),
        ([NEW.format("10.0.0.5"), NEW.format("10.0.0.6"), REFUSED], [("", "password", 1)]),
        ([NEW.format("10.0.0.5"), ENDED, NEW.format("10.0.0.6"), REFUSED], [("10.0.0.6", "password", 1)]),
        ([NEW.format("10.0.0.5"), REFUSED, NEW.format("10.0.0.5"),
          "New client connected from 10.0.0.5:39208 as hut (p2, c1, k60, u'hut')."], []),
        (["Saving in-memory database to /var/lib/mosquitto/mosquitto.db.", "\ufffd", ""], []),
    ],
)  # fmt: skip
def test_who_was_turned_away_and_why(lines: list[str], told: list[tuple[str, str, int]]) -> None:
    """With its address where only one was on its way; whoever came in since is not told of."""
    assert heard(*lines) == told


def test_what_is_old_is_not_told_and_what_is_kept_is_bounded() -> None:
    """A quarter of an hour; a flood of addresses keeps the newest."""
    found = Refusals()
    for number in range(3 * MOST_KEPT):
        found.hear(f"Client connection from 10.0.0.{number} failed: wrong version number", number)
    assert found.recent(0)[0] == Refusal(f"10.0.0.{3 * MOST_KEPT - 1}", "clear", 1, 3 * MOST_KEPT - 1)
    assert len(found.recent(0)) == MOST_KEPT and found.recent(REFUSAL_TOLD_FOR_MS + 3 * MOST_KEPT) == []
