"""Open field records through the import and the server's own stages, and what is told of them.

    python tests/bench/bench_records.py [--records FOLDER] [--only NAME ..]

Each record of `tests/data/records`, and of any FOLDER with a `records.toml` and a map for each of its records in the
same form, goes into a site of its own by the code of `underturf import`, which runs the stages. Printed for each:
days of which the demand is told, and by the full formula; wettings whose share that reached the soil is told, and how
many of those lie in 0..1 with their interval; dry-downs of five days and more told with a time constant; fortnights
told, or refused and why; and false alarms a probe-year: flagged readings of moisture in ground that is not frozen,
those of one channel less than a day apart counted once, and what is said of a whole channel but suspicions. Nobody
knows the truth of a field record: all are taken for sound but those into which faults were put, which stand apart.

Records with sun and humidity are taken in a second time, with what real sensors do: 2 W m-2 less sun by night and a
humidity 2 % too high, to 102 % at most. Exits 1 when that takes two points or more of the share of days by the full
formula, a share lies outside 0..1, or the false alarms of all records are more than 1.5 a probe-year.
"""

from __future__ import annotations

import argparse
import collections
import gzip
import itertools
import re
import sys
import tempfile
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from api.records import ImportAsked, import_record  # noqa: E402
from pipeline.records.record_map import RecordMap, read_map  # noqa: E402
from pipeline.records.unit_names import to_canonical  # noqa: E402
from pipeline.site.settings import SiteConfig  # noqa: E402
from pipeline.stages.catalogue import CATALOGUE, Shown  # noqa: E402
from pipeline.stages.recompute import station_context  # noqa: E402
from pipeline.store.opening import Stores, open_stores  # noqa: E402
from pipeline.units import DAY_MS, EVER_MS  # noqa: E402
from tests.bench.quality_seasons import SUSPICIONS, alarms, bad  # noqa: E402
from tests.pipeline.records.field_records import RECORDS, FieldRecord, read_records, site_of  # noqa: E402

NOW_MS = 1_767_225_600_000  # 2026-01-01
LONG_DRY_DOWN_MS = 5 * DAY_MS
NIGHT_OFFSET_W_M2, HUMIDITY_SLOPE, HUMIDITY_MOST = -2.0, 1.02, 102.0
WHOLE = [quantity for quantity, entry in CATALOGUE.items() if entry.shown is Shown.PROBES]
LEAST_POINTS, MOST_ALARMS = 2.0, 1.5
THERMOMETER_REACH_M = 0.05


@dataclass
class Told:
    """What the stages told of one record; counts, and probe-years of moisture."""

    name: str
    days: int = 0
    demand: int = 0
    full: int = 0
    wettings: int = 0
    shares: int = 0
    inside: int = 0
    long_dry_downs: int = 0
    constants: int = 0
    fortnights: int = 0
    at_least: int = 0
    refused: collections.Counter[str] = field(default_factory=collections.Counter)
    alarms: int = 0
    probe_years: float = 0.0
    flagged: dict[str, int] = field(default_factory=dict)
    doubted: list[str] = field(default_factory=list)

    @property
    def full_share(self) -> float:
        """Days by the full formula, of those with any weather, in points."""
        return 100.0 * self.full / max(self.days, 1)


def taken_in(record: FieldRecord, folder: Path) -> Told:
    """Take a record into a new site and gather what is told of it."""
    config = site_of(record, folder)
    import_record(config, ImportAsked(record.file, record.map, False), NOW_MS, lambda _: None, lambda *_: None)
    stores = open_stores(config)
    told = Told(record.name)
    try:
        for station in config.stations():
            _of_station(stores, station, told)
            _alarms_of(config, stores, station, told)
    finally:
        stores.close()
    return told


