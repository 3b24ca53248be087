"""The running agent: reads what is due, keeps it, sends it, one bounded `step` after the other.

It wires the parts together, catches the faults of the surroundings (counted, and logged once on change), and starts and
stops the process.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import logging
import os
import random
import signal
import socket
import threading
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from hardware.machine_clock import ClockNote, MachineClock, shown_time, unconfirmed_time
from hardware.reading import LiveReading, Sample, Status
from probe_agent.clock import PULSE_S, Clock, FollowClock, SystemClock, environment
from probe_agent.config import AgentConfig, ProbeConfig
from probe_agent.control import ControlSocket, ReadRequest, counts_rain
from probe_agent.faults import AgentFault
from probe_agent.health import node_health
from probe_agent.line import SerialLine
from probe_agent.line_worker import FAULT_PAUSE_S, STUCK_S, LineWorker, PendingCommit, ScheduledProbe
from probe_agent.outbox import Outbox, OutboxDamaged, OutboxFull, doubted_since, open_outbox
from probe_agent.publisher import NOT_CONNECTED, Publisher
from probe_agent.sampler import Stopped
from probe_agent.schedule import Rain, rain_after_amount, rain_after_total
from probe_agent.uplinks import UplinkLine, session_of

CLOCK_HOLD_S = 600  # uptime until which readings of an unset clock are held back: a time service takes minutes
HOUSEKEEPING_S = 60.0
HEALTH_S = 600.0  # how the machine is changes slowly, and each status costs a node on a slow radio its bytes
JOIN_WITHIN_S = 12.0  # the unit gives 15 s to stop
WAITING_READINGS = 5000  # kept in memory while the disk refuses them
GATHER_S = 0.1  # in the history of a simulator, where hours pass in so long, what is read is committed together
LIVE_FOR_S, LIVE_EVERY_S = 60.0, 2.0  # a probe that somebody looks at, and who looks on asks again
TIME_MOVED_MS = 2000  # a told time that differs by less is not logged
WATCHDOG_S = 10.0
UPLINKS_WITHIN_S, UPLINKS_QUIET_S, POLL_S = 20.0, 1.0, 0.02  # what a node that a timer wakes gives its radio nodes
LOCK_FILE = "agent.lock"

_log = logging.getLogger("underturf.agent")


class StateInUse(AgentFault):
    """Another agent works on the state folder."""


def lock_folder(folder: Path) -> IO[bytes]:
    """Lock the state folder, made if there is none, for this process until the file is closed or the process ends.

    Raises
    ------
    StateInUse
        When another process has it.
    """
    folder.mkdir(parents=True, exist_ok=True)
    file = (folder / LOCK_FILE).open("a+b", buffering=0)
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as err:
        file.seek(0)
        owner = file.read(20).decode(errors="replace").strip()
        file.close()
        raise StateInUse(
            f"state_dir {folder}: found it in use by process {owner or 'unknown'}, expected it free. "
            "Stop the other agent first, or give this one a folder of its own."
        ) from err
    with contextlib.suppress(OSError):  # the number is for that message alone: a full disk does not keep the agent away
        file.truncate(0)
        file.write(f"{os.getpid()}\n".encode())
    return file


@dataclass(slots=True)
class LiveWatch:
    """A probe that somebody looks at: until when, when it is read next [s, steady], and what is under way."""

    probe: ProbeConfig
    until_s: float
    next_s: float = float("-inf")
    request: ReadRequest | None = None


class Agent:
    """All of one node.

    Parameters
    ----------
    config : AgentConfig
    clock : Clock
    publisher_type : callable
        Makes the publisher; for a bench that wants another one.

    Raises
    ------
    StateInUse
        When another agent works on the state folder.
    OutboxFull
        When the outbox cannot be opened.
    """

    def __init__(
        self, config: AgentConfig, clock: Clock, *, publisher_type: Callable[..., Publisher] = Publisher
    ) -> None:
        self.config = config
        self.lines = {
            line.name: SerialLine(line, monotonic=clock.monotonic, back_off=not clock.follows) for line in config.lines
        }
        self.crash: BaseException | None = None  # what ended a line's thread
        self.unkept = 0  # readings lost because neither disk nor memory had room
        self._clock = clock
        self._states = {"broker": NOT_CONNECTED}
        self._lock_file = lock_folder(config.state_dir)
        try:
            self.outbox = self._open_outbox()
        except BaseException:
            self._lock_file.close()
            raise
        self.publisher = publisher_type(config, self.outbox, monotonic=clock.monotonic)
        last = self.outbox.last_slots()
        self._lock = threading.Lock()  # on the states and the rain, which the lines' threads change too
        self._committing = threading.Lock()  # one thread at a time, or the oldest would not go first
        self._rain = Rain()
        self._rain_channels = {
            f"{probe.id}/{channel.name}": channel.heard
            for probe in config.probes
            for channel in probe.description.channels
            if channel.heard in ("rain", "rain_total")
        }
        self._supply_channels = {
            f"{probe.id}/{channel.name}"
            for probe in config.probes
            for channel in probe.description.channels
            if channel.heard == "supply_voltage" and probe.line in self.lines  # a radio node has its own
        }
        self._supply_v: dict[str, float] = {}
        self._waiting: deque[PendingCommit] = deque()
        self.workers = [
            LineWorker(
                line,
                [ScheduledProbe(probe, last.get(probe.id)) for probe in config.probes if probe.line == name],
                clock, self._keep, self._change, lambda: self.outbox, lambda: self._rain,
            )
            for name, line in self.lines.items()
            if any(probe.line == name for probe in config.probes)
        ]  # fmt: skip
        self.uplinks = [
            UplinkLine(
                line, session_of(config, line), [probe for probe in config.probes if probe.line == line.name], clock,
                lambda: self.outbox, self._change, self._note_samples, chance=random.random,
            )
            for line in config.uplink_lines
        ]  # fmt: skip
        self._threads: list[threading.Thread] = []
        self._beside: ThreadPoolExecutor | None = None  # threads of lines while time stands
        probes = {probe.id: probe for probe in config.probes}
        workers = {worker.line.name: worker for worker in self.workers}
        self.control = ControlSocket(
            config.state_dir, probes.get,
            lambda request: request.probe.line in workers and workers[request.probe.line].ask(request),
            lambda: self._unknown,
        )  # fmt: skip
        self._workers_by_line, self._probes_by_id = workers, probes
        self._live: LiveWatch | None = None
        self._unknown: tuple[str, ...] | None = None
        self._clock_ok = False
        self._unconfirmed_since_ms: int | None = None
        if isinstance(clock, MachineClock):  # a clock that stood still gives no slot twice
            clock.not_before(max(last.values(), default=0) * 1000 + 1000)
        self._housekept_at = self._health_at = self._gathered_at = float("-inf")

    def start(self, stop: threading.Event) -> None:
        """Give each line a thread of its own, until `stop`. Without this `step` reads them, one after the other."""
        self._threads = [
            threading.Thread(target=self._run_line, args=(worker, stop), name=worker.line.name, daemon=True)
            for worker in self.workers
        ]
        for worker in self.workers:
            worker.began_at_s = self._clock.monotonic()
        for uplink in self.uplinks:
            uplink.touched_at_s = self._clock.monotonic()
        self._threads += [
            threading.Thread(target=self._run_line, args=(uplink, stop), name=uplink.name, daemon=True)
            for uplink in self.uplinks
        ]
        for thread in self._threads:
            thread.start()

    def _run_line(self, worker: LineWorker | UplinkLine, stop: threading.Event) -> None:
        try:
            worker.run(stop)
        except BaseException as err:
            self.crash = err
            stop.set()

    def read_due(self, stop: threading.Event) -> None:
        """Read what is due, each probe at most once and the lines side by side, and commit it."""
        began_s = self._clock.monotonic()

        def drain(worker: LineWorker) -> None:
            with contextlib.suppress(Stopped, AgentFault):
                while not stop.is_set() and worker.step(stop):
                    if all(one.read_at_s is not None and one.read_at_s >= began_s for one in worker.scheduled):
                        return  # a slow sensor on a short interval is due again, and would be for ever

        threads = [threading.Thread(target=drain, args=(worker,), daemon=True) for worker in self.workers]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        self._commit_waiting()
        quiet_since_s = self._clock.monotonic()
        until_s = quiet_since_s + UPLINKS_WITHIN_S  # a slow sensor takes nothing from the time of the radio nodes
        while self.uplinks and self._clock.monotonic() < min(until_s, quiet_since_s + UPLINKS_QUIET_S):
            came = [uplink.step() for uplink in self.uplinks]
            if any(came) or any(uplink.state == NOT_CONNECTED for uplink in self.uplinks):
                quiet_since_s = self._clock.monotonic()
            if self._clock.wait(POLL_S, stop):
                return

    @property
    def stuck(self) -> str | None:
        """The line whose thread has not moved for STUCK_S, if there is one."""
        now_s = self._clock.monotonic()
        late = [worker.line.name for worker in self.workers if now_s - worker.moved_at_s > STUCK_S]
        late += [uplink.name for uplink in self.uplinks if now_s - uplink.touched_at_s > STUCK_S]
        return next(iter(late), None) if self._threads else None

    def step(self, stop: threading.Event, *, reads: bool = True) -> None:
        """Read at most one probe that is due, where lines have no threads and it `reads`; keep, send, else wait.

        Where time stands, as in the history of a simulator, all that are due are read.
        """
        try:
            if not self._work(stop, reads=reads):
                self._idle(stop)
        except Stopped:
            return
        except OutboxDamaged as fault:
            self._change("outbox", f"damaged: {fault}")
            self._replace_outbox()
        except AgentFault as fault:
            self._change("fault", str(fault))
            self._clock.wait(FAULT_PAUSE_S, stop)
        else:
            self._change("fault", "")

    def close(self) -> None:
        """Disconnect from the broker and release lines, outbox and folder. Threads of lines have been told to stop."""
        until_s = self._clock.monotonic() + JOIN_WITHIN_S
        for thread in self._threads:
            thread.join(max(0.0, until_s - self._clock.monotonic()))
        if self._beside is not None:
            self._beside.shutdown()
        with contextlib.suppress(AgentFault), self._committing:
            self._commit()
        self.control.close()
        for uplink in self.uplinks:
            uplink.close()
        self.publisher.stop(lines=self._line_states())
        self.outbox.close()
        for line in self.lines.values():
            line.close()
        self._lock_file.close()

    # --- the work of one step ------------------------------------------------------------------------------------

    def _work(self, stop: threading.Event, *, reads: bool) -> bool:
        """Do the work of one step; return whether a probe was read."""
        self._heed_notice()
        note = self._clock.note()
        now_ms = note.now_ms
        self._update_clock(note)
        self._commit_waiting()
        read = False
        if reads and not self._threads:
            read = self._read_lines(stop)
        if not self._threads:
            for uplink in self.uplinks:
                uplink.step()
        self.control.step()
        self._read_live()
        self._update_lines(now_ms)
        self._change("stuck", self.stuck or "")
        if self._clock.monotonic() - self._health_at >= HEALTH_S:
            self._health_at = self._clock.monotonic()
            self.publisher.health = self._health(note)
            heard = (one for uplink in self.uplinks for one in uplink.devices.items())
            self.publisher.devices = {name: device.as_numbers() for name, device in heard}
        held = note.uptime_ms < CLOCK_HOLD_S * 1000 or self.publisher.awaits_notice
        hold = note if held and not note.ok else None
        name = self.outbox.outbox_id
        self.publisher.step(hold=hold, lines=self._line_states(), clock=self._clock_state(note))
        if self.outbox.outbox_id != name:
            again = {"new_outbox_id": self.outbox.outbox_id, "sent_again": self.outbox.backlog}
            reason = "a receipt was for other readings: the state folder was put back or copied"
            _log_event("outbox_renamed", level=logging.ERROR, outbox_id=name, **again, reason=reason)
        self._change("broker", self.publisher.state)
        self._change("server", self.publisher.server)
        self._change("dropped", str(self.outbox.dropped))
        if self._clock.monotonic() - self._housekept_at >= HOUSEKEEPING_S:
            self._housekept_at = self._clock.monotonic()
            if note.ok:
                self.outbox.prune(now_ms - round(self.config.outbox.keep_days * 86_400_000))
        return read

    def _read_lines(self, stop: threading.Event) -> bool:
        """Read the first probe that is due, where time stands all of them, the lines side by side; return whether any
        was."""
        if not self._clock.stands:
            return any(worker.step(stop) for worker in self.workers)

        def drain(worker: LineWorker) -> bool:
            read = False
            while worker.step(stop):
                read = True
            return read

        due = [worker for worker in self.workers if worker.is_due()]
        if len(due) > 1:
            if self._beside is None:
                self._beside = ThreadPoolExecutor(len(self.workers), thread_name_prefix="line")
            tasks = [self._beside.submit(drain, worker) for worker in due]
            wait(tasks)  # no line is still at work when a fault of another is met
            return any([task.result() for task in tasks])
        return any(map(drain, due))

    def _heed_notice(self) -> None:
        """Take the time that the server has told, and log which channels it does not know."""
        notice = self.publisher.notice()
        if notice is None:
            return
        if notice.unknown is not None:
            self._unknown = notice.unknown
            why = "the server's settings do not name them: nothing is worked out from them"
            self._change("unknown channels", ", ".join(notice.unknown), why if notice.unknown else None)
        probe = self._probes_by_id.get(notice.live)
        if probe is not None and probe.line in self._workers_by_line and not counts_rain(probe):
            until_s = self._clock.monotonic() + LIVE_FOR_S
            if self._live is not None and self._live.probe is probe:
                self._live.until_s = until_s
            else:
                self._live = LiveWatch(probe, until_s)
        if notice.now_ms is None or not isinstance(self._clock, MachineClock):
            return
        before_ms = self._clock.now_ms()
        try:
            note = self._clock.take(notice.now_ms, notice.by)
        except ValueError as bad:
            self._change("time", str(bad))
            return
        if abs(note.now_ms - before_ms) >= TIME_MOVED_MS:
            _log_event("time_taken", by=note.by, moved_ms=note.now_ms - before_ms)

    def _read_live(self) -> None:
        """Have the probe that somebody looks at read again, and send what came."""
        watch, now_s = self._live, self._clock.monotonic()
        if watch is None:
            return
        request = watch.request
        if request is not None and request.done.is_set():
            values = tuple((one.channel.rsplit("/", 1)[1], one.raw, one.status.value) for one in request.samples)
            at_ms = max((one.measured_at_ms for one in request.samples), default=self._clock.now_ms())
            self.publisher.publish_live(LiveReading(watch.probe.id, at_ms, values, request.reason or ""))
            watch.request, watch.next_s = None, now_s + LIVE_EVERY_S
        elif request is None and now_s >= watch.until_s:
            self._live = None
        elif request is None and now_s >= watch.next_s:
            watch.request = ReadRequest(watch.probe)
            if not self._workers_by_line[watch.probe.line].ask(watch.request):
                self._live = None  # a dock's line takes none

    def _clock_state(self, note: ClockNote) -> dict[str, object]:
        """Return what the status says of the time: whether and by whom it is confirmed, and since when it is not."""
        return {"ok": note.ok, "by": note.by, "unconfirmed_since_ms": self._unconfirmed_since_ms}

    def _health(self, note: ClockNote) -> dict[str, float]:
        with self._lock:
            heard = list(self._supply_v.values())
        supply = self.config.supply
        return node_health(
            self.config.state_dir, note.uptime_ms, supply_v=heard, supply_file=supply.file, supply_scale=supply.scale
        )

    def _update_clock(self, note: ClockNote) -> None:
        was_ok = self._clock_ok
        if note.ok:
            self._unconfirmed_since_ms = None
        elif self._unconfirmed_since_ms is None:
            since_ms = doubted_since(note, self.outbox.doubted_since_ms())
            self._unconfirmed_since_ms = note.now_ms if since_ms is None else since_ms
        self._clock_ok = note.ok  # before the dating: what a line commits meanwhile dates itself
        if note.ok and not was_ok:
            dated, told = self.outbox.redate(note)
            if dated or told:
                _log_event("clock_set", dated_again=dated, dated_by_the_server=told)
        doubt = unconfirmed_time(self._unconfirmed_since_ms, shown_time)
        self._change("clock", "set" if note.ok else doubt, note.by or None)

    def _keep(self, pending: PendingCommit) -> None:
        """Commit what a line has read; rain is known at once, so that the next slot comes in time."""
        self._note_samples(pending.samples)
        self._waiting.append(pending)
        with contextlib.suppress(OutboxDamaged):  # the agent's own thread meets it too, and begins a new one
            self._commit_waiting()

    def _note_samples(self, samples: Sequence[Sample]) -> None:
        """Take from samples what the node itself goes by: rain, and its supply."""
        with self._lock:
            for one in samples:
                heard = self._rain_channels.get(one.channel)
                if one.status is not Status.OK or one.raw is None:
                    if self._supply_v.pop(one.channel, None) is not None:
                        self._health_at = float("-inf")  # what it last said is not told as current
                    continue
                if one.channel in self._supply_channels:
                    if one.channel not in self._supply_v:
                        self._health_at = float("-inf")  # the first is news
                    self._supply_v[one.channel] = one.raw
                if heard is None:
                    continue
                if heard == "rain_total":
                    self._rain = rain_after_total(self._rain, one.channel, one.raw, one.measured_at_ms)
                else:
                    self._rain = rain_after_amount(self._rain, one.raw, one.measured_at_ms)

    @property
    def _is_refused(self) -> bool:
        """Whether the disk has refused what waits."""
        return self._states.get("disk", "ok") != "ok"

    def _commit_waiting(self) -> None:
        """Commit waiting samples, oldest first; those the disk refuses wait on, up to WAITING_READINGS."""
        with self._committing:
            if not self._clock.stands or self._is_refused:
                self._commit()
            elif self._waiting and self._clock.monotonic() - self._gathered_at >= GATHER_S:
                self._gather()
                self._gathered_at = self._clock.monotonic()

    def _gather(self) -> None:
        """Commit waiting samples with one sync, or, where there is no room for all of them, each by itself."""
        put = tuple(self._waiting)
        try:
            with self.outbox.together():
                for one in put:
                    self.outbox.put(one.samples, one.note, last_slot=(one.probe, one.slot_s), grid_s=one.grid_s)
        except OutboxFull:
            self._commit()
        else:
            for _ in put:
                self._waiting.popleft()

    def _commit(self) -> None:
        try:
            while self._waiting:
                pending = self._waiting[0]
                self.outbox.put(
                    pending.samples, pending.note, last_slot=(pending.probe, pending.slot_s), grid_s=pending.grid_s,
                    set_since=lambda: self._clock.note() if self._clock_ok else None,
                )  # fmt: skip
                self._waiting.popleft()
        except OutboxFull as full:
            while sum(len(pending.samples) for pending in list(self._waiting)) > WAITING_READINGS:
                self.unkept += len(self._waiting.popleft().samples)
            self._change("disk", str(full))
            self._change("unkept", str(self.unkept))
        else:
            self._change("disk", "ok")

    def _update_lines(self, now_ms: int) -> None:
        for name, state in self._line_states().items():
            if self._states.get(f"line {name}") != state:
                self.outbox.set_line(name, state, now_ms)
                self._change(f"line {name}", state)

    def _line_states(self) -> dict[str, str]:
        states = {worker.line.name: worker.state for worker in self.workers}
        serial = {name: states.get(name, line.state) for name, line in self.lines.items()}
        return serial | {uplink.name: uplink.state for uplink in self.uplinks}

    def _idle(self, stop: threading.Event) -> None:
        held_up = self._waiting and (self._is_refused or not self._clock.stands)
        if self._clock.follows and (held_up or self.outbox.backlog > self.config.lockstep_backlog):
            self._clock.wait(0.02, stop)  # time stands until the pipeline has caught up
            return
        if self._threads:
            self._clock.wait(PULSE_S, stop)
        else:
            pulse_ms = self._clock.now_ms() + round(PULSE_S * 1000)
            self._clock.wait_until(min((worker.next_due_ms() for worker in self.workers), default=pulse_ms), stop)

    # --- outbox --------------------------------------------------------------------------------------------------

    def _open_outbox(self) -> Outbox:
        config = self.config
        outbox, aside = open_outbox(
            config.state_dir, site=config.site, node=config.node, max_bytes=round(config.outbox.max_mb * 1024 * 1024)
        )
        if aside is not None:
            _log_event("outbox_set_aside", level=logging.ERROR, file=aside, new_outbox_id=outbox.outbox_id)
        outbox.forget_lines(json.dumps([*self.lines, *(line.name for line in config.uplink_lines)]))
        return outbox

    def _replace_outbox(self) -> None:
        with self._committing:
            self.outbox.close()
            self.outbox = self._open_outbox()
        self.publisher.use(self.outbox)

    # --- log -----------------------------------------------------------------------------------------------------

    def _change(self, what: str, state: str, reason: str | None = None) -> None:
        """Log a state, and its reason, when the state is another than before."""
        with self._lock:
            before = self._states.get(what)
            self._states[what] = state
        if before == state:
            return
        if before is None and state in ("", "0", "ok"):
            return
        bad = state not in ("", "0", "ok", "up", "set", "docked", "undocked")
        fields = {"what": what, "now": state or "over"} | ({} if reason is None else {"reason": reason})
        _log_event("change", level=logging.WARNING if bad else logging.INFO, **fields)


def make_clock(config: AgentConfig) -> Clock:
    """Return the clock that the configuration asks for."""
    if config.clock_follow is None:
        return SystemClock(trust_hardware=config.trust_hardware_clock, kept=config.state_dir)
    return FollowClock(config.clock_follow, config.node)


def run(config: AgentConfig, *, publisher_type: Callable[..., Publisher] = Publisher) -> None:
    """Run until SIGTERM or SIGINT. Raises what Agent raises."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    agent = Agent(config, make_clock(config), publisher_type=publisher_type)
    service_manager = ServiceManager()
    _log_event(
        "started", site=config.site, node=config.node, outbox_id=agent.outbox.outbox_id, backlog=agent.outbox.backlog
    )
    service_manager.tell("READY=1")
    clock, fed_at = SystemClock(), float("-inf")
    if config.clock_follow is None:  # in lock-step time stands while a line is read: one after the other
        agent.start(stop)
    try:
        while not stop.is_set():
            agent.step(stop)
            if clock.monotonic() - fed_at >= WATCHDOG_S and agent.stuck is None:
                fed_at = clock.monotonic()
                service_manager.tell("WATCHDOG=1")
    finally:
        stop.set()
        service_manager.tell("STOPPING=1")
        agent.close()
        _log_event("stopped", backlog=agent.outbox.backlog)
    if agent.crash is not None:
        raise agent.crash


