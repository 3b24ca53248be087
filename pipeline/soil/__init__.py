"""Pure array functions of soil, water, weather and thatch: plain arrays in, plain arrays out.

- `arrival`: Account of the water of one wetting: what the thatch kept, what reached the roots and when.
- `calibration`: From the number a probe reports to the observation: the named curves, and the temperature correction.
- `change`: A figure before and after a pass, and the trend of short, irregular records.
- `climate`: Reference evapotranspiration, vapour in the air, the leaf's temperature by night, growth.
- `disease`: Weather in which a turf disease comes, by a published index.
- `drift`: Slow drift of a channel, against its neighbours or its own drained plateaus.
- `drying`: Dry-downs: how long a layer stays wet after the water stops, and how fast it loses it.
- `estimate`: A figure with its 90 % interval, the count behind it, and why it is withheld.
- `hand_meter`: What a reading of a hand meter tells of thatch and root zone: its rods average from the leaf down to
  their end.
- `layers`: Media, the place of a probe, water stored in thatch and root zone, and relative wetness.
- `limits`: Dry and drained limit learned from a channel's own history.
- `moving`: Moving windows over a series by its own time stamps.
- `passage`: Share of a wetting that passed the thatch, told from below and from above.
- `probe_faults`: Signs of a faulty channel that show over days and weeks.
- `quality`: Quality tests of a series: from arrays to flags, one effect each.
- `radiation`: Position of the sun, radiation above the air and at the ground, after FAO-56.
- `roots`: Rooting depth from uptake by depth over a dry spell.
- `strength`: Pushes of a cone made into a profile, stones left out.
- `thatch`: Series of cores, what a pass takes out, and thickness from a wetting.
- `uptake`: Daily uptake by roots at each depth, from the step between night and day.
- `wetting`: Wettings by rain, by a watering of the diary, or as the probes alone show them.
"""
