"""The settings of a site: their models, their reading from TOML, and a station as the stages know it.

- `models`: The settings of the server: one model for each table of the settings file, with the limits of its keys.
- `settings`: The server's settings: underturf.toml and the environment made into the models, and every fault in words.
- `station`: What the stages know of a station, and the frame they hand on.
"""
