"""What every running part needs.

- `backoff`: How long to wait before trying again: longer after every failure, never in step with others.
- `cached_fetch`: A file or an address that is read again and again, with the last good one kept for when it is broken
  or away.
- `changes`: What has changed: counted, and told to who listens.
- `child`: Run a program that cannot outlive its parent: `python tied_child.py PARENT_PID PROGRAM [ARGUMENT ...]`.
- `clock`: The pipeline's clock: wall time for labels, monotonic time for every wait; the only place that reads them.
- `command_line`: Read what the commands that run or recompute have in common: days, and how much is logged.
- `log`: The log: one line an event, its name and its fields, with the site, station and node that a thread works on.
- `metrics`: What the pipeline counts: every queue, retry and limit, in the text form of Prometheus.
- `part`: A thread that steps one part of the process until it is told to stop.
- `web`: Requests to other machines, bounded: in time for the whole, in bytes, and in where an answer may refer us to.
"""