def _of_station(stores: Stores, station: str, told: Told) -> None:
    found = stores.store.findings(station, None, *EVER_MS)
    demand = found[found["quantity"] == "reference_et"]
    known = demand["value"].notna()
    told.days += len(demand)
    told.demand += int(known.sum())
    told.full += int((known & demand["low"].isna()).sum())
    told.wettings += int((found["quantity"] == "wetting_given").sum())
    shares = found[(found["quantity"] == "arrival_share") & found["value"].notna()]
    ends = shares[["low", "value", "high"]]
    told.shares += len(shares)
    told.inside += int(((ends >= 0.0) & (ends <= 1.0)).all(axis=1).sum())
    _dry_downs(found, told)
    roots = found[found["quantity"] == "root_depth_90"]
    told.fortnights += int(roots["value"].notna().sum())
    told.at_least += int((roots["value"].notna() & roots["high"].isna()).sum())
    told.refused.update(_cause(reason) for reason in roots[roots["value"].isna()]["reason"])


def _cause(reason: str) -> str:
    """A refusal without its figures."""
    return re.sub(r"only \d+ of \d+ dry days needed: mostly ", "few dry days: ", reason)


def _dry_downs(found: pd.DataFrame, told: Told) -> None:
    """Of dry-downs of five days and more, how many have a time constant or are longer than can be told."""
    wettings = found[found["quantity"] == "wetting_given"].sort_values("start_ms")
    constants = found[found["quantity"].isin(["root_zone_recession", "thatch_recession"])]
    known = set(constants[constants["value"].notna() | constants["low"].notna()]["start_ms"])
    for one, after in itertools.pairwise(wettings.itertuples()):
        if after.start_ms - one.end_ms >= LONG_DRY_DOWN_MS:
            told.long_dry_downs += 1
            told.constants += one.start_ms in known


def _alarms_of(config: SiteConfig, stores: Stores, station: str, told: Told) -> None:
    context = station_context(config, station, stores.diary)
    thermometers = [(context.channels[i].depth_m or 0.0, i) for i in context.temperatures]
    spans: dict[str, list[int]] = {}
    for channel_id in context.moisture:
        rows = stores.store.observations([channel_id], *EVER_MS)
        if rows.empty:
            continue
        times, flags = rows["measured_at_ms"].to_numpy(), rows["flag"].to_numpy()
        wrong = bad(flags)
        depth_m = context.channels[channel_id].depth_m or 0.0
        near = [(abs(depth - depth_m), i) for depth, i in thermometers if abs(depth - depth_m) <= THERMOMETER_REACH_M]
        if near and wrong.any():
            degc = stores.store.observations([min(near)[1]], *EVER_MS).dropna(subset="value")
            beside = np.interp(times, degc["measured_at_ms"], degc["value"]) if len(degc) else np.full(times.size, 9.0)
            wrong &= beside > context.quality.frost_degc
        told.alarms += alarms(times[wrong])
        told.flagged[channel_id] = int(wrong.sum())
        whole = stores.store.findings(channel_id, WHOLE, *EVER_MS)
        said = sorted(set(whole[whole["reason"] != ""]["quantity"]))
        told.alarms += sum(quantity not in SUSPICIONS for quantity in said)
        told.doubted += [f"{channel_id} {quantity}" for quantity in said]
        spans.setdefault(channel_id.rsplit("/", 1)[0], []).extend((int(times[0]), int(times[-1])))
    told.probe_years += sum((max(span) - min(span)) / (365.25 * DAY_MS) for span in spans.values())


def with_offsets(record: FieldRecord, folder: Path) -> FieldRecord | None:
    """A copy of a record as sensors with offsets would have written it; None without sun or humidity.

    By night is where the sun is written as nought or less.
    """
    known, text = read_map(record.map), _text(record.file)
    sun, humidity = (_column(known, quantity) for quantity in ("solar_radiation", "relative_humidity"))
    if sun is None or humidity is None or known.file.decimal != ".":
        return None
    blanks, mark = known.file.separator == "blanks", known.file.character
    lines = text.splitlines()
    first = known.file.skip + (1 + known.file.skip_below if known.file.header else 0)
    names = lines[known.file.skip].split(mark if not blanks else None)
    names = names if known.file.header else [str(n + 1) for n in range(len(names))]
    at_sun, at_humidity = names.index(sun[0]), names.index(humidity[0])
    none = {str(word) for word in known.file.missing}
    for row in range(first, len(lines)):
        cells = lines[row].split(None if blanks else mark)
        if _is_number(cells[at_sun], none) and float(cells[at_sun]) <= 0.0:
            cells[at_sun] = f"{NIGHT_OFFSET_W_M2 / sun[1]:.4f}"
        if _is_number(cells[at_humidity], none):
            percent = min(float(cells[at_humidity]) * humidity[1] * HUMIDITY_SLOPE, HUMIDITY_MOST)
            cells[at_humidity] = f"{percent / humidity[1]:.4f}"
        lines[row] = mark.join(cells)
    file = folder / f"{record.name}.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return replace(record, file=file)


