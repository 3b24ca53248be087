"""The command `underturf-agent`: run, once, check, read, live, field-check, scan, learn, doctor,
show, setup, model.

It parses arguments and prints; the work is in the other modules. Exit code 0 is good, 1 is a fault that is named on
the error output, 2 is a command line that was not understood.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import logging
import os
import platform
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from hardware.machine_clock import shown_time
from hardware.probe import OWN_MODELS, ProbeFault
from hardware.quantities import QUANTITIES
from hardware.reading import Sample, Status
from probe_agent import __version__
from probe_agent.clock import SystemClock, environment
from probe_agent.config import AgentConfig, AgentConfigFault, LineConfig, ProbeConfig, load
from probe_agent.faults import AgentFault

if TYPE_CHECKING:
    from probe_agent.line import SerialLine

DEFAULT_CONFIG = "/etc/underturf/agent.toml"
CONFIG_VARIABLE = "UNDERTURF_AGENT_CONFIG"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return the exit code."""
    try:
        code = _command(_parser().parse_args(arguments))
        sys.stdout.flush()
    except BrokenPipeError:  # whoever reads what is printed has enough of it, as `head` has
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    return code


def _command(given: argparse.Namespace) -> int:
    if given.command in ("model", "setup"):
        return _model(given) if given.command == "model" else _setup(given)
    try:
        config = load(given.config, least_probes=0 if given.command in ("scan", "learn", "doctor") else 1)
    except AgentConfigFault as fault:
        print(fault, file=sys.stderr)
        return 1
    if given.command == "scan" and any(line.name == given.line for line in config.uplink_lines):
        return _scan_messages(config, given)
    if given.command in ("scan", "learn"):
        return _on_line(config, given, _scan if given.command == "scan" else _learn)
    commands = {
        "run": _run, "once": _once, "check": _check, "read": _read, "live": _live, "field-check": _field_check,
        "doctor": _doctor, "show": _show, "install-service": _install_service,
    }  # fmt: skip
    return commands[given.command](config, given)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="underturf-agent", description="Reads turf probes and sends what they say.")
    parser.add_argument("--version", action="version", version=f"underturf-agent {__version__}")
    commands = parser.add_subparsers(dest="command", required=True)
    helps = {
        "run": "read, keep and send until told to stop",
        "once": "read what is due, send it and exit: for a node that a timer wakes",
        "check": "look through the configuration and name every fault",
        "read": "read one probe now and print it",
        "live": "read one probe again and again and print it, a line each time",
        "field-check": "walk a probe through air, water, the ground and a cup of water, and say what is wrong with it",
        "scan": "find who is on a line: sensors (or give one another address), Modbus devices, radio nodes",
        "learn": "find what the numbers of an unknown sensor are, in air, in water and in salted water",
        "install-service": "make a service of the agent; prints what it would do, and does it with --do",
        "doctor": "look at ports, clock, broker, names, password, disk and unit, and say what to do",
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
        if name == "once":
            command.add_argument("--within", type=float, metavar="S", default=60.0, help="longest to send (60 s)")
        if name == "live":
            command.add_argument("--every", type=float, metavar="S", default=2.0, help="between readings (2 s)")
            command.add_argument("--count", type=int, metavar="N", help="so many readings (default: until Ctrl-C)")
        if name in ("scan", "learn"):
            command.add_argument("line", metavar="LINE", help="its name")
        if name == "learn":
            command.add_argument("address", metavar="ADDRESS", help="the sensor's")
            command.add_argument("--as", dest="name", metavar="NAME", required=True, help="name of the description")
            command.add_argument("--folder", type=Path, help=f"of your own (model_dir, else {OWN_MODELS})")
        if name == "scan":
            change = ("OLD", "NEW")
            command.add_argument("--change", nargs=2, metavar=change, help="give the sensor at OLD the address NEW")
            command.add_argument("--model", metavar="MODEL", help="what the new sensors are: adds them to the settings")
            command.add_argument("--address", metavar="A", help="of these this one alone")
            command.add_argument("--station", metavar="NAME", default="square-1", help="where they stand (square-1)")
            command.add_argument("--server", type=Path, metavar="FILE", help="server settings to add them to as well")
            command.add_argument("--listen", type=float, metavar="S", default=60.0, help="for radio nodes (60 s)")
        if name == "install-service":
            command.add_argument("--do", action="store_true", help="do it; without this it is only printed")
        if name == "field-check":
            command.add_argument("--wait", type=float, metavar="S", default=600.0, help="longest after the cup (600 s)")
            command.add_argument("--json", type=Path, metavar="FILE", help="where the outcome goes as JSON as well")
        if name in ("read", "live", "field-check"):
            command.add_argument("probe", metavar="PROBE", help="its name, or STATION/PROBE where two share a name")
    text = "find how an adapter is to be spoken to, with one sensor or Modbus device; begin a line of radio nodes"
    setup = commands.add_parser("setup", help=text, description=text)
    setup.add_argument(
        "--port", action="append", metavar="PORT", help="to try, again for more (default: all there are)"
    )
    setup.add_argument("--modbus", metavar="ADDRESS", help="a Modbus line, and the address of its device (SDI-12)")
    setup.add_argument("--mqtt", metavar="TOPIC", help="a line of radio nodes: what their network server publishes to")
    setup.add_argument("--broker", metavar="HOST:PORT", default="127.0.0.1:1883", help="of that (127.0.0.1:1883)")
    setup.add_argument("--name", metavar="NAME", help="of the line (north, or the next that is free)")
    setup.add_argument("--write", type=Path, metavar="FILE", help="settings to add the line to (default: print it)")
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
    from probe_agent.service import run

    logging.basicConfig(stream=sys.stderr, level=given.log_level.upper(), format="%(levelname)s %(message)s")
    _warn_of_password(config, logging.getLogger("underturf.agent").warning)
    try:
        run(config)
    except (AgentFault, OSError) as fault:
        print(f"underturf-agent: {fault}", file=sys.stderr)
        return 1
    return 0


def _check(config: AgentConfig, given: argparse.Namespace) -> int:
    from probe_agent.doctor import examined_supply, examined_users

    channels = sum(len(probe.description.channels) for probe in config.probes)
    print(
        f"{given.config}: good. site {config.site}, node {config.node}: "
        f"{len(config.lines) + len(config.uplink_lines)} lines, "
        f"{len(config.probes)} probes, {channels} channels"
    )
    is_safe = _warn_of_password(config, lambda text: print(f"  {text}", file=sys.stderr))
    for found in (*examined_users(config), *examined_supply(config)):  # told, and no reason to read nothing at all
        print(f"  {found.subject}: {found.text}", file=sys.stderr)
    for line in config.lines:
        there = "" if os.path.exists(line.port) else "  (no such port now)"
        print(f"  line {line.name}: {line.protocol} {line.baud} {line.frame} at {line.port}{there}")
        for probe in config.probes:
            if probe.line == line.name:
                print(
                    f"    {probe.id}: {probe.description.title}; address {probe.address}, "
                    f"every {probe.cadence.interval_s} s, {probe.cadence.rain_interval_s} s in rain"
                )
                for told in _registers_told(probe):
                    print(f"      {told}")
    for uplink in config.uplink_lines:
        print(f"  line {uplink.name}: mqtt {uplink.topic} at {uplink.broker.host}:{uplink.broker.port}")
        for probe in config.probes:
            if probe.line == uplink.name:
                print(f"    {probe.id}: {probe.description.title}; device {probe.address}")
    return 0 if is_safe else 1


def _registers_told(probe: ProbeConfig) -> list[str]:
    """Which registers are read of a probe, and which are written as a manual counts them."""
    from hardware.modbus import joined_spans, shown_register
    from probe_agent.model_command import register_hints

    spans = joined_spans(channel.place for channel in probe.description.channels if channel.place is not None)
    return [
        *(f"{count} from {shown_register(table, first)}" for table, first, count in spans),
        *register_hints(probe.description),
    ]


def _warn_of_password(config: AgentConfig, say: Callable[[str], object]) -> bool:
    """Say where a password goes out unencrypted; return whether it may."""
    from probe_agent.doctor import examined_password

    safe = True
    for broker in config.brokers:
        found = examined_password(broker)
        if broker.username is not None and found.good is not True:
            say(f"{found.subject}: {found.text}")
        safe &= found.good is not False
    return safe


def _once(config: AgentConfig, given: argparse.Namespace) -> int:
    from probe_agent.service import once

    logging.basicConfig(stream=sys.stderr, level="WARNING", format="%(levelname)s %(message)s")
    try:
        left = once(config, within_s=given.within)
    except (AgentFault, OSError) as fault:
        print(f"underturf-agent: {fault}", file=sys.stderr)
        return 1
    print("all readings have their receipt" if not left else f"{left} readings have no receipt yet and are kept")
    return 0 if not left else 1


def _read(config: AgentConfig, given: argparse.Namespace) -> int:
    probe = _find(config, given.probe)
    if probe is None:
        return 1
    print(f"{probe.id}: {probe.description.title}")
    with _reader(config, probe) as read:
        if probe.description.protocol == "cone":
            return _look_into_dock(config, probe)
        try:
            samples, reason = read()
        except AgentFault as fault:
            print(f"  {fault}", file=sys.stderr)
            return 1
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


def _live(config: AgentConfig, given: argparse.Namespace) -> int:
    probe = _find(config, given.probe)
    if probe is None:
        return 1
    if probe.description.protocol == "cone":
        print(f"probe {probe.id}: found a cone, expected a probe that can be read at any time", file=sys.stderr)
        return 1
    print(f"{probe.id}: {', '.join(channel.name for channel in probe.description.channels)}")
    left = given.count
    with contextlib.suppress(KeyboardInterrupt), _reader(config, probe) as read:
        while left is None or left > 0:
            try:
                samples, reason = read()
            except AgentFault as fault:
                print(f"  {fault}", file=sys.stderr)
                return 1
            values = "  ".join(one.status.value if one.raw is None else f"{one.raw:g}" for one in samples)
            print(f"  {shown_time(samples[0].measured_at_ms)}  {values}{f'  {reason}' if reason else ''}", flush=True)
            left = None if left is None else left - 1
            if left is None or left > 0:
                threading.Event().wait(given.every)
    return 0


def _field_check(config: AgentConfig, given: argparse.Namespace) -> int:
    from probe_agent.field_check import walk

    probe = _find(config, given.probe)
    if probe is None:
        return 1
    if probe.description.protocol == "cone":
        print(f"probe {probe.id}: found a cone, expected a probe that stays in the ground", file=sys.stderr)
        return 1
    print(f"{probe.id}: {probe.description.title}")
    clock = SystemClock()
    try:
        with _reader(config, probe) as read:
            found = walk(
                probe.id, probe.description.channels, read, input, partial(print, flush=True),
                threading.Event().wait, clock.monotonic, pour_for_s=given.wait,
            )  # fmt: skip
        if given.json is not None:
            given.json.write_text(json.dumps(found.as_json(), indent=2) + "\n", encoding="utf-8")
    except (AgentFault, OSError, EOFError) as fault:
        print(f"  {str(fault) or 'found no answer at the keyboard, expected Enter'}", file=sys.stderr)
        return 1
    print("  all as it should be" if found.good else "  see to the faults, and check it again")
    return 0 if found.good else 1


@contextlib.contextmanager
def _reader(config: AgentConfig, probe: ProbeConfig) -> Iterator[Callable[[], tuple[list[Sample], str | None]]]:
    """Give a way to read a probe now: through the agent that runs, which holds the line, else on the line itself."""
    from probe_agent.control import AgentAway, read_by_agent
    from probe_agent.line import SerialLine
    from probe_agent.modbus_sampler import sample_registers
    from probe_agent.sampler import sample
    from probe_agent.schedule import slot_at

    clock = SystemClock()
    line = SerialLine(_line_of(config, probe.line), monotonic=clock.monotonic)

    def read() -> tuple[list[Sample], str | None]:
        with contextlib.suppress(AgentAway):
            return read_by_agent(config.state_dir, probe.id)
        sampled = sample_registers if line.protocol == "modbus" else sample
        return sampled(probe, slot_at(clock.now_ms(), 1), line, clock, threading.Event())

    try:
        yield read
    finally:
        line.close()


def _look_into_dock(config: AgentConfig, probe: ProbeConfig) -> int:
    from probe_agent.dock import describe_dock
    from probe_agent.line import SerialLine

    clock = SystemClock()
    line = SerialLine(_line_of(config, probe.line), monotonic=clock.monotonic)
    try:
        text, good = describe_dock(probe, line, clock, threading.Event())
    finally:
        line.close()
    print(f"  {text}")
    return 0 if good else 1


def _line_of(config: AgentConfig, name: str) -> LineConfig:
    return next(line for line in config.lines if line.name == name)


Work = Callable[[AgentConfig, argparse.Namespace, "SerialLine", SystemClock], int]


def _on_line(config: AgentConfig, given: argparse.Namespace, work: Work) -> int:
    """Open the line that is named, of a protocol the command knows, do the work on it and close it; name what goes
    wrong."""
    from probe_agent.learn import LearnFault
    from probe_agent.line import SerialLine
    from probe_agent.model_command import ModelCommandFault
    from probe_agent.scan import AddressFault

    protocols = ("sdi12", "modbus") if given.command == "scan" and given.change is None else ("sdi12",)
    known = [line for line in config.lines if line.protocol in protocols]
    found = next((line for line in known if line.name == given.line), None)
    if found is None:
        spoken = " or ".join(protocols)
        expected = ", ".join(line.name for line in known) or f"a line with {spoken}, and there is none"
        print(f"line {given.line!r}: found no such line with {spoken}, expected one of {expected}", file=sys.stderr)
        if any(line.name == given.line and line.protocol == "modbus" for line in config.lines):
            print("A Modbus device is given its address as its maker says; nothing is written to it", file=sys.stderr)
        return 1
    clock = SystemClock()
    line = SerialLine(found, monotonic=clock.monotonic)
    try:
        return work(config, given, line, clock)
    except (AgentFault, AddressFault, LearnFault, ModelCommandFault, ValueError, OSError) as fault:
        print(fault, file=sys.stderr)
        return 1
    finally:
        line.close()


def _learn(config: AgentConfig, given: argparse.Namespace, line: SerialLine, clock: SystemClock) -> int:
    from probe_agent.learn import LearnFault, all_numbers, description
    from probe_agent.model_command import ModelCommandFault, check_target, written

    folder = given.folder or config.model_dir or OWN_MODELS
    check_target(given.name, folder)  # before three glasses of water are made ready
    readings, stop = [], threading.Event()
    for place in (
        "Hold the sensor in air, clean and dry",
        "Put it in tap water, all of it",
        "Add a pinch of salt, stir",
    ):
        try:
            input(f"{place}, then press Enter. ")
        except EOFError as err:
            raise LearnFault("found the end of the input, expected Enter; run it in a terminal") from err
        readings.append(all_numbers(given.address, line, clock, stop))
    checked = all(checked for _, checked in readings)
    text, told = description(given.name, checked, *(numbers for numbers, _ in readings))
    print("\n".join(f"  {one}" for one in told))
    if "[[channel]]" not in text:
        raise LearnFault("no number could be named: the maker's table has to say what they are")
    try:
        target = written(text, given.name, folder)
    except ModelCommandFault:
        print(text)  # what was measured is not lost
        raise
    print(f"{target}: set depth_mm in it, then `model check {given.name} --folder {target.parent}`")
    return 0


def _scan(config: AgentConfig, given: argparse.Namespace, line: SerialLine, clock: SystemClock) -> int:
    from probe_agent.line_setup import add_probes
    from probe_agent.scan import ADDRESSES, change_address, scan

    if line.protocol == "modbus":
        return _scan_devices(config, given, line, clock)
    stop, new = threading.Event(), list[str]()
    if given.change is not None:
        old, new = given.change
        change_address(old, new, line, clock, stop)
        print(f"the sensor at {old} is at {new} now. Write address = {new!r} for its probe.")
        return 0
    print(f"line {line.name}: {len(ADDRESSES)} addresses")
    free, count, trouble = list(ADDRESSES), 0, False
    for one in scan(line, clock, stop, ADDRESSES):
        count += 1
        free.remove(one.address)
        probe = next((p for p in config.probes if (p.line, p.address) == (line.name, one.address)), None)
        named = "not in these settings" if probe is None else probe.id
        if one.who is not None:
            who = one.who
            text = f"{who.vendor} {who.model} {who.sensor_version} {who.serial}".rstrip()
            print(f"  {one.address}  {text}, SDI-12 {who.sdi12_version[0]}.{who.sdi12_version[1]}  ({named})")
        else:
            trouble = True
            print(f"  {one.address}  {one.trouble}  ({named})")
            print(f"     Two at one address? Unplug one, then: scan {line.name} --change {one.address} {free[0]}")
        if probe is None and one.who is not None and given.address in (None, one.address):
            new.append(one.address)
    print(f"  {count or 'nobody'} answered")
    if given.model is not None and not trouble:
        for told in add_probes(config, given.config, given.server, given.model, line.name, given.station, new):
            print(f"  {told}")
    return 0 if count and not trouble else 1


def _scan_devices(config: AgentConfig, given: argparse.Namespace, line: SerialLine, clock: SystemClock) -> int:
    """Find the devices of a Modbus line, and add those that are new to the settings."""
    from probe_agent.line_setup import add_probes
    from probe_agent.scan import DEVICE_ADDRESSES, scan_devices

    asked = DEVICE_ADDRESSES if given.address is None else (given.address,)
    if not set(asked) <= set(DEVICE_ADDRESSES):
        raise ValueError(f"--address: found {given.address!r}, expected 1 to {DEVICE_ADDRESSES[-1]}")
    print(f"line {line.name}: {len(asked)} addresses", flush=True)
    new, count, trouble = list[str](), 0, False
    for address, wrong in scan_devices(line, clock, threading.Event(), asked):
        count += 1
        probe = next((p for p in config.probes if (p.line, p.address) == (line.name, address)), None)
        named = "not in these settings" if probe is None else probe.id
        print(f"  {address:>3}  {wrong or 'a device'}  ({named})", flush=True)
        trouble |= wrong is not None
        if probe is None and wrong is None:
            new.append(address)
    print(f"  {count or 'nobody'} answered")
    if given.model is not None and not trouble:
        for told in add_probes(config, given.config, given.server, given.model, line.name, given.station, new):
            print(f"  {told}")
    return 0 if count and not trouble else 1


def _scan_messages(config: AgentConfig, given: argparse.Namespace) -> int:
    """Show which radio nodes send on a line, and add those that are new to the settings."""
    from hardware.probe import load_probe
    from probe_agent.line_setup import add_probes
    from probe_agent.uplinks import listen

    line = next(line for line in config.uplink_lines if line.name == given.line)
    try:
        here = [probe.description for probe in config.probes if probe.line == line.name]
        here += [] if given.model is None else [load_probe(given.model, config.model_dir)]
        shapes = list(dict.fromkeys(one.message for one in here if one.message is not None))
        print(
            f"line {line.name}: {line.topic} at {line.broker.host}:{line.broker.port}, {given.listen:g} s", flush=True
        )
        new, count = list[str](), 0
        for device, text in listen(config, line, shapes, SystemClock(), for_s=given.listen):
            probe = next((p for p in config.probes if (p.line, p.address) == (line.name, device)), None)
            if device is None:
                print(f"  a message whose device is not found: {text[:200]}", flush=True)
                continue
            count += 1
            print(f"  {device}  ({'not in these settings' if probe is None else probe.id})", flush=True)
            if probe is None and given.address in (None, device):
                new.append(device)
        print(f"  {count or 'nobody'} heard")
        if given.model is not None:
            for told in add_probes(config, given.config, given.server, given.model, line.name, given.station, new):
                print(f"  {told}")
    except (AgentFault, ValueError, OSError) as fault:
        print(fault, file=sys.stderr)
        return 1
    return 0 if count else 1


def _setup(given: argparse.Namespace) -> int:
    from probe_agent.doctor import ports
    from probe_agent.line_setup import as_toml, find_device_way, find_way, lines_in, name_for
    from probe_agent.scan import DEVICE_ADDRESSES

    if given.mqtt is not None:
        return _setup_uplinks(given)
    if given.modbus is not None and given.modbus not in DEVICE_ADDRESSES:
        print(f"--modbus: found {given.modbus!r}, expected 1 to {DEVICE_ADDRESSES[-1]}", file=sys.stderr)
        return 1
    there = ports()
    tried = given.port or there
    if not tried:
        print("found no serial port, expected one. Plug the adapter in, or name it: --port", file=sys.stderr)
        return 1
    clock, stop = SystemClock(), threading.Event()
    try:
        known = {} if given.write is None else lines_in(given.write)
        name = name_for(given.name, known)
    except (OSError, ValueError) as fault:
        print(fault, file=sys.stderr)
        return 1
    taken, failed = {os.path.realpath(its): line for line, its in known.items()}, "no port is left to try"
    for port in tried:
        line = taken.get(os.path.realpath(port))
        if line is not None:
            print(f"{port}: is line {line} of {given.write} already; take it out there to have it found anew")
            continue
        if not os.path.exists(port):
            print(f"{port}: no such port. Is the adapter plugged in? Ports here: {', '.join(there) or 'none'}")
            continue
        if given.modbus is None:
            found = find_way(name, port, clock, stop, print)
            failed = "no sensor was understood. Is one alone on the line, powered, data and ground connected?"
        else:
            found = find_device_way(name, port, given.modbus, clock, stop, print)
            failed = f"no device answered at {given.modbus}. Is it powered, A to A and B to B, and is that its address?"
        if found is not None:
            break
    else:
        print(failed, file=sys.stderr)
        return 1
    return _add_line(given, as_toml(found))


def _setup_uplinks(given: argparse.Namespace) -> int:
    from hardware.uplink import is_topic_pattern
    from probe_agent.line_setup import lines_in, name_for, uplinks_as_toml

    host, _, port = given.broker.rpartition(":")
    if not is_topic_pattern(given.mqtt) or not host or not port.isdecimal():
        found = f"{given.mqtt!r} at {given.broker!r}"
        print(f"--mqtt, --broker: found {found}, expected a topic and HOST:PORT", file=sys.stderr)
        return 1
    try:
        name = name_for(given.name or "radio", {} if given.write is None else lines_in(given.write))
    except (OSError, ValueError) as fault:
        print(fault, file=sys.stderr)
        return 1
    return _add_line(given, uplinks_as_toml(name, given.mqtt, host, int(port)))


def _add_line(given: argparse.Namespace, table: str) -> int:
    """Print the table of a line, and add it to the settings where they are named."""
    from probe_agent.line_setup import new_settings

    print(table, end="")
    if given.write is not None:
        try:
            with given.write.open("a", encoding="utf-8") as file:
                if file.tell() == 0:
                    file.write(new_settings(platform.node(), given.write))
                file.write(f"\n{table}")
        except OSError as err:
            print(f"{given.write}: found {err.strerror}, expected a file that can be written", file=sys.stderr)
            return 1
        print(f"added to {given.write}")
    return 0


def _doctor(config: AgentConfig, _: argparse.Namespace) -> int:
    from probe_agent.doctor import examine

    good = True
    for one in examine(config, SystemClock(trust_hardware=config.trust_hardware_clock, kept=config.state_dir)):
        mark = {True: "good", False: "FAULT", None: "-"}[one.good]
        print(f"{mark:<6} {one.subject}: {one.text}")
        good &= one.good is not False
    return 0 if good else 1


def _install_service(config: AgentConfig, given: argparse.Namespace) -> int:
    from hardware.service_unit import ONCE_TIMER, CannotInstall, install, install_steps
    from probe_agent.doctor import unit_state

    secrets = dict.fromkeys(file for broker in config.brokers for file in broker.secrets)
    try:
        steps = install_steps(
            "underturf-agent", Path(sys.argv[0]).absolute(), given.config.absolute(), config.state_dir,
            python=Path(sys.executable).resolve(), secrets=tuple(secrets),
            by_timer=(unit_state(ONCE_TIMER) or {}).get("UnitFileState") == "enabled",
        )  # fmt: skip
    except CannotInstall as fault:
        print(fault, file=sys.stderr)
        return 1
    return install(steps, print, do=given.do)


def _find(config: AgentConfig, name: str) -> ProbeConfig | None:
    found = [probe for probe in config.probes if name in (probe.id, probe.name)]
    if len(found) == 1 and found[0].description.message is not None:
        print(f"probe {found[0].id}: found a radio node, which sends when it will and cannot be asked", file=sys.stderr)
        return None
    if len(found) == 1:
        return found[0]
    known = ", ".join(probe.id for probe in config.probes)
    what = "no such probe" if not found else f"{len(found)} probes"
    print(f"probe {name!r}: found {what}, expected one of {known}", file=sys.stderr)
    return None


def _show(config: AgentConfig, _: argparse.Namespace) -> int:
    from probe_agent.outbox import peek, time_doubt

    try:
        seen = peek(config.state_dir)
    except (FileNotFoundError, AgentFault) as fault:
        print(fault, file=sys.stderr)
        return 1
    clock = SystemClock(trust_hardware=config.trust_hardware_clock, kept=config.state_dir)
    doubt = time_doubt(clock.note(), seen)
    newest = "none" if seen.newest_ms is None else shown_time(seen.newest_ms)
    print(f"outbox {seen.outbox_id} in {config.state_dir}")
    if seen.follows:
        print(f"  took the place of {seen.follows}: the folder was put back from an image, or copied from another node")
    print(f"  kept {seen.kept} readings, {seen.bytes_on_disk / 1024:.0f} kB of {config.outbox.max_mb * 1024:.0f} kB")
    print(f"  without receipt {seen.backlog}, receipted up to {seen.received} of {seen.assigned}")
    print(f"  dropped without receipt {seen.dropped}")
    print(f"  newest reading {newest}")
    if doubt:
        print(f"  {doubt}")
    for name in (*(line.name for line in config.lines), *(line.name for line in config.uplink_lines)):
        state, since_ms = seen.lines.get(name, ("not used yet", None))
        print(f"  line {name}: {state}" + ("" if since_ms is None else f", since {shown_time(since_ms)}"))
    for probe_id, count in seen.devices.items():
        again = f", its counter started again {count.run} times" if count.run else ""
        print(f"  radio node {probe_id}: at {count.counter}, {count.missed} messages missed{again}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
