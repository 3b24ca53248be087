"""The nodes and the time: what each says of itself and its machine, what nobody named, whether the time is confirmed.

Where nothing keeps the machine's clock, the time of whoever has the page open can be taken: of a head, or of whoever
sits at this machine.
"""

from __future__ import annotations

import datetime
from importlib import metadata

from fastapi import APIRouter, Depends, Request

from api import schema, words
from api.data import iso, pipeline_of
from api.diary_check import moment_of
from api.problems import WRITE_RESPONSES, Problem, described
from api.who import who
from api.writing import may_write
from hardware.machine_clock import ClockNote
from pipeline.advice.phrases import sentence, time_doubt
from pipeline.mqtt.node_health import NodeHealth
from pipeline.mqtt.nodes import NodeStatus
from pipeline.service import Pipeline
from pipeline.store.redating import RedatedSpan
from pipeline.texts import say, say_as, say_many, short_weekday
from pipeline.units import DAY_MS

GIGABYTE = 1e9
TIE = "\N{NO-BREAK SPACE}"  # before a unit
DATED_AGAIN_MS = 14 * DAY_MS  # for how long it is told that readings were dated again
DATED_AGAIN_SAID = 3  # spans in words, the newest; JSON has all
FULL_SHARE = 0.1  # of a disk: with less of it free that is said first

router = APIRouter(prefix="/api/v1", tags=["nodes"])


@router.get("/nodes", summary="Every node, the time, and what is heard that the settings do not name")
def get_nodes(request: Request) -> schema.NodesOut:
    pipeline = pipeline_of(request)
    health = pipeline.health()
    return schema.NodesOut(
        clock=_clock(pipeline.clock_note()),
        nodes=nodes_now(pipeline),
        unknown_channels={name: iso(at_ms) for name, at_ms in dict(health["unknown_channels"]).items()},  # type: ignore[call-overload]
        other_sites={name: iso(at_ms) for name, at_ms in pipeline.nodes.strangers().items()},
    )


@router.post("/clock", summary="Take the time of whoever asks, where nothing keeps the machine's clock",
             dependencies=[Depends(may_write)],
             responses=WRITE_RESPONSES | described((409, "The machine's clock is kept already")))  # fmt: skip
def take_time(request: Request, given: schema.TimeIn) -> schema.ClockOut:
    pipeline = pipeline_of(request)
    if not pipeline.takes_time:
        raise Problem(409, "The time is kept", "time: found a clock that is kept already, which stays")
    faults: list[str] = []
    now_ms = moment_of(given.now, "now", faults)
    try:
        if now_ms is None:
            raise ValueError("; ".join(faults))
        before_ms = pipeline.clock.now_ms()
        taken = pipeline.take_time(now_ms, schema.GIVEN_BY)
        pipeline.people.note(now_ms, who(request).said, f"time taken: {iso(now_ms)}, was {iso(before_ms)}")
        return _clock(taken)
    except ValueError as bad:
        raise Problem(422, "Not a time of our days", str(bad)) from bad


def _clock(note: ClockNote) -> schema.ClockOut:
    return schema.ClockOut(now=iso(note.now_ms), confirmed=note.ok, by=note.by)


def nodes_now(pipeline: Pipeline) -> list[schema.NodeOut]:
    """Return every node by name, those too that have not spoken since the server started and sent their health once."""
    heard, healths = {node.node: node for node in pipeline.nodes.all()}, pipeline.nodes.health()
    since_ms = pipeline.clock.now_ms() - DATED_AGAIN_MS
    redated: dict[str, list[RedatedSpan]] = {}
    for span in pipeline.journal.redated():
        if span.at_ms >= since_ms:
            redated.setdefault(span.node, []).append(span)
    names = sorted({*heard, *healths})
    return [_node(pipeline, n, heard.get(n), healths.get(n), redated.get(n, [])) for n in names]