def once(config: AgentConfig, *, within_s: float) -> int:
    """Read what is due, send it and the status, and return how many readings have no receipt then or `within_s` later.

    For a node that a timer wakes. After reading it takes `within_s` and the leave of broker and lines at most; what has
    no receipt stays. Raises what Agent raises.
    """
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    clock = make_clock(config)
    agent = Agent(config, clock)
    try:
        agent.read_due(stop)
        until_s = clock.monotonic() + within_s
        agent.publisher.sleeps = True
        while clock.monotonic() < until_s and not stop.is_set():
            agent.step(
                stop, reads=False
            )  # a slot that begins meanwhile is for the next wake: a sensor may take minutes
            if not agent.outbox.backlog and agent.publisher.is_told:
                break
        return agent.outbox.backlog
    finally:
        agent.close()


class ServiceManager:
    """systemd's notification socket; silent where there is none."""

    def __init__(self) -> None:
        self._address = environment("NOTIFY_SOCKET")

    def tell(self, state: str) -> None:
        """Send one state, such as `READY=1`."""
        if self._address is None:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
            sender.sendto(state.encode(), address)


def _log_event(event: str, *, level: int = logging.INFO, **fields: object) -> None:
    """Log one line: the event and its fields, quoted where they have blanks."""
    shown = (f"{key}={json.dumps(str(v)) if ' ' in str(v) or not str(v) else v}" for key, v in fields.items())
    _log.log(level, " ".join((event, *shown)))
