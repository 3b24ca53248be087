"""The two configuration files of the demo, made from what the simulator says of its ground.

Pure: it turns one mapping into two. What it writes is what a groundsman would have written for the same probes.
"""

from __future__ import annotations

from datetime import date
from typing import Any

Table = dict[str, Any]


def configs(ready: Table, *, broker_port: int, pages_port: int) -> tuple[Table, Table]:
    """Settings of the server and of the agent for a simulated ground.

    Parameters
    ----------
    ready : dict
        What `ready.json` of the simulator holds: site, node, interval_s, rain_interval_s, clock, lines, surfaces,
        probes.
    broker_port, pages_port : int
        Free ports on loopback.

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
        "pages": {"host": "127.0.0.1", "port": pages_port},
        "surface": [_surface(surface, ready["probes"]) for surface in ready["surfaces"]],
    }
    agent = {
        "agent": {"site": ready["site"]["name"], "node": ready["node"], "state_dir": "agent"},
        "clock": {"follow": ready["clock"]},
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


def finer(agent: Table, interval_s: int) -> Table:
    """The agent's settings with every probe that was read each round read each `interval_s`, rain or not. [s]"""
    every = {"interval_s": interval_s, "rain_interval_s": interval_s}
    usual_s = agent["schedule"]["interval_s"]
    probes = [{**probe, **every} if probe["interval_s"] <= usual_s else probe for probe in agent["probe"]]
    return {**agent, "schedule": every, "probe": probes}


def _surface(surface: Table, probes: list[Table]) -> Table:
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
