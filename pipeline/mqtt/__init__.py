"""The broker and what comes in from it.

- `broker`: The embedded broker: one for this machine alone, on loopback, kept running.
- `field_checks`: The field check of probes on a page, each step ticked from live readings.
- `ingest`: From the broker to a bounded queue, and receipts back.
- `listener`: What a process without a worker hears of the nodes, for pages.
- `node_health`: How the machines of the nodes are, as last told, and their last days.
- `nodes`: What the nodes say of themselves, as last heard: up or down, their lines, what waits in their outbox.
- `refusals`: Who the broker turned away, from its own log.
"""
