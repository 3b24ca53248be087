"""What to do about it: pure decisions from observations, findings and the diary, and the thread that asks for them.

- `advisor`: Everything that is advised for a site at one moment, and the thread that works it out when an hour has
  turned.
- `condition_values`: What each condition is worth in each hour, worked out from probes, weather, diary and fixtures.
- `conditions`: The conditions a pass is judged by: their names, who knows them, and the words a groundsman is told.
- `healing`: When a wound in the turf will have healed, and the last day on which a pass may still be made.
- `locks`: What closes a pass before any bound is asked: the state of the ground, the season, and what is not known.
- `report`: What is advised for a site: the answers that pages, calendar, alerts and the digest all tell, each from
  here.
- `station_inputs`: The hours of a station laid end to end: a week measured, ten days to come, as the judging of
  passes wants them.
- `surface_inputs`: A surface as the sums of advice want it: what diary, calendar and settings say of it, and how its
  grass grows.
- `surface_windows`: Outlooks made of others: several stations of a surface as one, chances from an ensemble, windows
  cut to work hours.
- `treatments`: Kinds of pass, what each is for, and the bounds within which each is open, waits or is closed.
- `water`: Tonight's water: how many millimetres, in how many goes, or none and why.
- `window_lines`: One plain line a window: where, what, since when or until when, so what.
- `windows`: Whether a pass may be made: now and in each hour to come, open, wait, closed or not to be told, and why.
- `work_windows`: Spells of work: the hours of work in which a pass is open, joined over nights, dew and showers.
"""
