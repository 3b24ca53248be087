"""The alerts: rules over findings, the life of an alert, and when it may be reported.

- `model`: The model of an alert rule: what it declares, reads and returns; the state of an alert, and its events.
- `plans`: The rules about plans: a window that opens or closes, the last good date of a pass, probes in its way.
- `probes`: The rule about probe faults: no usable readings, no movement during rain, or impossible values.
- `runner`: The tuple of all alert rules and their runner: reads what is new, evaluates the rules, stores the results.
- `site`: The rule about the data of the site: no good backup for days.
- `surface`: The rules about going on the turf: too wet for what is booked, and frost on the leaf at dawn.
- `walk`: The evaluation of a rule over new data: occasions, season, hold-backs, rain and people's marks.
- `water`: The rules about water and roots: water held in the thatch, lacking in the roots, not arriving, about to be
  shed, left running; roots that stay shallow.
"""
