"""Records that others kept: files of numbers, mapped to channels, looked through to the end, and kept as readings.

What comes in by a file is raw like what comes in by a line, so stages, backup and both stores treat it alike.

- `exported`: Exports of Underturf itself: their head and end, and their reading into another site.
- `hand_over`: A checked record on its way to the process that holds its site, in pieces in the database.
- `hand_rows`: Rows of a spreadsheet as entries of the diary, one entry a row.
- `record_draft`: A map drafted from a file, for a person to read, correct and complete.
- `record_file`: A file of text, plain or gzipped, in blocks of whole lines that know their numbers.
- `record_intake`: A record on its way into the journal: looked through to its end first, then kept.
- `record_map`: The map of a file: what its columns become, as TOML.
- `record_plan`: What each column of a file becomes: the map held against the settings of the site.
- `record_rows`: The rows of a table of text as numbers and instants, and every fault in them by line and column.
- `record_times`: From the times of a file to instants: one form, one zone, and daylight saving.
- `strokes`: Pushes of any penetrometer in a file, as the readings of a docked one.
- `unit_names`: Names of units as files have them, and how a number in one becomes one in the canonical unit.
"""
