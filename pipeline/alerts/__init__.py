"""When people must know: rules over findings, the life of an alert, when it may be told.

- `bounds`: What a site may set of each alert rule: when it opens and closes, how long, how far ahead, and in which
  months.
- `frost`: The rule about frost on the leaf at dawn: as it is measured, and the evening before as it is forecast.
- `gating`: When an alert may be said at all: the season of its rule, the hour of the day, play, drying, and people's
  marks.
- `model`: What an alert rule is given and what it gives back: bounds, the place watched, the diary, its state, its
  events.
- `plans`: The rules about windows: one that opens, or is due to, for a pass that is planned; and one that is about to
  close.
- `probes`: The rule about probes: one that has fallen silent, stands still in the rain, or says what cannot be.
- `quarter_hours`: A station's findings and rain, quarter hour by quarter hour, as the rules about water walk over
  them.
- `roots`: The rule about roots that stay shallow: by the fortnights' estimates, in soil depth as a ruler would show
  it.
- `rules`: The alert rules of a station and the one call that runs them all.
- `runner`: The shell about the alert rules: hands them what is new and keeps what they say.
- `water`: The rules about water: held in the thatch, lacking in the roots, not arriving, left running, and forecast.
"""
