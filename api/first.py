"""The first run: from an empty site to the first reading that is believed, each step with what is wrong at it.

What the nodes say of themselves, the settings, the diary and the live readings are put into words here; the page shows
them and the JSON gives them. The field check itself is worked out in `pipeline.mqtt.field_checks`.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace

from fastapi import APIRouter, Depends, Request

from api import first_schema as schema
from api import words
from api.data import find_probe, find_station, iso, pipeline_of
from api.nodes import nodes_now
from api.probes import probes_now
from api.problems import WRITE_RESPONSES, Problem
from api.state import StationNow, number, rows_of
from api.who import who
from api.writing import may_write
from hardware.field_check import by_depth, span_in
from hardware.probe import Channel, load_probe, models
from pipeline.diary.entry import DiaryEntry
from pipeline.mqtt.field_checks import (
    AGREEING,
    DoubtFound,
    ProbeCheck,
    begun_again,
    doubts,
    steps_of,
)
from pipeline.mqtt.refusals import Cause
from pipeline.service import Pipeline
from pipeline.site.ground import InstalledProbe, Station, Surface
from pipeline.texts import day_words, in_a_row, later, listed, say, say_many
from pipeline.units import BELIEVED, DAY_MS, EVER_MS, HOUR_MS

NEW_FOR_MS = DAY_MS  # a probe heard for longer was believed already: its check begins where it stands
READ_AT_WILL = ("sdi12", "modbus")  # a radio node, a record and a dock speak when they do
MODELS_NAMED = 3  # models that a probe nobody named may be
CHANNELS_NAMED = 6

router = APIRouter(prefix="/api/v1", tags=["nodes"])


@router.get("/first", summary="The first run: what is still to do before readings are believed")
def get_first(request: Request) -> schema.FirstOut:
    return first_of(pipeline_of(request))


@router.get("/first/{station}/{probe}", summary="The field check of a probe: its steps, what it reads, what is wrong")
def get_check(request: Request, station: str, probe: str) -> schema.ProbeCheckOut:
    pipeline = pipeline_of(request)
    find_probe(pipeline, station, probe)
    return check_of(pipeline, station, probe)


@router.post(
    "/first/{station}/{probe}",
    summary="Begin the field check of a probe, go back to a step of it, or take the probe as it is",
    dependencies=[Depends(may_write)],
    responses=WRITE_RESPONSES,
)
def post_check(request: Request, station: str, probe: str, told: schema.CheckIn) -> schema.ProbeCheckOut:
    """Begun, the probe counts as out of its place, since it was first heard if it is new: nothing of it is believed
    before the last step, which writes that it is in its place."""
    act(request, station, probe, told)
    return check_of(pipeline_of(request), station, probe)


def act(request: Request, station: str, probe: str, told: schema.CheckIn) -> None:
    """Do with the check of a probe what somebody asks. Raises Problem 404 without it, 422 where it cannot be done."""
    pipeline = pipeline_of(request)
    found, (surface, _) = find_probe(pipeline, station, probe), find_station(pipeline, station)
    name, now_ms, by = f"{station}/{probe}", pipeline.clock.now_ms(), who(request).name
    check = pipeline.checks.get(name)
    if told.do == "begin":
        if found.description.protocol not in READ_AT_WILL:
            detail = f"found a probe by {found.description.protocol}, expected one that is asked on a line"
            raise Problem(422, "Not read at will", detail)
        if check is None or check.step(pipeline.checks.channels(name)) is None:
            entries = [] if pipeline.is_out(name, now_ms) else [_lift(pipeline, surface, found, station, by)]
            pipeline.keep_check(ProbeCheck(name, now_ms, by), *entries)
        return
    if check is None:
        raise Problem(422, "No check of it", f"found no check of {name} begun, expected one: begin it first")
    if told.do == "again":
        entries = [] if pipeline.is_out(name, now_ms) else [_lift(pipeline, surface, found, station, by)]
        pipeline.keep_check(begun_again(check, told.step), *entries)
    elif check.step(pipeline.checks.channels(name)) is not None or pipeline.is_out(name, now_ms):
        entries = [pipeline.put_in_place(name, by, now_ms)] if pipeline.is_out(name, now_ms) else []
        pipeline.keep_check(replace(check, taken_ms=now_ms), *entries)


def _lift(pipeline: Pipeline, surface: Surface, probe: InstalledProbe, station: str, by: str) -> DiaryEntry:
    """That a probe is not in its place: since it was first heard, where that is not long ago."""
    now_ms = pipeline.clock.now_ms()
    first_ms = _first_heard_ms(pipeline, probe, now_ms)
    is_new = first_ms is None or now_ms - first_ms < NEW_FOR_MS
    at_ms = min(now_ms, first_ms) if is_new and first_ms is not None else now_ms
    body = {"probe": probe.name, **({"new": True} if is_new else {})}
    return DiaryEntry("lift", surface.name, at_ms, body, station, None, by, now_ms)


def _first_heard_ms(pipeline: Pipeline, probe: InstalledProbe, now_ms: int) -> int | None:
    """When a probe was first heard, as far as a day tells; long ago where there was anything before. [ms since 1970]"""
    ids = [one.id for one in probe.channels]
    last = rows_of(pipeline.store.last_answers(ids, max(0, now_ms - NEW_FOR_MS)))
    if last:
        return int(last[0]["measured_at_ms"])
    rows = rows_of(pipeline.store.observations(ids, max(0, now_ms - NEW_FOR_MS), now_ms + HOUR_MS))
    return min((int(row["measured_at_ms"]) for row in rows), default=None)


# --- the steps of the site -------------------------------------------------------------------------------------------

TITLES: dict[schema.FirstKey, str] = {
    "agent": later("The agent"),
    "probes": later("The probes"),
    "names": later("The names"),
    "time": later("The time"),
    "check": later("Air, water, ground"),
    "ground": later("The ground"),
}


def first_of(pipeline: Pipeline) -> schema.FirstOut:
    """Return how far the site is on its way to readings that are believed."""
    probes = [
        _listed(pipeline, surface, station, probe)
        for surface in pipeline.config.surfaces
        for station in surface.stations
        for probe in station.probes
        if probe.description.protocol != "cone"
    ]
    unknown = dict(pipeline.health()["unknown_channels"])  # type: ignore[call-overload]
    ground = ground_set(pipeline)
    told = {
        "agent": _agent(pipeline),
        "probes": _probes(pipeline),
        "names": _names(pipeline, sorted(unknown)),
        "time": _time(pipeline),
        "check": _checks(pipeline, probes),
        "ground": _set(pipeline, ground),
    }
    steps, is_open = list[schema.FirstStepOut](), False
    for key, title in TITLES.items():
        done, lines, wrong = told[key]
        state: schema.StepState = "done" if done else "next" if is_open else "now"
        is_open = is_open or not done
        steps.append(schema.FirstStepOut(step=key, state=state, title=say(title), words=lines, doubts=wrong))
    return schema.FirstOut(steps=steps, probes=probes, missing=missing_toml(pipeline, sorted(unknown)), ground=ground)


PLAY_KNOWN = ("play_from", "fixtures.source")  # what is set of a surface where it is known when it is played on
TURNED_AWAY: dict[Cause, str] = {
    "password": later(
        "it does not know that name and password. `underturf node add NAME --rotate` gives the node another; its "
        "agent.toml names it SITE/NODE."
    ),
    "authority": later("it does not trust the broker's certificate. Its ca_file must be the authority of this box."),
    "clear": later("it does not encrypt. Name the authority of this box as ca_file in its agent.toml."),
    "encryption": later("they do not agree on the encryption, which is TLS 1.2 or later."),
}

Told = tuple[bool, list[str], list[str]]  # whether it is done, what is, and what is wrong


def _agent(pipeline: Pipeline) -> Told:
    nodes, site, broker = nodes_now(pipeline), pipeline.config.site.name, pipeline.config.broker
    wrong = [
        say('{node} names another site: write site = "{site}" in its agent.toml.', node=node, site=site)
        for node in sorted(pipeline.nodes.strangers())
    ]
    reasons = [str(one) for one in pipeline.health()["reasons"]]  # type: ignore[attr-defined]
    reason = next((one.partition(": ")[2] for one in reasons if one.startswith(("broker:", "ingest:"))), "")
    if reason:
        # Translators: the reason is in English
        wrong.append(say("This server does not reach its own broker ({reason}).", reason=reason))
    zone, now_ms = pipeline.config.site.timezone, pipeline.clock.now_ms()
    wrong += [
        say(
            "The broker turned {address} away {when}: {reason}",
            address=one.address or say("a machine"), when=words.soon(one.at_ms, zone, now_ms),
            reason=say(TURNED_AWAY[one.cause]),
        )
        for one in pipeline.refusals()
    ]  # fmt: skip
    up = [node for node in nodes if node.state in ("up", "asleep")]
    lines = [say("{node}: {words}", node=node.node, words=node.words[0]) for node in nodes]
    for node in up:
        wrong += [
            # Translators: a line of probes and what its node says of it, in English
            say("{node}, line {name}: {state}.", node=node.node, name=name, state=state)
            for name, state in sorted(node.lines.items())
            if state != "ok"
        ]
    if up:
        return not reason, lines, wrong
    lines += [say("No agent is heard.")] if not nodes else []
    return False, [
        *lines,
        say("Power: is the box of the agent on?"),
        say("Service: `systemctl status underturf-agent` says whether it runs."),
        say(
            "Broker: `underturf-agent doctor` on that box tries it, and names a refused password, a certificate that "
            "is not trusted, and an address where nothing answers. This server listens at {host}:{port}.",
            host=broker.host, port=broker.port,
        ),
    ], wrong  # fmt: skip


def _probes(pipeline: Pipeline) -> Told:
    if not pipeline.config.stations():
        return (
            False,
            [
                say("The settings name no station yet."),
                say(
                    "On the box with the adapter, `underturf-agent scan north --config agent.toml --model MODEL "
                    "--server underturf.toml` finds who is on the line and writes both files."
                ),
            ],
            [],
        )
    lines, wrong, heard = list[str](), list[str](), 0
    states = probes_now(pipeline)
    every = [(state, one) for state, probes in states for one in probes]
    for state, one in every:
        called = _called(state, one.name)
        if one.state in ("heard", "out of the ground", "by record"):
            heard += 1
            lines.append(say("{probe}: heard.", probe=called))
        elif one.nodes:
            wrong.append(say("{probe}: silent. {remedy}", probe=called, remedy=say(REMEDIES["silent"])))
        else:
            wrong.append(
                say(
                    "{probe}: no node reads its station. Name it alike in agent.toml: station = \"{station}\".",
                    probe=called, station=state.station.name,
                )
            )  # fmt: skip
    return (bool(every) or _has_cones(pipeline)) and heard == len(every), lines, wrong


def _has_cones(pipeline: Pipeline) -> bool:
    """Whether a penetrometer is set up, which is heard only when it is docked."""
    probes = [one for surface in pipeline.config.surfaces for station in surface.stations for one in station.probes]
    return any(one.description.protocol == "cone" for one in probes)


def _called(state: StationNow, probe: str) -> str:
    found = next(one for one in state.station.probes if one.name == probe)
    return words.upper_first(state.surface.probe_called(state.station, found))


def _names(pipeline: Pipeline, unknown: Sequence[str]) -> Told:
    if not unknown:
        some = bool(pipeline.nodes.all())
        return some, [say("All that is heard is in the settings.")] if some else [], []
    named = in_a_row([*unknown[:CHANNELS_NAMED], *([say("more")] if unknown[CHANNELS_NAMED:] else [])])
    told = say("Heard, and not in underturf.toml: {names}. Nothing is worked out from them.", names=named)
    return False, [say("Name station and probe alike in both files; these lines would do:")], [told]


def _time(pipeline: Pipeline) -> Told:
    note = pipeline.clock_note()
    late = [node.node for node in nodes_now(pipeline) if node.state == "up" and not node.clock_confirmed]
    wrong = [] if note.ok else [say("Nobody has confirmed the time of this server: give it on the page of the probes.")]
    if late:
        told = later("{nodes} has no clock that is set: what it reads cannot be dated until it is given the time.")
        wrong.append(say(told, nodes=listed(late)))
    now = words.date_and_clock(note.now_ms, pipeline.config.site.timezone)
    return not wrong, [say("This server has {time}.", time=now)], wrong


def _checks(pipeline: Pipeline, probes: Sequence[schema.CheckedProbeOut]) -> Told:
    """Of those that can be read at will; where there are others only, nothing is to be done."""
    mine = [one for one in probes if one.state != "by hand"]
    if not mine:
        return bool(probes) or _has_cones(pipeline), [], []
    lines = [
        say("A probe is held in air, stood in water, pushed in, and given a cup of water; the page ticks by itself.")
    ]
    return all(one.state in ("done", "taken") for one in mine), lines, []


def _set(pipeline: Pipeline, ground: Sequence[schema.GroundSetOut]) -> Told:
    lacking = sum(not fact.value for one in ground for fact in one.facts if fact.where == "core")
    lawns = [one.name for one in pipeline.config.surfaces if one.kind == "lawn"]
    play = [
        (one.title, [f.value for f in one.facts if f.where in PLAY_KNOWN]) for one in ground if one.name not in lawns
    ]
    no_play = [title for title, known in play if known and not any(known)]
    if not pipeline.config.stations():
        return False, [], []
    lines = []
    if lacking:
        lines.append(
            say_many(
                "{n} station has no core yet: nothing is said of its thatch.",
                "{n} stations have no core yet: nothing is said of their thatch.", lacking,
            )
        )  # fmt: skip
    if no_play:
        told = later("{places}: no play is known on it. Give a season of play, or fixtures.")
        lines.append(say(told, places=in_a_row(no_play)))
    return not lines, lines or [say("Every station has its first core.")], []


# --- what is heard and not named -------------------------------------------------------------------------------------


def missing_toml(pipeline: Pipeline, unknown: Sequence[str]) -> str:
    """Return lines of TOML that would name what is heard; empty where all is named."""
    probes: dict[tuple[str, str], set[str]] = {}
    for channel in unknown:
        station, probe, name = channel.split("/")
        probes.setdefault((station, probe), set()).add(name)
    lines, begun = list[str](), set[str]()
    for (station, probe), names in probes.items():
        if station in pipeline.config.stations():
            lines.append(f"# below the station {station}")
        elif station not in begun:
            lines += [
                "[[surface.station]]  # below its surface",
                f'name = "{station}"',
                'soil = "loam"  # or another',
                "",
            ]
        begun.add(station)
        likely = models_like(pipeline, names)
        model = likely[0] if likely else "MODEL"
        others = f"  # or {' or '.join(likely[1:])}" if likely[1:] else ""
        lines += ["[[surface.station.probe]]", f'name = "{probe}"', f'model = "{model}"{others}', ""]
    return "\n".join(lines).rstrip()


def models_like(pipeline: Pipeline, channels: set[str]) -> list[str]:
    """Return the models that have all of these channels, those with the fewest others first."""
    folder = pipeline.config.data.model_dir
    found = []
    for model in models(folder):
        own = {one.name for one in load_probe(model, folder).channels}
        if channels <= own:
            found.append((len(own - channels), model))
    return [model for _, model in sorted(found)][:MODELS_NAMED]


# --- what is set of the ground ---------------------------------------------------------------------------------------


_NAMES: dict[str, str] = {  # of the settings, in words
    "square": later("square"),
    "outfield": later("outfield"),
    "green": later("green"),
    "pitch": later("pitch"),
    "lawn": later("lawn"),
    "sand": later("sand"),
    "sandy_loam": later("sandy loam"),
    "loam": later("loam"),
    "clay_loam": later("clay loam"),
    "club_clay_loam": later("clay loam of a club square"),
    "first_class_clay_loam": later("clay loam of a first-class square"),
    "organic_topsoil": later("organic topsoil"),
    "peat": later("peat"),
    "cool": later("cool-season"),
    "warm": later("warm-season"),
    "annual_meadow_grass": later("annual meadow-grass"),
}


def ground_set(pipeline: Pipeline) -> list[schema.GroundSetOut]:
    """Return what is set of each surface and station, as advice rests on it."""
    ahead = pipeline.diary.entries(("fixture",), pipeline.clock.now_ms(), EVER_MS[1])
    played_on, found = {one.surface for one in ahead}, list[schema.GroundSetOut]()
    for surface in pipeline.config.surfaces:
        by_diary = say("in the diary") if surface.name in played_on else ""
        fixtures = say("by the calendar") if pipeline.config.fixtures.source else by_diary
        facts = [
            _fact(later("Kind"), say(_NAMES[surface.kind]), "kind"),
            _fact(later("Season of play"), _play(surface), "play_from"),
            _fact(later("Fixtures"), fixtures, "fixtures.source"),
        ]
        found.append(
            schema.GroundSetOut(name=surface.name, title=surface.title, table=f"surface.{surface.name}", facts=facts)
        )
        for station in surface.stations:
            cores = pipeline.context(station.name).facts.cores
            last = max((core.at_ms for core in cores), default=None)
            when = "" if last is None else words.moment(last, pipeline.config.site.timezone)
            facts = [
                _fact(later("Soil"), say(_NAMES[station.soil]), "soil"),
                _fact(later("Grass"), say(_NAMES[station.grass]), "grass"),
                _fact(later("First core"), when, "core"),
            ]
            found.append(
                schema.GroundSetOut(
                    name=station.name,
                    title=surface.place(station),
                    table=f"surface.{surface.name}.station.{station.name}",
                    facts=facts,
                )
            )
    return found


def _fact(what: str, value: str, where: str) -> schema.GroundFactOut:
    return schema.GroundFactOut(what=say(what), value=value, where=where)


def _play(surface: Surface) -> str:
    if surface.play is None:
        return ""
    first, last = (
        day_words(datetime.date(2024, *day))  # a leap year has every day
        for day in (surface.play.first, surface.play.last)
    )
    return say("{first} to {last}", first=first, last=last)


# --- the check of one probe ------------------------------------------------------------------------------------------

STEP_TITLES: dict[str, str] = {
    "line": later("On the line"),
    "air": later("In the air"),
    "water": later("In water"),
    "ground": later("Pushed in"),
    "cup": later("Pour a cup"),
}
ASKED: dict[str, str] = {
    "line": later("Plug it in. It is asked every few seconds."),
    "air": later("Hold it up, clean and dry."),
    "water": later(
        "Stand it in tap water, all it senses with, away from the wall. A long one goes in one end after the other."
    ),
    "ground": later("Wipe it, push it in where it will stay, and firm the soil about it."),
    "cup": later("A quarter litre, slowly, on the leaf over it. It should answer within the hour."),
}
REMEDIES: dict[str, str] = {
    "silent": later("It does not answer: see to its power, its plug, and its address in agent.toml."),
    "two_at_one": later(
        "What comes back is garbled: two probes may have one address. Unplug one; if it reads then, give one of them "
        "another: `underturf-agent scan LINE --change`. If not, see to the wiring."
    ),
    "line_away": later("The adapter of its line is away: plug it in, and see to its port in agent.toml."),
    "no_value": later("{channel}: no value. See to its wiring, and whether its model is the right one."),
    "elsewhere": later("{channel}: {value}, expected {span}. Is it clean, all in, and is this its model?"),
    "in_air": later("{channel} still stands in air: push the probe in, or close the gap beside it."),
    "swapped": later(
        "{channel} answered before {other}: the two depths may be swapped in the settings, or water ran down a gap "
        "beside the probe."
    ),
    "dry": later("{channel} did not answer and {other} did: air beside the probe there, or it is another depth."),
    "gap": later("{channel} answered at once: water ran down a gap beside the probe. Firm it in."),
}


def check_of(pipeline: Pipeline, station: str, probe: str) -> schema.ProbeCheckOut:
    """Return the check of a probe as it stands."""
    surface, place = find_station(pipeline, station)
    found = find_probe(pipeline, station, probe)
    name, zone = f"{station}/{probe}", pipeline.config.site.timezone
    channels, check = pipeline.checks.channels(name), pipeline.checks.get(name)
    step = None if check is None else check.step(channels)
    steps, is_open = list[schema.CheckStepOut](), False
    for one in steps_of(channels):
        at_ms = None if check is None else check.done_ms.get(one)
        state: schema.StepState = "done" if at_ms is not None else "now" if step is not None and not is_open else "next"
        is_open = is_open or at_ms is None
        told = say(ASKED[one])
        if at_ms is not None and check is not None:
            told = _ticked(check, channels, one, words.clock(at_ms, zone))
        steps.append(
            schema.CheckStepOut(
                step=one, state=state, done_at=None if at_ms is None else iso(at_ms), title=say(STEP_TITLES[one]),
                words=told,
            )
        )  # fmt: skip
    listed_one = _listed(pipeline, surface, place, found)
    up = any(node.state == "up" and station in node.stations for node in pipeline.nodes.all())
    return schema.ProbeCheckOut(
        **listed_one.model_dump(),
        place=words.place(surface, place),
        begun_at=None if check is None else iso(check.begun_ms),
        steps=steps,
        channels=[] if check is None or step is None else [_channel(check, c, step) for c in _wanted(channels, step)],
        doubts=[] if check is None else [_doubt(one, channels) for one in doubts(check, channels)],
        readable="" if up else say("No node that reads this station is connected."),
        trusted=_trusted(pipeline, check, found) if step is None else "",
    )


def _listed(pipeline: Pipeline, surface: Surface, station: Station, probe: InstalledProbe) -> schema.CheckedProbeOut:
    name = f"{station.name}/{probe.name}"
    channels, check = pipeline.checks.channels(name), pipeline.checks.get(name)
    out = pipeline.is_out(name, pipeline.clock.now_ms())
    if probe.description.protocol not in READ_AT_WILL:
        state, told = "by hand", say("It is not read at will: believed as it comes.")
    elif check is None:
        state, told = "not begun", say("Not checked yet.")
    elif check.taken_ms is not None:
        state, told = "taken", say("Taken as it is, not checked to the end.")
    elif (step := check.step(channels)) is None:
        state, told = "done", say("Checked, and believed.") if not out else say("Checked, and out of the ground.")
    else:
        state, told = "under way", say("At the step: {step}.", step=say(STEP_TITLES[step]))
    return schema.CheckedProbeOut(
        station=station.name,
        probe=probe.name,
        called=f"{words.upper_first(surface.probe_called(station, probe))}: {say(probe.description.title)}",
        state=state,  # type: ignore[arg-type]
        believed=not out,
        words=told,
    )


def _wanted(channels: Sequence[Channel], step: str) -> list[Channel]:
    """The channels that count at a step."""
    if step in ("air", "water"):
        return [c for c in channels if span_in("air" if step == "air" else "water", c.heard) is not None]
    return list(channels) if step == "line" else by_depth(channels)


def channel_words(channel: Channel) -> str:
    """Return a channel by its depth and quantity: `50 mm, water content`."""
    what = words.quantity(channel.heard)
    return what if channel.depth_m is None else f"{channel.depth_m * 1000:g} mm, {what[:1].lower()}{what[1:]}"


def value_words(value: float | None, heard: str) -> str:
    """Return a value as heard for the eye; water content in per cent by volume."""
    if value is None:
        return say("no value")
    return words.per_cent(value) if heard == "water_content" else words.amount(value, heard)


def _span_words(span: tuple[float, float], heard: str) -> str:
    return say("{low} to {high}", low=value_words(span[0], heard), high=value_words(span[1], heard))


def _channel(check: ProbeCheck, channel: Channel, step: str) -> schema.CheckChannelOut:
    value = check.recent[-1].values.get(channel.name) if check.recent else None
    row, told, ticked = check.in_a_row.get(channel.name, 0), value_words(value, channel.heard), False
    if step in ("air", "water"):
        span = span_in("air" if step == "air" else "water", channel.heard)
        wanted = "" if span is None else _span_words(span, channel.heard)
        ticked, told = row >= AGREEING, say("{value}, wanted {span}", value=told, span=wanted)
    elif step == "cup":
        told = say("{value}, answered", value=told) if channel.name in check.rose_ms else told
    return schema.CheckChannelOut(
        channel=channel.name,
        depth_mm=None if channel.depth_m is None else channel.depth_m * 1000,
        value=value,
        status=check.statuses.get(channel.name, "not_read"),
        ticked=ticked,
        in_a_row=min(row, AGREEING),
        words=f"{channel_words(channel)}: {told}.",
    )


def _ticked(check: ProbeCheck, channels: Sequence[Channel], step: str, clock: str) -> str:
    values = {"air": check.air, "water": check.water}.get(step, {})
    read = [value_words(values[c.name], c.heard) for c in by_depth(channels) if c.name in values]
    if read:
        return say("At {clock} it read {values}.", clock=clock, values=in_a_row(read))
    if step == "cup":
        order = [c for c in by_depth(channels) if c.name in check.rose_ms]
        depths = in_a_row([f"{(c.depth_m or 0.0) * 1000:g} mm" for c in order])
        return say("At {clock}: {depths} answered, from the top down.", clock=clock, depths=depths)
    return say("At {clock}.", clock=clock)


def _doubt(found: DoubtFound, channels: Sequence[Channel]) -> schema.CheckDoubtOut:
    by_name = {c.name: c for c in channels}

    def called(name: str) -> str:
        channel = by_name.get(name)
        return say("The probe") if channel is None else channel_words(channel)

    heard = by_name[found.channel].heard if found.channel in by_name else ""
    told = say(
        REMEDIES[found.doubt],
        channel=called(found.channel),
        other=called(found.other),
        value=value_words(found.value, heard),
        span="" if found.span is None else _span_words(found.span, heard),
    )
    return schema.CheckDoubtOut(doubt=found.doubt, channel=found.channel, words=words.upper_first(told))


def _trusted(pipeline: Pipeline, check: ProbeCheck | None, probe: InstalledProbe) -> str:
    """The first reading that is believed since the check was done, in words; empty while there is none."""
    if check is None or (check.taken_ms is None and not check.done_ms):
        return ""
    ids = {one.id: one.channel for one in probe.channels if one.channel.quantity == "water_content"}
    since_ms = check.taken_ms if check.taken_ms is not None else max(check.done_ms.values())
    now_ms = pipeline.clock.now_ms()
    rows = rows_of(pipeline.store.observations(list(ids), since_ms, min(now_ms + HOUR_MS, since_ms + DAY_MS)))
    good = [row for row in rows if row["flag"] in BELIEVED and number(row["value"]) is not None]
    if not good:
        return ""
    at_ms = min(int(row["measured_at_ms"]) for row in good)
    read = [
        say("{value} at {depth:g} mm", value=words.per_cent(float(row["value"])), depth=(channel.depth_m or 0.0) * 1000)
        for channel_id, channel in ids.items()
        for row in good
        if row["channel"] == channel_id and int(row["measured_at_ms"]) == at_ms
    ]
    when = words.moment(at_ms, pipeline.config.site.timezone, now_ms=now_ms)
    return say("The first reading to be believed: {values}, {when}.", values=in_a_row(read), when=when)
