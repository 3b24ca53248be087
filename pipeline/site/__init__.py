"""The settings of a site: their models, their reading from TOML, and a station as the stages know it.

- `models`: What the server is told, as frozen dataclasses: the site, what is in its ground, and how each part is set.
- `settings`: The server's settings: underturf.toml and the environment made into frozen dataclasses.
- `station`: What the stages know of a station, and the frame they hand on.
- `toml_check`: Reading a TOML table while collecting every fault in it, so that one run of a check shows them all.
"""
