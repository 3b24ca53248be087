"""The settings of a site: their models, their reading from TOML, and a station as the stages know it.

- `fields`: A table of settings, or the body of a diary entry: what its fields may be, and its faults in words.
- `models`: The settings of the server: one model for each table of the settings file, with the limits of its keys.
- `settings`: The server's settings: underturf.toml and the environment made into the models.
- `station`: What the stages know of a station, and the frame they hand on.
"""
