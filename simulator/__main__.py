"""The simulator's command: `play` serves a record or a scenario as probes on serial lines, `run` writes one down,
`record` keeps the history of one so that `play` need not run it.

On standard output `play` prints one JSON object a line: when it is ready, when the history is over, when the record is,
and when it stops.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from simulator.clock_server import ClockFault
from simulator.faults import DEFAULT_SIZE, LINE_FAULTS, PROBE_FAULTS, PlantedFault, parse_line_faults
from simulator.ground_record import made_of, path_of
from simulator.ground_record import read as read_record
from simulator.ground_record import write as write_record
from simulator.playback import GROUNDS, playback_site
from simulator.player import SitePlayer
from simulator.scenario import MOST_DAYS, load, names
from simulator.scenario_run import check_compiler, turf_of
from simulator.scenario_site import HISTORY_DAYS, played_site, recorded_stations
from simulator.site import VirtualSite, with_register_probe
from simulator.truth import write_run
from simulator.units import HOUR_S, QUARTER_S

DEFAULT_RATE = 60.0
DEMO_FINE_DAYS = 10  # last days of a recorded history by quarter hours, as `underturf demo` plays it


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return the exit code."""
    options = _parser().parse_args(arguments)
    try:
        return int(options.run(options))
    except (ValueError, ClockFault, OSError) as err:
        print(f"simulator: {err}", file=sys.stderr)
        return 2


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m simulator", description=__doc__)
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    play = commands.add_parser("play", help="serve a recorded series or a scenario as probes on pseudo-terminals")
    play.set_defaults(run=_play)
    played = play.add_mutually_exclusive_group()
    played.add_argument("--record", choices=sorted(GROUNDS), help="which series (dinosaur)")
    played.add_argument("--scenario", metavar="NAME", help=f"{', '.join(names())}, or a .toml file")
    play.add_argument(
        "--fine-days", type=int, default=0, help="of a scenario: last days of the history for an agent come anew (0)"
    )
    play.add_argument("--modbus", action="store_true", help="a probe over Modbus as well, on a line of its own")
    play.add_argument("--dir", type=Path, required=True, help="folder for lines, clock, ready.json and progress.json")
    play.add_argument("--history-days", type=float, help="days to play in lock-step before time runs")
    play.add_argument("--history-end", metavar="DATE", help="when time begins to run, UTC")
    play.add_argument(
        "--rate", type=float, default=DEFAULT_RATE, help="simulated seconds in a real one after that (60)"
    )
    play.add_argument(
        "--faults",
        default="",
        metavar="KIND=SHARE,...",
        help=f"line faults: {', '.join(LINE_FAULTS)}, or all; shares of replies, of time for unplugged",
    )
    play.add_argument(
        "--probe-fault",
        action="append",
        default=[],
        metavar="PROBE:KIND[:CHANNELS[:START[:END[:SIZE]]]]",
        help=f"{', '.join(PROBE_FAULTS)}; channels joined by +; dates like 2018-06-01",
    )
    play.add_argument("--agents", type=int, default=1, help="agents that must say hello before time moves (1)")
    play.add_argument("--seed", type=int, help="of all faults (0), and of all else in a scenario (its own)")
    play.add_argument("--with-parent", action="store_true", help="stop when the process that started this one is gone")
    kept = commands.add_parser(
        "record", help="run the history of a scenario that the demo plays, and keep it as a record"
    )
    kept.set_defaults(run=_record)
    kept.add_argument("scenario", choices=names(), help="which scenario")
    _add_run(commands.add_parser("run", help="live through a scenario and write down readings and truth"))
    return parser


def _add_run(run: argparse.ArgumentParser) -> None:
    run.set_defaults(run=_run)
    run.add_argument("scenario", help=f"{', '.join(names())}, or a .toml file")
    run.add_argument("--days", type=int, help="from the scenario's start (its own number of days)")
    run.add_argument("--seed", type=int, help="of weather, spread and probes (the scenario's own)")
    run.add_argument("--step", type=int, default=HOUR_S, choices=(HOUR_S, QUARTER_S), help="seconds of a step (3600)")
    run.add_argument("--out", type=Path, required=True, help="folder for readings.csv, truth and what goes with them")


def _run(options: argparse.Namespace) -> int:
    scenario = load(options.scenario)
    days = scenario.days if options.days is None else options.days
    if not 1 <= days <= MOST_DAYS:
        raise ValueError(f"--days: found {days}, expected 1 to {MOST_DAYS}")
    seed = scenario.seed if options.seed is None else options.seed
    if seed < 0:
        raise ValueError(f"--seed: found {seed}, expected 0 or more")
    check_compiler(scenario, days=days, step_s=options.step)
    write_run(
        scenario, options.out, days=days, seed=seed, step_s=options.step, tell=lambda text: print(text, flush=True)
    )
    return 0


