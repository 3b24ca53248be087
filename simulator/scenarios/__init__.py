"""The scenarios that come with the project: one TOML file each, in the form of `FORMAT.md` beside this package."""
