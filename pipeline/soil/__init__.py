"""Pure array functions of soil, water, weather and thatch: plain arrays in, plain arrays out.

- `arrival`: Where the water of one wetting went: what the thatch caught, what reached the roots and when, and what is
  missing.
- `calibration`: From what a probe says to the observation: the sums of the named curves, and the temperature
  correction.
- `change`: What has changed: a figure before and after a pass, and the trend of short, irregular records.
- `climate`: How much water the air asks of the turf: reference evapotranspiration and the turf's share of it.
- `drying`: Dry-downs: how long a layer stays wet after the water stops, how fast it lets go, and what that says of
  thatch.
- `estimate`: A result with its doubt: value, interval, how much stands behind it, and why it is withheld or to be
  taken with care.
- `growth`: How fast turf can grow at a temperature, and how long a wound needs to close.
- `humidity`: Water vapour in the air: pressures, dewpoint and frost point.
- `layers`: Water by layer: how much lies in the thatch and in the root zone, and how wet each is between dry and
  drained.
- `limits`: Limits learned from a channel's own history: the water it holds when drained, and when dry.
- `moving`: Moving windows over a series in time, by its own stamps: what the quality tests look back with.
- `permittivity`: Published curves from apparent permittivity to water content, each kept inside its calibrated range.
- `quality`: Quality of a series: plain functions from arrays to flags, one effect each.
- `radiation`: Where the sun stands over a place, what it sends, and what of it a grass surface keeps, after FAO-56.
- `roots`: How deep the roots drink: uptake by depth over a dry spell made into a rooting depth, or a reason why not.
- `site_calibration`: The site's own line from reading to water content, fitted to ring samples dried in an oven.
- `soil_temperature`: Heat in the ground and cold on the leaf: the damped wave, its diffusivity, and frost at dawn.
- `strength`: How hard the ground is to roots: pushes of a cone made into a profile, freed of stones and wetness.
- `thatch`: The thatch itself: what cores say, what a pass takes out, and where growth and passes meet.
- `uptake`: What roots drank at each depth on each day, from the step that a day cuts into soil moisture.
- `water_balance`: The day's water account: what fell, what was drunk, what passed each layer, and what cannot be
  accounted for.
- `wetting`: Wettings: when water came, from rain, from a watering somebody wrote down, or as the probes alone tell
  it.
"""
