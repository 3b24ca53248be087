"""The two configuration files of the demo, made from what the simulator says of its ground, and its fixtures.

Pure: it turns one mapping into two and a calendar. What it writes is what a groundsman would have written for the same
probes.
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta
from typing import Any

TomlTable = dict[str, Any]

FIXTURES_FILE = "fixtures.ics"
AHEAD_READINGS = 20_000  # as many as are read while the server starts: so far the probes are ahead of its receipts
# Usual months of a mild, maritime place; invented.
USUAL_CLIMATE: TomlTable = {
    "rain_mm": [62, 46, 46, 46, 50, 50, 48, 56, 56, 70, 66, 62],
    "wet_days": [14, 11, 12, 11, 11, 10, 9.5, 10, 10, 13, 14, 14],
    "highest_degc": [8, 8.5, 11, 14, 17, 20, 22.5, 22, 19, 15, 11, 8.5],
    "lowest_degc": [2.5, 2.5, 3.5, 5, 8, 11, 13, 12.5, 10.5, 8, 5, 3],
}
# How each kind of surface is kept: area, when it is played on, and the words its fixtures are known by.
CARE: dict[str, TomlTable] = {
    "square": {"area_m2": 900.0, "play_from": "04-19", "play_until": "09-14", "renovation_until": "11-15",
               "fixture_words": ["eleven"]},
    "outfield": {"area_m2": 9000.0, "play_from": "04-19", "play_until": "09-14", "fixture_words": ["fair"]},
    "green": {"area_m2": 1300.0, "play_from": "04-12", "play_until": "09-28", "fixture_words": ["rink"]},
    "pitch": {"area_m2": 7000.0, "play_from": "08-23", "play_until": "04-30", "fixture_words": ["home"]},
    "lawn": {"area_m2": 600.0, "fixture_words": ["party"]},
}  # fmt: skip
# Half width and half height of each kind of surface on the plan of the ground; invented. [m]
HALVES = {"square": (15.0, 11.0), "outfield": (62.0, 54.0), "green": (18.0, 18.0), "pitch": (50.0, 32.0),
          "lawn": (15.0, 20.0)}  # fmt: skip
OVAL, STRIPS = "outfield", {"square": 10}
COVERS_MM = [300, 250, 180, 95]  # of a cable at the shed, at its bends and at the probes
# Title, days after the end of the history, days between, how often before and after, hours of play.
PLAY = (
    ("First eleven on the square, strip 5", 9, 14, 6, 6, 7),
    ("Second eleven on the square, strip 8", 16, 28, 3, 2, 6),
    ("Village fair on the outfield", 33, 40, 0, 2, 8),
    ("Rink league", 6, 14, 6, 6, 4),
    ("Home match", 12, 14, 4, 10, 2),
    ("Garden party", 40, 60, 0, 2, 5),
)


def configs(
    ready: TomlTable, *, broker_port: int, pages_port: int, store: TomlTable | None = None
) -> tuple[TomlTable, TomlTable]:
    """Settings of the server and of the agent for a simulated ground.

    Parameters
    ----------
    ready : dict
        What `ready.json` of the simulator holds: site, node, interval_s, rain_interval_s, clock, lines, surfaces,
        probes.
    broker_port, pages_port : int
        Free ports on loopback.
    store : dict, optional
        The table of the series store. None for a file.

    Returns
    -------
    tuple of dict
        The tables of `underturf.toml` and of `agent.toml`.
    """
    broker = {"host": "127.0.0.1", "port": broker_port}
    server = {
        "site": ready["site"],
        "data": {"dir": "data"},
        "clock": {"follow": ready["clock"]},
        "broker": {"kind": "embedded", **broker},
        "pages": {"host": "127.0.0.1", "port": pages_port, "tour": True},
        "surface": [_surface(surface, ready["probes"]) for surface in ready["surfaces"]],
    }
    if store is not None:
        server["store"] = store
    agent = {
        "agent": {"site": ready["site"]["name"], "node": ready["node"], "state_dir": "agent"},
        "clock": {"follow": ready["clock"], "lockstep_backlog": AHEAD_READINGS},
        "broker": broker,
        "schedule": {"interval_s": ready["interval_s"], "rain_interval_s": ready["rain_interval_s"]},
        "line": [{key: line[key] for key in ("name", "port", "protocol", "baud")} for line in ready["lines"]],
        "probe": [
            {
                **{key: probe[key] for key in ("name", "station", "model", "line", "address") if probe.get(key)},
                "interval_s": probe["interval_s"],
                "rain_interval_s": probe["rain_interval_s"],
            }
            for probe in ready["probes"]
        ],
    }
    return server, agent


def influxd_config(folder: str, port: int) -> TomlTable:
    """Settings of an influxd on loopback that keeps all under a folder and reports to nobody."""
    return {
        "reporting-disabled": True,
        "bind-address": "127.0.0.1:0",
        "meta": {"dir": f"{folder}/meta"},
        "data": {"dir": f"{folder}/data", "wal-dir": f"{folder}/wal", "query-log-enabled": False},
        "monitor": {"store-enabled": False},
        "http": {"bind-address": f"127.0.0.1:{port}", "log-enabled": False},
    }


def days_to_come(server: TomlTable, ready: TomlTable) -> TomlTable:
    """The server's settings with what is known of days to come: climate, calendar, and how each surface is kept."""
    server = on_the_plan(server)
    surfaces = [{**surface, **CARE.get(surface["kind"], {})} for surface in server["surface"]]
    return {**server, "climate": USUAL_CLIMATE, "fixtures": {"source": FIXTURES_FILE}, "surface": surfaces}


