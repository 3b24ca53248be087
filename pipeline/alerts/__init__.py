"""When people must know: rules over findings, the life of an alert, when it may be told.

- `model`: What an alert rule declares, what it is handed and what it gives back; the state of an alert, and its events.
- `plans`: The rules about plans: a window that opens or closes, the last good date of a pass, probes in its way.
- `probes`: The rule about probes: one that has fallen silent, stands still in the rain, or says what cannot be.
- `rules`: The alert rules, all of them, and the walk of those of one station.
- `runner`: The runner of the alert rules: gathers what is new, walks the rules over it, keeps what they say.
- `surface`: The rules about going on the turf: too wet for what is booked, and frost on the leaf at dawn.
- `walk`: The walk of a rule: over what is new, what it would say of it, what holds that back, and people's marks.
- `water`: The rules about water and roots: water held in the thatch, lacking in the roots, not arriving, about to be
  shed, left running; roots that stay shallow.
"""
