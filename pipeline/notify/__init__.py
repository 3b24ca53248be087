"""How people and machines are told.

- `channels`: People's addresses: each line of the secret file is a way of its own.
- `messages`: Messages to people: what each of them has been told, and what waits to be sent.
- `outbox`: From the outbox to people and machines: what is due on each way is delivered, at least once, with a stable
  id.
- `policy`: How people are told: one digest each morning, quiet at night, and few interruptions.
- `trial`: A test message on every way, to see that the settings are right before an alert depends on them.
"""