def on_the_plan(server: TomlTable) -> TomlTable:
    """The server's settings with an invented plan: outlines, two marks, a shed, a cable to each station."""
    surfaces, cables, right_m = [], [], 0.0
    for surface in server["surface"]:
        wide, high = HALVES[surface["kind"]]
        middle = 0.0 if surface["kind"] in (OVAL, "square") else right_m + wide
        right_m = middle + wide + 6.0
        stations = []
        for place, station in enumerate(surface["station"]):
            turn = math.pi / 3 - 2 * math.pi * place / len(surface["station"])
            at = [round(middle + 0.6 * wide * math.cos(turn), 1), round(0.6 * high * math.sin(turn), 1)]
            beside = at[1] + 6.0
            if surface["kind"] != OVAL:  # at its edge, so that no cable lies across it
                at[1], beside = round(0.97 * high, 1), high + 2.5 + 1.5 * place
            stations.append({**station, "at_m": at})
            way = [[-30.0, -42.0], [-30.0, beside], [at[0], beside], at]
            title = f"the cable to {station['title']}"
            cables.append({"title": title, "kind": "cable", "path_m": way, "cover_mm": COVERS_MM})
        corners = [[middle - wide, -high], [middle + wide, -high], [middle + wide, high], [middle - wide, high]]
        drawn = {"oval_m": [middle, 0.0, wide, high]} if surface["kind"] == OVAL else {"outline_m": corners}
        strips = {"strips": STRIPS[surface["kind"]]} if surface["kind"] in STRIPS else {}
        surfaces.append({**surface, **drawn, **strips, "station": stations})
    marks = [
        {"letter": letter, "title": f"{side} peg at the pavilion's end", "at_m": [x, -45.0]}
        for letter, side, x in (("A", "left", -45.0), ("B", "right", 45.0))
    ]
    shed = {"title": "shed", "corners_m": [[-33, -47], [-27, -47], [-27, -42], [-33, -42]]}
    pavilion = {"title": "pavilion", "corners_m": [[-20, -48], [4, -48], [4, -39], [-20, -39]]}
    plan = {"origin": "the middle of the ground", "mark": marks, "building": [shed, pavilion], "buried": cables}
    return {**server, "surface": surfaces, "plan": plan}


def fixtures(ready: TomlTable) -> bytes:
    """A calendar of invented matches about the end of the history, for the kinds of surface that are there."""
    from pipeline.diary.fixtures import FeedEntry, build_feed  # a second to read: the demo's programs start meanwhile

    end = datetime.fromtimestamp(ready["history_end_ms"] / 1000, UTC)
    noon = datetime(end.year, end.month, end.day, 12, tzinfo=UTC)
    words = [word for surface in ready["surfaces"] for word in CARE[surface["kind"]]["fixture_words"]]
    entries = []
    for title, first, apart, before, after, hours in PLAY:
        if not any(word in title.casefold() for word in words):
            continue
        for n in range(-before, after):
            begin = noon + timedelta(days=first + n * apart)
            start_ms = round(begin.timestamp() * 1000)
            uid = f"{title.replace(' ', '-').lower()}-{begin:%Y%m%d}@demo"
            entries.append(FeedEntry(uid, title, start_ms, start_ms + hours * 3_600_000))
    return build_feed(entries, title="Fixtures", now_ms=ready["history_end_ms"])


def finer(agent: TomlTable, interval_s: int) -> TomlTable:
    """The agent's settings with every probe that was read each round read each `interval_s`, rain or not. [s]"""
    every = {"interval_s": interval_s, "rain_interval_s": interval_s}
    usual_s = agent["schedule"]["interval_s"]
    probes = [{**probe, **every} if probe["interval_s"] <= usual_s else probe for probe in agent["probe"]]
    return {**agent, "schedule": every, "probe": probes}


def _surface(surface: TomlTable, probes: list[TomlTable]) -> TomlTable:
    stations = [
        {
            "name": station["name"],
            "title": station["title"],
            **{key: value for key, value in station["facts"].items() if key != "core"},
            # JSON has no dates
            "core": [{**c, "date": date.fromisoformat(str(c["date"]))} for c in station["facts"].get("core", [])],
            "probe": [
                {"name": probe["name"], "model": probe["model"], **probe.get("settings", {})}
                for probe in probes
                if probe["station"] == station["name"]
            ],
        }
        for station in surface["stations"]
    ]
    return {"name": surface["name"], "title": surface["title"], "kind": surface["kind"], "station": stations}
