"""Turn a USCRN `hourly02` text file, as published, into the compact record the simulator plays back.

Run: `python tests/data/uscrn/convert_hourly.py PUBLISHED.txt RECORD.csv.gz`. One row an hour. Codes for "missing", and
values the network flagged as erroneous (flag 3), become empty fields; nothing else is changed, filled or smoothed. The
file is written with no name and no date inside, so that the same input makes the same bytes.
"""

import csv
import gzip
import io
import sys
from pathlib import Path

# Column of the compact record: (field of hourly02, counted from 0; field of its flag or None). Field order as in the
# network's readme for hourly02.
DEPTHS_MM = (50, 100, 200, 500, 1000)
COLUMNS = {
    "air_temperature_degc": (9, None),  # T_HR_AVG
    "rain_mm": (12, None),  # P_CALC
    "solar_radiation_w_m2": (13, 14),  # SOLARAD
    "surface_temperature_degc": (20, 21),  # SUR_TEMP
    "relative_humidity_percent": (26, 27),  # RH_HR_AVG
    **{f"moisture_{depth:04d}": (28 + i, None) for i, depth in enumerate(DEPTHS_MM)},
    **{f"temperature_{depth:04d}_degc": (33 + i, None) for i, depth in enumerate(DEPTHS_MM)},
}
MISSING = -99.0  # soil moisture -99, the others -9999 and -99999: nothing measured here gets that low
ERRONEOUS = "3"


def convert(published: str) -> str:
    """The compact record as CSV text, from the text of a published file."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["hour_end_utc", *COLUMNS])
    for line in published.splitlines():
        field = line.split()
        if len(field) != 38:
            raise SystemExit(f"found {len(field)} fields in {line[:40]!r}, expected 38: is this an hourly02 file?")
        day, time = field[1], field[2]
        row = [f"{day[:4]}-{day[4:6]}-{day[6:]}T{time[:2]}:{time[2:]}Z"]
        for place, flag in COLUMNS.values():
            lost = float(field[place]) <= MISSING or (flag is not None and field[flag] == ERRONEOUS)
            row.append("" if lost else field[place])
        writer.writerow(row)
    return out.getvalue()


if __name__ == "__main__":
    text = convert(Path(sys.argv[1]).read_text(encoding="ascii"))
    Path(sys.argv[2]).write_bytes(gzip.compress(text.encode("ascii"), mtime=0))
