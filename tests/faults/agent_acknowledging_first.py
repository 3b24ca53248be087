"""The control of uplink_bench.py: an agent that acknowledges each message of a radio node before it is kept.

python tests/faults/agent_acknowledging_first.py CONFIG
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from probe_agent.config import load
from probe_agent.mqtt import InboxConnection, ReceivedMessage
from probe_agent.service import run

on_message = InboxConnection._on_message
acknowledge = InboxConnection.acknowledge


def acknowledging(self: InboxConnection, client: object, userdata: object, message) -> None:
    acknowledge(self, ReceivedMessage(b"", False, message.mid, message.qos))
    on_message(self, client, userdata, message)


if __name__ == "__main__":
    InboxConnection._on_message = acknowledging  # type: ignore[method-assign]
    InboxConnection.acknowledge = lambda self, message: None  # type: ignore[method-assign]
    run(load(Path(sys.argv[1])))
