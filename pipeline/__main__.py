"""`python -m pipeline serve|recompute|check --config underturf.toml`: the pipeline without pages. A thin shell."""

from __future__ import annotations

import argparse
import datetime
import signal
import sys

from pipeline.errors import PipelineFault
from pipeline.jobs import recompute_faults
from pipeline.run.command_line import add_log_level, day
from pipeline.run.log import start_log
from pipeline.service import Pipeline
from pipeline.service import load_settings as load
from pipeline.site.settings import ConfigFault, SiteConfig
from pipeline.stages.recompute import in_order
from pipeline.store.opening import meet_server
from pipeline.units import whole_days_ms


def main(arguments: list[str] | None = None) -> int:
    """Run one command; returns the exit status: 0 well, 1 a fault while it ran, 2 settings that cannot be used."""
    parser = argparse.ArgumentParser(prog="python -m pipeline", description="Readings to knowledge, without pages.")
    commands = parser.add_subparsers(dest="command", required=True)
    for name, words in (
        ("serve", "run broker, ingest, worker and notifier until stopped"),
        ("recompute", "work observations and findings out anew from raw readings"),
        ("check", "check the settings and say all that is wrong with them"),
    ):
        command = commands.add_parser(name, help=words)
        command.add_argument("--config", required=True, help="the server's TOML")
        if name == "serve":
            add_log_level(command)
        if name == "recompute":
            command.add_argument("--station", help="this station only")
            command.add_argument("--from", dest="first", type=day, help="first day, 2026-03-01")
            command.add_argument("--to", dest="last", type=day, help="last day, included")
    chosen = parser.parse_args(arguments)
    try:
        config = load(chosen.config)
        start_log(getattr(chosen, "log_level", "info"), config.site.name)
        if chosen.command == "serve":
            return serve(config)
        if chosen.command == "recompute":
            if wrong := recompute_faults(config, chosen.station, chosen.first, chosen.last):
                print(f"--{wrong}", file=sys.stderr)
                return 2
            return redo(config, chosen.station, chosen.first, chosen.last)
        about_server = meet_server(config)
    except ConfigFault as fault:
        print(fault, file=sys.stderr)
        return 2
    except PipelineFault as fault:
        print(fault, file=sys.stderr)
        return 1
    print(f"{chosen.config}: {len(config.stations())} stations, {len(config.channels())} channels, no fault found")
    print(*about_server, sep="\n")
    return 0


def serve(config: SiteConfig) -> int:
    """Run until SIGTERM or SIGINT, or until a part crashes, or another service has taken the site."""
    pipeline = Pipeline(config)
    stopped: list[int] = []
    for name in (signal.SIGTERM, signal.SIGINT):
        signal.signal(name, lambda number, frame: stopped.append(number))
    pipeline.start()
    while not stopped and not pipeline.wait(0.2):
        pass
    pipeline.stop()
    return 1 if pipeline.crash or pipeline.starts_again else 0


def redo(config: SiteConfig, station: str | None, first: datetime.date | None, last: datetime.date | None) -> int:
    """Recompute one station or all of them, whole days of the site's own time; what was asked for is checked."""
    start_ms, end_ms = whole_days_ms(first, last, config.site.timezone)
    pipeline = Pipeline(config)
    try:
        names = in_order(config, config.stations() if station is None else (station,))
        for name in names:
            done = pipeline.recompute(name, start_ms=start_ms, end_ms=end_ms)
            print(f"{name}: {done.observations} observations and {done.findings} findings worked out anew")
        for name in names:
            # a pass is judged beside other stations, so all must stand first
            pipeline.recompute_passes(name)
    finally:
        pipeline.stop()
    return 0


if __name__ == "__main__":
    sys.exit(main())
