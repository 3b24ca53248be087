"""Notification of people and machines.

- `channels`: The ways to deliver: log, webhook and MQTT for machines; for people mail, the web and services, one way an
  address.
- `heartbeat`: A sign of life to an address elsewhere, by which a box that is dead or cut off is noticed: it can say so
  no more.
- `outbox`: From the outbox to people and machines: what is due on each way is delivered, at least once, with a stable
  id.
- `policy`: The notification policy: one digest each morning, quiet at night, and few interruptions.
"""
