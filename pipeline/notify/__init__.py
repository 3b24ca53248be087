"""Notification of people and machines.

- `channels`: People's addresses: each line of the secret file is a way of its own.
- `outbox`: From the outbox to people and machines: what is due on each way is delivered, at least once, with a stable
  id.
- `policy`: The notification policy: one digest each morning, quiet at night, and few interruptions.
"""