def _scenario_site(options: argparse.Namespace) -> VirtualSite:
    if options.history_end is not None or options.probe_fault:
        raise ValueError(
            "--history-end, --probe-fault: found with --scenario, expected with --record: a scenario has its own"
        )
    scenario = load(options.scenario)
    days = HISTORY_DAYS if options.history_days is None else round(options.history_days)
    if not 1 <= days <= MOST_DAYS:
        raise ValueError(f"--history-days: found {options.history_days:g}, expected 1 to {MOST_DAYS}")
    seed = scenario.seed if options.seed is None else options.seed
    of = made_of(scenario, seed=seed, days=days, fine_days=options.fine_days)
    turfs = {plan.name: turf_of(plan, seed=seed) for plan in scenario.stations}
    recorded = read_record(path_of(scenario), of, turfs)
    if recorded is None:
        check_compiler(scenario, days=days, fine_days=options.fine_days)
    return played_site(scenario, seed=seed, history_days=days, fine_days=options.fine_days, recorded=recorded)


def _record(options: argparse.Namespace) -> int:
    scenario = load(options.scenario)
    check_compiler(scenario, days=HISTORY_DAYS, fine_days=DEMO_FINE_DAYS)
    history = {"seed": scenario.seed, "fine_days": DEMO_FINE_DAYS}
    stations = recorded_stations(scenario, history_days=HISTORY_DAYS, **history)
    path = Path(str(path_of(scenario)))
    write_record(path, made_of(scenario, days=HISTORY_DAYS, **history), stations)
    print(f"{path}: {path.stat().st_size / 1000:.0f} kB")
    return 0


def _record_site(options: argparse.Namespace) -> VirtualSite:
    if options.fine_days:
        raise ValueError(f"--fine-days: found {options.fine_days} with a record, expected it with --scenario")
    faults: dict[str, list[PlantedFault]] = {}
    for probe, fault in map(parse_probe_fault, options.probe_fault):
        faults.setdefault(probe, []).append(fault)
    return playback_site(
        options.record or "dinosaur",
        history_days=options.history_days,
        history_end_ms=None if options.history_end is None else _moment_ms(options.history_end),
        faults=faults,
        seed=options.seed or 0,
    )


def _play(options: argparse.Namespace) -> int:
    site = _scenario_site(options) if options.scenario is not None else _record_site(options)
    player = SitePlayer(
        with_register_probe(site) if options.modbus else site,
        options.dir.absolute(),
        rate=options.rate,
        line_faults=parse_line_faults(options.faults),
        seed=options.seed or 0,
        agents=options.agents,
    )
    return serve(player, parent=os.getppid() if options.with_parent else None)


def serve(player: SitePlayer, *, parent: int | None) -> int:
    """Step until SIGINT or SIGTERM, or until `parent`, a process id, is no longer the parent of this process."""
    stopped: list[int] = []
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda number, _: stopped.append(number))
    _say("ready", player)
    live = over = False
    try:
        while not stopped and (parent is None or os.getppid() == parent):
            player.step()
            if player.time.live and not live:
                live = True
                _say("live", player)
            if player.over and not over:
                over = True
                _say("over", player)
    finally:
        player.close()
    _say("stopped", player)
    return 0


def _say(event: str, player: SitePlayer) -> None:
    try:
        print(json.dumps({"event": event, "now_ms": player.now_ms, "steps": player.time.steps}), flush=True)
    except BrokenPipeError:  # whoever read has gone; that is no reason to stop
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115


def parse_probe_fault(text: str) -> tuple[str, PlantedFault]:
    """Parse `PROBE:KIND[:CHANNELS[:START[:END[:SIZE]]]]` into a probe's name and a fault; empty parts take defaults.

    Raises
    ------
    ValueError
        Naming what was found and what was expected.
    """
    parts = text.split(":")
    if not 2 <= len(parts) <= 6:
        raise ValueError(f"probe fault: found {text!r}, expected PROBE:KIND[:CHANNELS[:START[:END[:SIZE]]]]")
    probe, kind, channels, start, end, size = parts + [""] * (6 - len(parts))
    return probe, PlantedFault(
        kind,
        tuple(filter(None, channels.split("+"))),
        _moment_ms(start) if start else 0,
        _moment_ms(end) if end else 2**62,
        float(size) if size else DEFAULT_SIZE.get(kind),
    )


def _moment_ms(text: str) -> int:
    """Parse a date or time as milliseconds since 1970; UTC where no offset is written."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as err:
        raise ValueError(f"date: found {text!r}, expected one like 2018-06-01 or 2018-06-01T12:00Z") from err
    return round((moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp() * 1000)


if __name__ == "__main__":
    sys.exit(main())
