"""The command `underturf-agent`: run, check, read, show, model.

It parses arguments and prints; the work is in the other modules. Exit code 0 is good, 1 is a fault that is named on
the error output, 2 is a command line that was not understood.
"""

from __future__ import annotations

import argparse
import logging
import os.path
import sys
import threading
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from hardware.probe import OWN_MODELS, ProbeFault
from hardware.quantities import QUANTITIES
from hardware.reading import Status
from probe_agent import __version__
from probe_agent.clock import SystemClock, environment
from probe_agent.config import AgentConfig, AgentConfigFault, ProbeConfig, load

DEFAULT_CONFIG = "/etc/underturf/agent.toml"
CONFIG_VARIABLE = "UNDERTURF_AGENT_CONFIG"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return the exit code."""
    given = _parser().parse_args(arguments)
    if given.command == "model":
        return _model(given)
    try:
        config = load(given.config)
    except AgentConfigFault as fault:
        print(fault, file=sys.stderr)
        return 1
    commands = {"run": _run, "check": _check, "read": _read, "show": _show}
    return commands[given.command](config, given)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="underturf-agent", description="Reads turf probes and sends what they say.")
    parser.add_argument("--version", action="version", version=f"underturf-agent {__version__}")
    commands = parser.add_subparsers(dest="command", required=True)
    helps = {
        "run": "read, keep and send until told to stop",
        "check": "look through the configuration and name every fault",
        "read": "read one probe now and print it",
        "show": "print what the outbox holds and how the lines are, without disturbing a running agent",
    }
    default = Path(environment(CONFIG_VARIABLE) or DEFAULT_CONFIG)
    for name, text in helps.items():
        command = commands.add_parser(name, help=text, description=text)
        command.add_argument(
            "--config", type=Path, default=default, help=f"agent.toml (default: ${CONFIG_VARIABLE}, {DEFAULT_CONFIG})"
        )
        if name == "run":
            levels = ("debug", "info", "warning", "error")
            command.add_argument("--log-level", choices=levels, default="info", help="the least that is logged")
        if name == "read":
            command.add_argument("probe", metavar="PROBE", help="its name, or STATION/PROBE where two share a name")
    text = "list, show, copy and check probe descriptions"
    model = commands.add_parser("model", help=text, description=text)
    model.add_argument("action", metavar="ACTION", choices=("list", "show", "copy", "check"), nargs="?", default="list")
    model.add_argument("model", metavar="MODEL", nargs="?", help="its name; not for list")
    model.add_argument("--as", dest="name", metavar="NAME", help="the copy's name (default: that of the model)")
    model.add_argument("--folder", type=Path, default=OWN_MODELS, help=f"of your own descriptions ({OWN_MODELS})")
    return parser


def _model(given: argparse.Namespace) -> int:
    from probe_agent.model_command import ModelCommandFault, checked, copied, listed, shown

    if given.model is None and given.action in ("show", "copy"):
        print(f"model {given.action}: found no MODEL, expected the name of one; `model list` has them", file=sys.stderr)
        return 2
    good = True
    try:
        if given.action == "list":
            lines = listed(given.folder)
        elif given.action == "show":
            lines = shown(given.model, given.folder)
        elif given.action == "copy":
            lines = copied(given.model, given.name or given.model, given.folder)
        else:
            lines, good = checked(given.folder, given.model)
    except (ProbeFault, ModelCommandFault) as fault:
        print(fault, file=sys.stderr)
        return 1
    print("\n".join(lines))
    return 0 if good else 1


def _run(config: AgentConfig, given: argparse.Namespace) -> int:
    # imported here: `check` and `show` need neither paho nor the serial port
    from probe_agent.faults import AgentFault
    from probe_agent.service import run

    logging.basicConfig(stream=sys.stderr, level=given.log_level.upper(), format="%(levelname)s %(message)s")
    try:
        run(config)
    except (AgentFault, OSError) as fault:
        print(f"underturf-agent: {fault}", file=sys.stderr)
        return 1
    return 0


def _check(config: AgentConfig, given: argparse.Namespace) -> int:
    channels = sum(len(probe.description.channels) for probe in config.probes)
    print(
        f"{given.config}: good. site {config.site}, node {config.node}: {len(config.lines)} lines, "
        f"{len(config.probes)} probes, {channels} channels"
    )
    for line in config.lines:
        there = "" if os.path.exists(line.port) else "  (no such port now)"
        print(f"  line {line.name}: {line.protocol} {line.baud} {line.frame} at {line.port}{there}")
        for probe in config.probes:
            if probe.line == line.name:
                print(
                    f"    {probe.id}: {probe.description.title}; address {probe.address}, "
                    f"every {probe.cadence.interval_s} s, {probe.cadence.rain_interval_s} s in rain"
                )
    return 0


def _read(config: AgentConfig, given: argparse.Namespace) -> int:
    from probe_agent.line import SerialLine
    from probe_agent.sampler import sample
    from probe_agent.schedule import slot_at

    probe = _find(config, given.probe)
    if probe is None:
        return 1
    clock = SystemClock()
    line = SerialLine(next(c for c in config.lines if c.name == probe.line), monotonic=clock.monotonic)
    print(f"{probe.id}: {probe.description.title}")
    try:
        if probe.description.protocol == "cone":
            from probe_agent.dock import describe_dock

            text, good = describe_dock(probe, line, clock, threading.Event())
            print(f"  {text}")
            return 0 if good else 1
        slot_s = slot_at(clock.now_ms(), 1)
        samples, reason = sample(probe, slot_s, line, clock, threading.Event())
    finally:
        line.close()
    for channel, one in zip(probe.description.channels, samples, strict=True):
        unit = QUANTITIES[channel.heard].unit
        depth = "" if channel.depth_m is None else f" at {channel.depth_m * 1000:g} mm"
        value = "-" if one.raw is None else f"{one.raw:g}"
        tries = f" after {one.attempts} tries" if one.attempts > 1 else ""
        shown_unit = "" if unit == "1" else unit
        print(f"  {channel.name:<22} {value:>10} {shown_unit:<8} {one.status.value}{tries}  ({channel.heard}{depth})")
    if reason is not None:
        print(f"  {reason}", file=sys.stderr)
    return 0 if all(one.status is Status.OK for one in samples) else 1


def _find(config: AgentConfig, name: str) -> ProbeConfig | None:
    found = [probe for probe in config.probes if name in (probe.id, probe.name)]
    if len(found) == 1:
        return found[0]
    known = ", ".join(probe.id for probe in config.probes)
    what = "no such probe" if not found else f"{len(found)} probes"
    print(f"probe {name!r}: found {what}, expected one of {known}", file=sys.stderr)
    return None


def _show(config: AgentConfig, _: argparse.Namespace) -> int:
    from probe_agent.faults import AgentFault
    from probe_agent.outbox import peek

    try:
        seen = peek(config.state_dir)
    except (FileNotFoundError, AgentFault) as fault:
        print(fault, file=sys.stderr)
        return 1
    newest = "none" if seen.newest_ms is None else _shown_time(seen.newest_ms)
    print(f"outbox {seen.outbox_id} in {config.state_dir}")
    print(f"  kept {seen.kept} readings, {seen.bytes_on_disk / 1024:.0f} kB of {config.outbox.max_mb * 1024:.0f} kB")
    print(f"  without receipt {seen.backlog}, receipted up to {seen.received} of {seen.assigned}")
    print(f"  dropped without receipt {seen.dropped}")
    print(f"  newest reading {newest}")
    for line in config.lines:
        state, since_ms = seen.lines.get(line.name, ("not used yet", None))
        print(f"  line {line.name}: {state}" + ("" if since_ms is None else f", since {_shown_time(since_ms)}"))
    return 0


def _shown_time(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


if __name__ == "__main__":
    sys.exit(main())
