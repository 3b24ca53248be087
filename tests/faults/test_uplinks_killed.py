"""The uplink bench: a short run of it, and (soak) the long run with its control."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.faults.uplink_bench import killed


def test_no_message_of_a_radio_node_is_lost_or_twice_when_agent_and_broker_are_killed(
    need_program: Callable[[str], str],
) -> None:
    """400 messages, each side killed twice: 0 and 0, the promise itself."""
    need_program("mosquitto")
    assert killed(400, 2, 1, acknowledge_first=False) == (0, 0)


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_ten_thousand_messages_and_twenty_kills_and_the_control_loses(need_program: Callable[[str], str]) -> None:
    """0 and 0 of 20,000 readings; acknowledged before they are kept, some are lost."""
    need_program("mosquitto")
    print("seed 1")
    assert killed(10_000, 20, 1, acknowledge_first=False) == (0, 0)
    lost, _ = killed(10_000, 20, 1, acknowledge_first=True)
    print(f"the control lost {lost} of 20000")
    assert lost > 0
