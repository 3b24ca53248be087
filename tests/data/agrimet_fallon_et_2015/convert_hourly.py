"""Make hourly_year.csv.gz from the file as published in the repository named in SOURCE.txt.

    python tests/data/agrimet_fallon_et_2015/convert_hourly.py FALN_Agrimet_hourly_raw_2015.csv

Relative humidity is worked out from air temperature and dew point by FAO-56 eq. 11 and 14; the rest is as published.
"""

import csv
import gzip
import math
import sys
from pathlib import Path


def saturation_kpa(degf: float) -> float:
    """FAO-56 eq. 11."""
    degc = (degf - 32.0) / 1.8
    return 0.6108 * math.exp(17.27 * degc / (degc + 237.3))


def main(published: Path) -> None:
    rows = ["date,hour,temperature_degf,relative_humidity_percent,wind_3m_mph,solar_langley_h"]
    with published.open(encoding="ascii") as file:
        for row in csv.DictReader(file):
            air, dew, wind, sun = (row[name].strip() for name in ("OB", "TP", "WS", "SI"))
            humidity = ""
            if float(air) > -900 and float(dew) > -900:
                humidity = f"{min(100.0 * saturation_kpa(float(dew)) / saturation_kpa(float(air)), 100.0):.1f}"
            date = f"{row['YEAR']}-{int(row['MONTH']):02d}-{int(row['DAY']):02d}"
            rows.append(f"{date},{int(row['HOUR']):02d},{air},{humidity},{wind},{sun}")
    text = "\n".join(rows) + "\n"
    Path(__file__).with_name("hourly_year.csv.gz").write_bytes(gzip.compress(text.encode("ascii"), mtime=0))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