def _node(
    pipeline: Pipeline, name: str, status: NodeStatus | None, health: NodeHealth | None, redated: list[RedatedSpan]
) -> schema.NodeOut:
    status = NodeStatus(name, "not heard", 0) if status is None else status
    heard = status.state != "not heard"
    return schema.NodeOut(
        node=name,
        state="up" if status.state == "up" else "asleep" if status.sleeps else "down" if heard else "not heard",
        heard_at=iso(status.heard_at_ms) if heard else None,
        version=status.version,
        backlog=status.backlog,
        dropped=status.dropped,
        lines=dict(status.lines),
        stations=list(status.stations),
        clock_confirmed=status.clock_ok,
        clock_by=status.clock_by,
        time_unconfirmed_since=None if status.unconfirmed_since_ms is None else iso(status.unconfirmed_since_ms),
        dated_again=[
            schema.DatedAgainOut(
                told_at=iso(one.at_ms), first=iso(one.first_ms), last=iso(one.last_ms), by_s=one.by_ms / 1000,
                readings=one.readings,
            ) for one in redated
        ],
        health=None if health is None else schema.NodeHealthOut(at=iso(health.at_ms), **health.values),
        supply_days=[] if health is None else [
            schema.SupplyDayOut(day=iso(one.day_ms)[:10], lowest_v=one.lowest_v, highest_v=one.highest_v)
            for one in health.supply_days
        ],
        devices={
            name: schema.RadioNodeOut(
                at=iso(one.at_ms), missed=one.missed, battery_v=one.battery_v, signal_dbm=one.signal_dbm
            ) for name, one in status.devices.items()
        },
        words=_words(pipeline, status if heard else None, health, redated),
    )  # fmt: skip


def _words(
    pipeline: Pipeline, status: NodeStatus | None, health: NodeHealth | None, redated: list[RedatedSpan]
) -> list[str]:
    """Lines for a reader, what asks for a hand first."""
    now_ms, zone = pipeline.clock.now_ms(), pipeline.config.site.timezone
    lines = []
    if status is None:
        lines.append(say("Not heard since the server started."))
    elif status.state == "down" and status.sleeps:
        when = words.moment(status.heard_at_ms, zone, now_ms=now_ms)
        lines.append(say("Asleep since {when}, until its timer wakes it.", when=when))
    elif status.state == "down":
        lines.append(say("Down since {when}.", when=words.moment(status.heard_at_ms, zone, now_ms=now_ms)))
    else:
        lines.append(say_as("a node", "Up."))
    if status is not None:
        lines += [
            # Translators: a line of probes and what its node says of it, in English
            say("Line {name}: {state}.", name=name, state=state)
            for name, state in sorted(status.lines.items())
            if state != "ok"
        ]
        if status.state == "up" and not status.clock_ok:
            lines.append(sentence(time_doubt(status.unconfirmed_since_ms, zone, now_ms=now_ms)))
        lines += _radio_nodes(status)
        lines += [_dated_again(one, zone, now_ms) for one in redated[-DATED_AGAIN_SAID:]]
        if status.dropped:
            lines.append(
                say_many(
                    "{n} reading was given up before the server had it: its disk was full.",
                    "{n} readings were given up before the server had them: its disk was full.",
                    status.dropped,
                )
            )
        if status.backlog:
            lines.append(say_many("{n} reading waits on it.", "{n} readings wait on it.", status.backlog))
    if health is not None:
        lines += _machine(health)
        on_for_s = health.values.get("uptime_s")
        when = words.moment(health.at_ms, zone, now_ms=now_ms)
        if on_for_s is None:
            lines.append(say("Told {when}.", when=when))
        else:
            after = words.age(round(on_for_s * 1000))
            lines.append(say("Told {when}, {age} after it was switched on.", when=when, age=after))
    elif status is not None and status.version:
        lines.append(say("It says nothing of its machine: a version before this."))
    ours = metadata.version("underturf")
    if status is not None and status.version and status.version != ours:
        lines.append(say("Its version is {its}, the server's {ours}.", its=status.version, ours=ours))
    return lines


