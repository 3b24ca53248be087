"""The `underturf` command: its arguments, and the sub-commands that are about neither people nor what is kept.

Only a thin shell: it reads arguments, calls the room that does the work and turns faults into one message and an exit
code. 0 done, 1 something outside is away, 2 what was asked for is wrong.
"""

from __future__ import annotations

import argparse
import math
import os
import ssl
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING

from api import data_commands, people_commands
from api.access import USUAL_DAYS
from api.command_arguments import site_config, unfit

if TYPE_CHECKING:
    from pipeline.site.settings import SiteConfig

DEFAULT_CONFIG = "underturf.toml"
MOST_PANEL_W = 400.0  # beyond it a panel is no answer for a node
NODE_ACTIONS = ("add", "list", "revoke")
PERSON_ACTIONS = ("add", "list", "role", "invite", "password", "remove")
QUARANTINE_ACTIONS = ("list", "show", "retry", "drop")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one sub-command and return its exit code."""
    # On a small box several BLAS threads only wait for each other; must be set before numpy is imported.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    parsed = _parser().parse_args(arguments)
    parsed.environment = os.environ  # read here alone
    from pipeline.errors import PipelineFault
    from pipeline.site.settings import ConfigFault

    try:
        code = int(parsed.run(parsed))
        sys.stdout.flush()
    except BrokenPipeError:  # whoever reads what is printed has enough of it, as `head` has
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except ConfigFault as fault:
        print(*fault.faults, sep="\n", file=sys.stderr)
        return 2
    except (OSError, PipelineFault) as err:
        print(f"underturf: {err}", file=sys.stderr)
        return 1
    return code


def _parser() -> argparse.ArgumentParser:
    from pipeline.run.command_line import add_log_level, day

    parser = argparse.ArgumentParser(
        prog="underturf", description="Is water reaching the roots or stopping in the thatch?"
    )
    parser.add_argument("--version", action="version", version=f"underturf {metadata.version('underturf')}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    serve = commands.add_parser("serve", help="broker, pipeline and pages in one service")
    add_log_level(serve)
    serve.set_defaults(run=_serve)
    work = commands.add_parser("work", help="one of several workers over many sites that are kept in PostgreSQL")
    add_log_level(work)
    work.add_argument("sites", metavar="SITES", type=Path, help="folder of the settings, NAME.toml a site")
    work.add_argument("--own", type=Path, default=Path("work"), metavar="DIR", help="this worker's own folder (work)")
    work.add_argument("--port", type=int, default=8421, help="where it tells this machine how it fares (8421)")
    work.set_defaults(run=_work)
    pages = commands.add_parser("pages", help="the pages of many sites that workers run, each under a name of its own")
    add_log_level(pages)
    pages.add_argument("sites", metavar="SITES", type=Path, help="folder of the settings, NAME.toml a site")
    pages.add_argument("--own", type=Path, default=Path("pages"), metavar="DIR", help="its own folder (pages)")
    pages.add_argument("--host", default="127.0.0.1", help="where the web server in front finds it (127.0.0.1)")
    pages.add_argument("--port", type=int, default=8420, help="and at which port (8420)")
    pages.set_defaults(run=_pages)
    check = commands.add_parser("check", help="read the configuration and say every fault in it")
    check.set_defaults(run=_check)
    certificate = commands.add_parser(
        "certificate", help="make or renew what encrypts the pages where others reach them"
    )
    certificate.add_argument(
        "--new-authority", action="store_true", help="begin anew: every phone and node has to be given it again"
    )
    certificate.set_defaults(run=_certificate)
    recompute = commands.add_parser("recompute", help="work out a span anew from the raw readings")
    recompute.add_argument("--station", help="one station only")
    recompute.add_argument("--from", dest="first", type=day, metavar="DATE", help="first day, 2026-05-01")
    recompute.add_argument("--to", dest="last", type=day, metavar="DATE", help="last day, included")
    recompute.add_argument(
        "--sites", type=Path, metavar="SITES", help="folder of many sites, which the workers that hold them do"
    )
    recompute.set_defaults(run=_recompute)
    jobs = commands.add_parser("jobs", help="long jobs of many sites: how far each is, and what came of it")
    jobs.add_argument("sites", metavar="SITES", type=Path, help="folder of the settings, NAME.toml a site")
    jobs.add_argument(
        "--cancel", type=int, metavar="NUMBER", help="cancel one that waits or runs: it stops at its next piece"
    )
    jobs.set_defaults(run=_jobs)
    taking = commands.add_parser("import", help="take a record of other years in: a CSV file, by a map of its columns")
    taking.add_argument("file", metavar="FILE", type=Path, help="the record, also gzipped")
    taking.add_argument("--map", type=Path, metavar="MAP", help="what its columns become, as TOML")
    said = taking.add_mutually_exclusive_group()
    said.add_argument(
        "--preview", action="store_true", help="show the first rows and what becomes of them; keep nothing"
    )
    said.add_argument(
        "--describe", action="store_true", help="write descriptions of channels the settings have not got"
    )
    said.add_argument("--draft", action="store_true", help="print a map drafted from the file")
    taking.set_defaults(run=data_commands.import_file)
    giving = commands.add_parser("export", help="write observations, findings or the diary, as `import` reads them")
    giving.add_argument("what", metavar="WHAT", choices=("observations", "findings", "diary", "diary.csv"))
    giving.add_argument("--station", help="one station only")
    giving.add_argument(
        "--channel", action="append", help="one channel only, station/probe/channel; repeat for several"
    )
    giving.add_argument("--from", dest="first", type=day, metavar="DATE", help="first day, 2026-05-01")
    giving.add_argument("--to", dest="last", type=day, metavar="DATE", help="last day, included")
    giving.add_argument(
        "--out", type=Path, metavar="FILE", help="gzipped where its name ends in .gz (default: SITE-WHAT)"
    )
    giving.set_defaults(run=data_commands.export)
    size = commands.add_parser("size", help="how much disk the data takes, and will take in ten years")
    size.set_defaults(run=data_commands.size)
    backup = commands.add_parser("backup", help="copy the whole site into a folder while it runs, and prove the copy")
    backup.add_argument("--to", type=Path, metavar="DIR", help="folder of the backups (default: `dir` of [backup])")
    backup.add_argument("--keep", type=_count, metavar="N", help="how many stay there (default: `keep` of [backup])")
    backup.set_defaults(run=data_commands.backup)
    verify = commands.add_parser("verify", help="prove that a backup is whole, or that the data are")
    verify.add_argument("backup", metavar="BACKUP", nargs="?", type=Path, help="its folder; without one, the data")
    verify.set_defaults(run=data_commands.verify)
    restore = commands.add_parser("restore", help="bring a whole site back from a backup, and prove it by opening")
    restore.add_argument("backup", metavar="BACKUP", type=Path, help="its folder")
    restore.add_argument("--replace", action="store_true", help="set aside the data that are there")
    restore.set_defaults(run=data_commands.restore)
    summary = commands.add_parser("summary", help="the state of the ground as text")
    summary.set_defaults(run=_summary)
    sheet = commands.add_parser("sheet", help="one page of paper on a surface's year, for the committee")
    sheet.add_argument("surface", metavar="SURFACE", nargs="?", help="its name (default: the first)")
    sheet.add_argument("--year", type=int, help="default: this year")
    sheet.add_argument("--pdf", action="store_true", help="as PDF, by a Chromium of this machine")
    sheet.add_argument("--out", type=Path, metavar="FILE", help="default: SURFACE-sheet.html or .pdf")
    sheet.set_defaults(run=_sheet)
    node = commands.add_parser("node", help="who may speak on the field broker: add, list and revoke nodes")
    node.add_argument("action", metavar="ACTION", choices=NODE_ACTIONS)
    node.add_argument("name", metavar="NAME", nargs="?", help="as in its agent.toml")
    node.add_argument("--rotate", action="store_true", help="another password for a node that has one")
    node.add_argument("--reads", metavar="TOPIC", help="a line of radio nodes in place of a node: what it may read")
    node.add_argument("--host", help="the broker as the node finds it (default: as the settings do)")
    node.add_argument(
        "--passwords", type=Path, metavar="FILE", help="the broker's (default: where its settings have it)"
    )
    node.add_argument("--pid-file", type=Path, metavar="FILE", help="the broker's (default: that of Debian)")
    node.set_defaults(run=_node)
    person = commands.add_parser("person", help="who may sign in: add, list, role, invite, password, remove")
    person.add_argument("action", metavar="ACTION", choices=PERSON_ACTIONS)
    person.add_argument("name", metavar="NAME", nargs="?", help="as they sign in")
    person.add_argument("--role", help="head, keeper or reader, for `add` and `role`")
    person.set_defaults(run=people_commands.person)
    token = commands.add_parser("token", help="what lets a machine in without a password: add, list, revoke")
    token.add_argument("--scope", default="read", help="read, or diary to write in it too (read)")
    link = commands.add_parser("link", help="a link to season and sheet for the committee: add, list, revoke")
    for kind, credential in (("token", token), ("link", link)):
        credential.add_argument("action", metavar="ACTION", choices=NODE_ACTIONS)
        credential.add_argument("name", metavar="NAME", nargs="?", help="whose it is, or what for")
        credential.add_argument(
            "--days", type=_count, default=USUAL_DAYS, metavar="N", help=f"until it ends ({USUAL_DAYS})"
        )
        credential.set_defaults(run=people_commands.credential, kind=kind)
    audit = commands.add_parser("audit", help="who changed people, nodes, settings and the time")
    audit.add_argument("--last", type=_count, default=100, metavar="N", help="how many lines (100)")
    audit.set_defaults(run=people_commands.audit)
    broker = commands.add_parser("broker", help="set up the field broker on this box; prints what it would do first")
    wanted = broker.add_mutually_exclusive_group()
    wanted.add_argument("--do", action="store_true", help="do it; without this it is only printed")
    wanted.add_argument("--renew", action="store_true", help="renew its certificate where that is due; its timer's")
    broker.set_defaults(run=_broker)
    notify = commands.add_parser("notify-test", help="send a test message on every way alerts go")
    notify.set_defaults(run=_notify_test)
    quarantine = commands.add_parser("quarantine", help="messages that could not be kept: look, try again, drop")
    quarantine.add_argument("action", metavar="ACTION", nargs="?", choices=QUARANTINE_ACTIONS, default="list")
    quarantine.add_argument("number", metavar="ID", nargs="?", type=int, help="number of the message, as in the list")
    quarantine.set_defaults(run=data_commands.quarantine)
    service = commands.add_parser("install-service", help="make a service of it; prints what it would do first")
    service.add_argument("--do", action="store_true", help="do it; without this it is only printed")
    service.set_defaults(run=_install_service)
    for command in (
        serve, check, certificate, recompute, taking, giving, size, backup, verify, restore, quarantine, sheet, summary,
        node, broker, person, token, link, audit, notify, service,
    ):  # fmt: skip
        command.add_argument("--config", type=Path, default=Path(DEFAULT_CONFIG), metavar="FILE")

    power = commands.add_parser("power", help="how large the battery and the panel of a node must be")
    for option, low, high, default, mark, text in (
        ("--draws", 0.1, 20_000.0, None, "MA", "current at 12 V while awake, probes with it, in mA"),
        ("--asleep", 0.0, 20_000.0, 0.0, "MA", "current between two wakes, in mA (0)"),
        ("--awake", 0.1, 86_400.0, 1.0, "S", "seconds awake each time (always)"),
        ("--every", 0.1, 86_400.0, 1.0, "S", "seconds from one wake to the next"),
        ("--latitude", -90.0, 90.0, None, "DEG", "north positive (default: the site's)"),
        ("--days", 0.5, 60.0, 5.0, "D", "days to last without any sun (5)"),
        ("--coldest", -40.0, 40.0, 0.0, "DEGC", "of the battery (0)"),
        ("--sun-hours", 0.01, 12.0, None, "H", "of full sun in the darkest month, from a table of the place"),
        ("--clearness", 0.1, 0.8, None, "K", "share of the sunlight that passes the sky (0.35)"),
    ):
        reader = _within(low, high)
        power.add_argument(option, type=reader, default=default, metavar=mark, help=text, required=option == "--draws")
    power.add_argument("--battery", choices=("lead", "lithium"), default="lead", help="its kind (lead)")
    power.add_argument("--config", type=Path, default=Path(DEFAULT_CONFIG), metavar="FILE")
    power.set_defaults(run=_power)

    demo = commands.add_parser("demo", help="the whole of it on this machine, on simulated serial probes")
    demo.add_argument("--once", action="store_true", help="load the history, print the summary, stop")
    played = demo.add_mutually_exclusive_group()
    played.add_argument(
        "--scenario", default="thatch_bound_square", metavar="NAME", help="which scenario of the simulator is played"
    )
    played.add_argument("--record", choices=("dinosaur", "ithaca"), help="play a field record instead")
    demo.add_argument("--modbus", action="store_true", help="a probe over Modbus as well, on a line of its own")
    demo.add_argument("--rate", type=float, default=60.0, help="how many times faster than real time after the history")
    demo.add_argument("--port", type=int, default=8420, help="port of the pages; another is taken when it is busy")
    demo.add_argument("--dir", type=Path, help="keep everything in this folder (default: a temporary one, removed)")
    demo.add_argument("--store", choices=("sqlite", "influx"), default="sqlite", help="where the series are kept")
    demo.add_argument("--influx", metavar="URL", help="an InfluxDB 1 without users (default: this machine's influxd)")
    demo.set_defaults(run=_demo)
    return parser


def _within(low: float, high: float) -> Callable[[str], float]:
    """A reader of numbers between two bounds."""

    def number(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"found {text!r}, expected a number from {low:g} to {high:g}")
        return value

    return number


def _serve(parsed: argparse.Namespace) -> int:
    from api.serve import START_AGAIN, serve
    from pipeline.run.log import start_log

    told_to_stop = threading.Event()  # of the process: a signal between two servers counts too
    while True:  # once more where somebody has changed the settings on a page
        config = site_config(parsed)
        start_log(parsed.log_level, config.site.name)
        code = serve(config, told_to_stop)
        if code != START_AGAIN:
            return code


def _work(parsed: argparse.Namespace) -> int:
    from api.work import work
    from pipeline.run.log import start_log

    start_log(parsed.log_level)
    return work(parsed.sites, parsed.own, parsed.port, parsed.environment)


def _pages(parsed: argparse.Namespace) -> int:
    from api.many_pages import serve_pages
    from pipeline.run.log import start_log

    start_log(parsed.log_level)
    return serve_pages(parsed.sites, parsed.own, parsed.host, parsed.port, parsed.environment, threading.Event())


def _check(parsed: argparse.Namespace) -> int:
    from api.ground import doubts_of_settings
    from api.serve import encryption
    from pipeline.store.opening import meet_server

    config = site_config(parsed)
    if config.notify.addresses_file is not None:
        from pipeline.notify.channels import people_ways

        people_ways(config.notify.addresses_file)
    stations = sum(len(surface.stations) for surface in config.surfaces)
    print(
        f"{parsed.config}: good. {len(config.surfaces)} surfaces, {stations} stations, "
        f"{len(config.channels())} channels."
    )
    for line in meet_server(config):
        print(line)
    if encryption(config) is not None and not _certificate_is_good(config, parsed.config.name):
        return 1
    _say_who_gets_in(config, parsed.config.name)
    if not _broker_is_good(config, parsed.config.name):
        return 1
    for doubt in doubts_of_settings(config):
        print(f"{parsed.config.name}: plan: warning: {doubt}", file=sys.stderr)
    if config.backup.dir is not None and not config.backup.dir.is_dir():
        found = f"found no folder {config.backup.dir}, expected that of the backups when one is made"
        print(f"{parsed.config.name}: backup.dir: warning: {found}", file=sys.stderr)
    return 0


def _say_who_gets_in(config: SiteConfig, file: str) -> None:
    """Print who has to sign in, and a warning where all have to and nobody can."""
    from api.serve import nobody_can_sign_in
    from pipeline.errors import StoreAway
    from pipeline.store.opening import open_people

    pages = config.pages
    if pages.all_by_proxy_here:
        print("pages: everybody has to sign in, on this machine too, as all come through the web server in front")
    else:
        print("pages: on this machine itself all may read and write, without signing in; others have to sign in")
    warning = nobody_can_sign_in(pages, None)
    with suppress(StoreAway), open_people(config) as people:  # nothing is kept yet before the first start
        warning = nobody_can_sign_in(pages, people)
    if warning:
        print(f"{file}: pages.host: warning: found {pages.host!r}: {warning}", file=sys.stderr)


def _broker_is_good(config: SiteConfig, file: str) -> bool:
    """Print what keeps a password from being safe on its way to the broker, and nodes from trusting that."""
    from api.field_broker import broker_refusal
    from pipeline.site.server import is_loopback

    broker = config.broker
    if broker.ca_file is not None and (refusal := broker_refusal(broker)):
        told = f"its certificate is refused ({refusal}): `sudo underturf broker --renew` on its machine"
        print(f"{file}: broker: warning: found {broker.host}:{broker.port}, and {told}", file=sys.stderr)
    if broker.username is None or broker.ca_file is not None or is_loopback(broker.host):
        return True
    if broker.plain_password:
        print(f"{file}: broker: warning: the password goes to {broker.host} unencrypted, as it says", file=sys.stderr)
        return True
    told = f"found {broker.host!r}, where the password would go unencrypted, expected broker.ca_file beside it"
    print(f"{file}: broker.host: {told}, or plain_password = true on a wire of your own", file=sys.stderr)
    return False


def _certificate_is_good(config: SiteConfig, file: str) -> bool:
    """Print how long the certificate of the pages holds and for which names, and what a browser would refuse."""
    from api.certificate import authority_facts, doubts_of_names, doubts_of_time, server_facts
    from pipeline.run.clock import SystemClock
    from pipeline.units import utc_text

    held = server_facts(config)
    until, names = utc_text(held.until_ms), ", ".join(held.names) or "no name"
    now_ms, is_good = SystemClock().now_ms(), True
    if config.pages.cert_file is None:
        authority = authority_facts(config)
        is_good = not authority.fault(now_ms)
        print(f"pages: authority until {utc_text(authority.until_ms)}, SHA-256 {authority.fingerprint}")
    print(f"pages: encrypted, TLS 1.2 or later; certificate until {until}, for {names}")
    for doubt in (*doubts_of_time(config, now_ms), *doubts_of_names(config)):
        print(f"{file}: pages: warning: {doubt}", file=sys.stderr)
    return is_good and not held.fault(now_ms)


def _certificate(parsed: argparse.Namespace) -> int:
    from api.certificate import authority_facts, make_certificate
    from pipeline.run.clock import SystemClock

    config = site_config(parsed)
    if config.pages.cert_file is not None:
        print(
            f"pages.cert_file: found {config.pages.cert_file}, expected none: who made that one renews it",
            file=sys.stderr,
        )
        return 2
    print(*make_certificate(config, SystemClock().now_ms(), new_authority=parsed.new_authority), sep="\n")
    print(f"authority, SHA-256: {authority_facts(config).fingerprint}")
    if config.pages.is_encrypted:
        print("next: open /trust on the phone, and compare these digits. A running service uses it within a minute.")
    else:
        print('next: in [pages] host = "0.0.0.0" (or an address of this machine), start the service, open /trust')
    return 0


def _node(parsed: argparse.Namespace) -> int:
    from api import broker_users as users
    from api.field_broker import broker_refusal

    config = site_config(parsed)
    action, name, passwords = parsed.action, parsed.name, parsed.passwords or users.PASSWORDS
    if wrong := unfit("NAME", name, action, "the name of a node"):
        print(wrong, file=sys.stderr)
        return 2
    if action == "list":
        names = users.node_names(config, passwords)
        print(*(f"{config.site.name}/{one}" for one in names) if names else ["no node has a password"], sep="\n")
        return 0
    try:
        if action == "revoke":
            users.revoke_node(config, name, passwords)
        else:
            authority = users.authority_text(config)  # first: a password that no block tells would be lost
            user, access_list = f"{config.site.name}/{name}", passwords.with_name(users.ACCESS_LIST)
            if parsed.reads is not None:
                users.check_readable(parsed.reads, access_list, user)
            password = users.add_node(config, name, passwords, rotate=parsed.rotate)
            if parsed.reads is not None:
                users.let_read(access_list, user, parsed.reads)
            topic = users.readable_topic(access_list, user)  # with --rotate a line stays one
            host = parsed.host or users.host_for_nodes(config.broker)
            print(users.node_block(config, name, password, authority, host=host, topic=topic))
            if refusal := broker_refusal(config.broker, host):
                _warn_of_host(host, refusal)
    except users.NodeRefused as fault:
        print(fault, file=sys.stderr)
        return 2
    untold = users.tell_broker(parsed.pid_file or users.PID_FILE)  # before anything else that may fail
    people_commands.note_change(parsed, config, f"node {name} {'given a password' if action == 'add' else 'revoked'}")
    if untold:
        print(f"{untold}: it goes by what it read before until `systemctl reload mosquitto`", file=sys.stderr)
        return 1
    said = {"add": "may connect now", "revoke": "is out: its connection is ended and its password no longer holds"}
    print(f"{config.site.name}/{name} {said[action]}", file=sys.stderr)
    return 0


def _warn_of_host(host: str, refusal: str) -> None:
    print(
        f"warning: the node will refuse the broker by the name {host} ({refusal}): give another by --host, or write it "
        "into pages.allowed_hosts, then `underturf certificate` and `underturf broker --renew`",
        file=sys.stderr,
    )


def _broker(parsed: argparse.Namespace) -> int:
    """`--renew` is what the timer runs; else the steps are printed, and done where told to."""
    from api.field_broker import broker_steps, renew_broker, tables_for
    from hardware.service_unit import CannotInstall, install
    from pipeline.run.clock import SystemClock

    config, file, now_ms = site_config(parsed), parsed.config.absolute(), SystemClock().now_ms()
    if parsed.renew:
        print(renew_broker(config, now_ms))
        return 0
    try:
        steps = broker_steps(config, file, Path(sys.argv[0]).absolute(), Path(sys.executable).resolve(), now_ms)
    except CannotInstall as fault:
        print(fault, file=sys.stderr)
        return 2
    code = install(steps, print, do=parsed.do)
    if code == 0:
        print(f"Then into {file}, in place of its [broker]:", tables_for(config), "", sep="\n\n")
        print("and: underturf install-service --do, systemctl restart underturf, underturf node add NAME")
    return code


def _install_service(parsed: argparse.Namespace) -> int:
    from hardware.service_unit import CannotInstall, install, install_steps
    from pipeline.site.settings import secrets_of

    config, program = site_config(parsed), Path(sys.argv[0]).absolute()
    secrets = [path for key, path in secrets_of(config) if not key.endswith(("ca_file", "cert_file"))]
    try:
        steps = install_steps(
            "underturf", program, parsed.config.absolute(), config.data.dir,
            python=Path(sys.executable).resolve(), secrets=secrets,
        )  # fmt: skip
    except CannotInstall as fault:
        print(fault, file=sys.stderr)
        return 2
    return install(steps, print, do=parsed.do)


def _recompute(parsed: argparse.Namespace) -> int:
    """A site that another process holds, in PostgreSQL, is worked out by that one."""
    from api.job_commands import recompute_sites, sites_of
    from pipeline.__main__ import redo
    from pipeline.errors import StoreTaken
    from pipeline.jobs import recompute_faults

    sites = [site_config(parsed)] if parsed.sites is None else sites_of(parsed.sites, parsed.environment)
    wrong = next(filter(None, (recompute_faults(one, parsed.station, parsed.first, parsed.last) for one in sites)), "")
    if wrong:
        print(f"--{wrong}", file=sys.stderr)
        return 2
    if parsed.sites is None:
        with suppress(StoreTaken):
            return redo(sites[0], parsed.station, parsed.first, parsed.last)
    return recompute_sites(sites, parsed.station, parsed.first, parsed.last, lambda line: print(line, flush=True))


def _jobs(parsed: argparse.Namespace) -> int:
    from api.job_commands import cancel_one, job_lines, sites_of
    from pipeline.jobs import JobRefused

    sites = sites_of(parsed.sites, parsed.environment)
    if parsed.cancel is not None:
        try:
            print(cancel_one(sites, parsed.cancel))
        except JobRefused as fault:
            print(fault, file=sys.stderr)
            return 1
        return 0
    print(*job_lines(sites) or ["No job in the last 30 days."], sep="\n")
    return 0


def _count(text: str) -> int:
    """Return a number of backups. Raises argparse.ArgumentTypeError, which the command prints."""
    if text.isdecimal() and int(text) > 0:
        return int(text)
    raise argparse.ArgumentTypeError(f"found {text!r}, expected a whole number from 1")


def _summary(parsed: argparse.Namespace) -> int:
    print(_asked(site_config(parsed), "/api/v1/summary.txt"), end="")
    return 0


def _asked(config: SiteConfig, address: str) -> str:
    """Return what the running service answers at an address of its own. Raises OSError where it does not."""
    import httpx

    from pipeline.site.server import is_loopback

    pages, scheme, known = config.pages, "http", ssl.create_default_context()
    if pages.is_encrypted:
        from api.certificate import client_context

        scheme, known = "https", client_context(config)
    everywhere = {"0.0.0.0": "127.0.0.1", "::": "::1", "": "127.0.0.1"}  # not addresses one can ask
    host = everywhere.get(pages.host, pages.host)
    headers = {} if is_loopback(host) and not pages.all_by_proxy_here else _passing_token(config)
    host = f"[{host}]" if ":" in host else host
    try:
        answer = httpx.get(f"{scheme}://{host}:{pages.port}{address}", timeout=30.0, verify=known, headers=headers)
    except httpx.HTTPError as err:
        raise OSError(f"found no service at {host}:{pages.port} ({err}), expected `underturf serve` to run") from err
    if answer.status_code != 200:
        raise OSError(f"the service at {host}:{pages.port} answered {answer.status_code}: {answer.text}")
    return answer.text


def _passing_token(config: SiteConfig) -> dict[str, str]:
    """Headers that let a command of this box ask where even from here somebody has to sign in."""
    from api.people import token_for_now
    from pipeline.run.clock import SystemClock
    from pipeline.store.opening import open_people

    with open_people(config) as people:
        return {"Authorization": f"Bearer {token_for_now(people, SystemClock().now_ms())}"}


def _sheet(parsed: argparse.Namespace) -> int:
    from urllib.parse import quote

    from api.sheet import write_pdf

    config = site_config(parsed)
    names = [surface.name for surface in config.surfaces]
    if not names:
        raise OSError("found no surface in the settings, expected one: there is nothing to make a sheet of")
    surface = parsed.surface or names[0]
    if surface not in names:
        raise OSError(f"found no surface {surface!r}, expected one of: {', '.join(names)}")
    year = "" if parsed.year is None else f"?year={parsed.year}"
    text = _asked(config, f"/sheet/{quote(surface)}{year}")
    file: Path = parsed.out or Path(f"{surface}-sheet.{'pdf' if parsed.pdf else 'html'}")
    if parsed.pdf:
        write_pdf(text, file)
    else:
        file.write_text(text, encoding="utf-8")
    print(file)
    return 0


def _notify_test(parsed: argparse.Namespace) -> int:
    from pipeline.notify.outbox import try_ways
    from pipeline.run.clock import SystemClock

    fared = try_ways(site_config(parsed), SystemClock())
    for way, fault in fared:
        print(f"{way}: {fault or 'taken'}")
    if not fared:
        print("notify: found no way that is switched on, expected one in [notify]", file=sys.stderr)
    return 0 if fared and not any(fault for _, fault in fared) else 1


def _power(parsed: argparse.Namespace) -> int:
    """Read the settings only where no latitude is given: the node may be planned before there are any."""
    from pipeline.site.power import BATTERIES, CLOUDY_WINTER, mean_current_ma, power_plan

    latitude = site_config(parsed).site.latitude_deg if parsed.latitude is None else parsed.latitude
    if latitude is None:
        print(
            "power: found no latitude in the settings, expected --latitude DEG or [site] latitude_deg", file=sys.stderr
        )
        return 2
    if parsed.awake > parsed.every:
        print(f"--awake: found {parsed.awake:g} s, expected at most the {parsed.every:g} s of --every", file=sys.stderr)
        return 2
    mean_ma = mean_current_ma(parsed.draws, asleep_ma=parsed.asleep, awake_s=parsed.awake, every_s=parsed.every)
    plan = power_plan(
        mean_ma,
        latitude_deg=latitude,
        days=parsed.days,
        battery=parsed.battery,
        coldest_degc=parsed.coldest,
        clearness=parsed.clearness or CLOUDY_WINTER,
        known_sun_hours=parsed.sun_hours,
    )
    print(f"a day takes {plan.daily_ah:.2f} Ah at 12 V, {mean_ma:.0f} mA in the mean")
    print(
        f"battery: {math.ceil(plan.battery_ah)} Ah, {parsed.battery}, for {parsed.days:g} days without sun at "
        f"{parsed.coldest:g} degC; {BATTERIES[parsed.battery].caution}"
    )
    sun = f"{plan.sun_hours:.1f} hours of full sun a day in {plan.month}"
    if plan.panel_w > MOST_PANEL_W:
        print(f"panel: none will do, {sun}: carry charged batteries, or bring extra-low voltage by cable")
    else:
        print(f"panel: {math.ceil(plan.panel_w)} W for 12 V, {sun}, tilted for winter and never shaded at noon")
    if parsed.sun_hours is None:
        print(f"sun reckoned for latitude {latitude:g}; a published table of your place is better: --sun-hours")
    return 0


def _demo(parsed: argparse.Namespace) -> int:
    from api.demo import Demo

    with Demo(
        parsed.dir,
        record=parsed.record,
        scenario=parsed.scenario,
        modbus=parsed.modbus,
        rate=parsed.rate,
        port=parsed.port,
        once=parsed.once,
        store=parsed.store,
        influx=parsed.influx,
    ) as demo:
        return demo.run()


if __name__ == "__main__":
    raise SystemExit(main())
