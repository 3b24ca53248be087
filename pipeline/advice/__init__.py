"""What to do about it: pure decisions from observations, findings and the diary, and the thread that asks for them.

- `advisor`: Everything that is advised for a site at one moment, and the thread that works it out every hour.
- `cautions`: What to look at or to feel for on a surface, and how likely it is.
- `chances`: The chance that a pass is open in an hour to come, by the courses that weather and water may take.
- `conditions`: The conditions a pass is judged by: what each is worth in each hour, who knows it, and its words.
- `healing`: When a wound in the turf will have healed, and the last day on which a pass may still be made.
- `leavings`: What booked passes may leave of the thatch.
- `locks`: What closes a pass before any bound is asked: the state of the ground, the season, and missing data.
- `phrases`: Phrases that all texts share: lists of names, probes to be lifted, days, and times that go on.
- `report`: What is advised for a site, and the line of text of each window.
- `station_hours`: The hours of a station that its passes are judged by, a week measured and ten days ahead.
- `station_inputs`: What advice on a station rests on: its past week, its balance, the weather ahead, and what is kept.
- `stretches`: The outlook of a pass in words: a stretch that is open, what ends it, when to make it instead.
- `surface_inputs`: What diary, calendar and settings say of a surface, how its grass grows, and tonight's water.
- `treatments`: Kinds of pass, and the bounds within which each is open, waits or is closed.
- `water`: Tonight's water: how many millimetres, in how many goes, or none and why.
- `weeks_ahead`: The chance by week of every pass, sixteen weeks on, by the climate.
- `windows`: Verdicts of a pass hour by hour, of one station and of a surface, and the windows of work they make.
"""