def _text(file: Path) -> str:
    data = file.read_bytes()
    return (gzip.decompress(data) if file.suffix == ".gz" else data).decode()


def _column(known: RecordMap, quantity: str) -> tuple[str, float] | None:
    """Name of the column of a quantity, and what its unit is of the canonical one."""
    unit = {"solar_radiation": "W m-2", "relative_humidity": "%"}[quantity]
    for column in known.columns:
        if column.quantity == quantity:
            return column.name, to_canonical(column.unit, unit)[0] * column.scale
    return None


def _is_number(cell: str, none: set[str]) -> bool:
    try:
        return cell not in none and float(cell) > -900.0
    except ValueError:
        return False


HEAD = (
    "| record | days: demand told, by the full formula | with offsets | wettings: shares told, in 0..1 |"
    " dry-downs of 5 days: told | fortnights told, \"at least\" | refused | false alarms a probe-year |\n"
    "|---|---|---|---|---|---|---|---|"
)  # fmt: skip


def row(told: Told, offset: Told | None, planted: bool) -> str:
    """One line of the table."""
    refused = "; ".join(f"{n} {reason}" for reason, n in told.refused.most_common()) or "none"
    by = f"{told.days}: {told.demand}, {told.full} ({told.full_share:.1f} %)" if told.days else "no weather"
    false = "faults were put in" if planted else f"{told.alarms} in {told.probe_years:.2f}"
    return (
        f"| {told.name} | {by} | {'' if offset is None else f'{offset.full_share:.1f} %'} |"
        f" {told.wettings}: {told.shares}, {told.inside} | {told.long_dry_downs}: {told.constants} |"
        f" {told.fortnights}, {told.at_least} | {refused} | {false} |"
    )


def main() -> int:
    """0 when every limit is kept."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--records", type=Path)
    parser.add_argument("--only", nargs="*")
    chosen = parser.parse_args()
    records = {**RECORDS, **(read_records(chosen.records) if chosen.records else {})}
    began, good, every = time.monotonic(), True, []
    print(HEAD)
    with tempfile.TemporaryDirectory() as name:
        for record in records.values():
            if chosen.only and record.name not in chosen.only:
                continue
            folder = Path(name) / record.name
            folder.mkdir()
            told = taken_in(record, folder / "site")
            changed = with_offsets(record, folder)
            offset = None if changed is None else taken_in(changed, folder / "offset")
            print(row(told, offset, record.planted), flush=True)
            good &= told.inside == told.shares
            good &= offset is None or told.full_share - offset.full_share < LEAST_POINTS
            if not record.planted:
                every.append(told)
    years, wrong = sum(told.probe_years for told in every), sum(told.alarms for told in every)
    print(f"\nfalse alarms of all sound records: {wrong} in {years:.2f} probe-years, at most {MOST_ALARMS:g} a year")
    flagged = {i: n for told in every for i, n in told.flagged.items() if n}
    print("readings flagged: " + ("; ".join(f"{i} {n}" for i, n in flagged.items()) or "none"))
    print("channels doubted: " + ("; ".join(one for told in every for one in told.doubted) or "none"))
    print(f"{time.monotonic() - began:.0f} s")
    return 0 if good and wrong <= MOST_ALARMS * years else 1


if __name__ == "__main__":
    raise SystemExit(main())