def _radio_nodes(status: NodeStatus) -> list[str]:
    """Return in words which radio nodes missed messages, and the weakest of them."""
    heard = status.devices
    lines = [f"{name}: {one.missed} messages never came." for name, one in sorted(heard.items()) if one.missed]
    batteries = {name: one.battery_v for name, one in heard.items() if one.battery_v is not None}
    signals = {name: one.signal_dbm for name, one in heard.items() if one.signal_dbm is not None}
    if batteries:
        name, volts = min(batteries.items(), key=lambda item: item[1])
        lines.append(f"Lowest battery of its radio nodes: {volts:.2f}{TIE}V, {name}.")
    if signals:
        name, level = min(signals.items(), key=lambda item: item[1])
        lines.append(f"Weakest signal of its radio nodes: {level:.0f}{TIE}dBm, {name}.")
    return lines


def _dated_again(one: RedatedSpan, zone: str, now_ms: int) -> str:
    """Return in words which readings were dated again, at the times at which they stand now."""
    times = (one.first_ms + one.by_ms, one.last_ms + one.by_ms)
    first, last = (words.moment(at_ms, zone, now_ms=now_ms) for at_ms in times)
    told = {
        "span": first if first == last else say("{first} to {last}", first=first, last=last),
        "age": words.age(abs(one.by_ms)),
    }
    if one.by_ms > 0:
        return say_many(
            "{n} reading, {span}, was sent before its time was set and is dated again: {age} later than it said.",
            "{n} readings, {span}, were sent before its time was set and are dated again: {age} later than they said.",
            one.readings, **told,
        )  # fmt: skip
    return say_many(
        "{n} reading, {span}, was sent before its time was set and is dated again: {age} earlier than it said.",
        "{n} readings, {span}, were sent before its time was set and are dated again: {age} earlier than they said.",
        one.readings, **told,
    )  # fmt: skip


def _machine(health: NodeHealth) -> list[str]:
    value, lines = health.values, []
    if "supply_v" in value:
        low, days = health.lowest_v(2), len(health.supply_days)
        if low:
            told = say("Supply {now:.1f} V, at its lowest since yesterday {low:.1f} V.", now=value["supply_v"], low=low)
        else:
            told = say("Supply {now:.1f} V.", now=value["supply_v"])
        lines.append(told.replace(" V", f"{TIE}V"))
        if days > 2:
            lowest = say("Lowest of {n} days: {low:.1f} V.", n=days, low=health.lowest_v(days))
            lines.append(lowest.replace(" V", f"{TIE}V"))
    free, total = value.get("disk_free_bytes"), value.get("disk_total_bytes")
    if free is not None and total:
        room = say("Disk: {free:.1f} of {total:.1f} GB free.", free=free / GIGABYTE, total=total / GIGABYTE)
        room = room.replace(" GB", f"{TIE}GB")
        lines.insert(0 if free < FULL_SHARE * total else len(lines), room)
    if "temperature_degc" in value:
        lines.append(say("Its board is at {temperature:.0f} °C.", temperature=value["temperature_degc"]))
    if "signal_dbm" in value:
        signal = say("Radio {signal:.0f} dBm; the nearer to nought the better.", signal=value["signal_dbm"])
        lines.append(signal.replace(" dBm", f"{TIE}dBm"))
    return lines


def day_name(day: str) -> tuple[str, str]:
    """Return a day of the supply as a reader says it: `Tue` and `9`."""
    at = datetime.date.fromisoformat(day)
    return short_weekday(at), f"{at.day}"


def days_between(first: str, last: str) -> int:
    """Return how many days after `first` the day `last` is."""
    return (datetime.date.fromisoformat(last) - datetime.date.fromisoformat(first)).days
