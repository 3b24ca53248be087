"""The settings of a site: their models, and their reading from TOML.

- `context`: What the tables of a settings file are validated against.
- `fields`: A table of settings, or the body of a diary entry: what its fields may be, and its faults in words.
- `ground`: The tables of the place: site, climate, surfaces, stations, probes and cores.
- `local_units`: Units and dates as people at the site read them, in texts and on pages.
- `own_settings`: What may be changed from the pages, and how its file is laid beside the main one.
- `passes`: The kinds of pass, planned passes, and the bounds that a site or surface sets in place of the usual ones.
- `plan`: The table of the plan of the ground: marks, what lies buried, buildings.
- `plane`: Geometry of that plan: outlines, what of a line lies inside one, a place by two tapes.
- `power`: How large the battery and the panel of a node must be.
- `server`: The tables of the server: data, clock, broker, store, pages, notification, and sources of days to come.
- `settings`: All tables of the settings file in one model, and its reading from TOML and the environment.
- `strips`: Strips of a square: their numbers in words, and the one that a point of the plan lies on.
"""
