"""The embedded broker: one for this machine alone, on loopback, kept running.

A mosquitto on PATH runs as a child with a configuration made here, tied to our life and started again when it ends.
Without one, the Python broker runs in a thread of its own; asyncio lives here and nowhere else in this package. Neither
keeps anything on disk: nodes send again whatever has no receipt, receipts and states are published again on every
connection, and what is not kept cannot grow, be half written or be stale. Other machines must not reach it.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import random
import select
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

from hardware.reading import MAX_PAYLOAD_BYTES
from pipeline.errors import PipelineFault
from pipeline.run import child as tied_child
from pipeline.run.backoff import Backoff
from pipeline.run.clock import Clock
from pipeline.run.metrics import Metrics
from pipeline.site.server import BrokerConfig

log = logging.getLogger(__name__)

RESTART_FIRST_S, RESTART_MOST_S = 0.2, 15.0
READY_S = 10.0  # a broker that has not opened its port by then is ended and started again
LEAVE_S = 5.0
BROKER_POLL_S = 0.1
STEADY_S = 30.0  # a broker that ran this long was well: the next restart is quick again
MAX_INFLIGHT_MESSAGES = 32  # unacknowledged to one client; less than the ingest queue, which so never overflows
MAX_QUEUED_MESSAGES = 1000
MAX_CONNECTIONS = 256
LAST_WORDS_BYTES = 4096

MOSQUITTO_TEXT = """\
# Made anew at every start; changes here are lost.
listener {port} {host}
allow_anonymous true
persistence false
max_inflight_messages {inflight}
max_queued_messages {queued}
max_connections {connections}
set_tcp_nodelay true
message_size_limit {size}
log_dest stderr
log_type error
log_type warning
{user}"""


class BrokerAway(PipelineFault):
    """The embedded broker does not run."""


def find_mosquitto() -> Path | None:
    """Return the mosquitto of this machine, or None. Debian keeps it where a plain user's PATH does not look."""
    found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    return None if found is None else Path(found)


def mosquitto_text(host: str, port: int, user: str | None) -> str:
    """Return the whole configuration of the child.

    Parameters
    ----------
    host : str
        Loopback address.
    port : int
    user : str or None
        User to run as. Named when we are root: a change of user would cut the tie to our life.
    """
    return MOSQUITTO_TEXT.format(
        port=port,
        host="127.0.0.1" if host == "localhost" else host,
        inflight=MAX_INFLIGHT_MESSAGES,
        queued=MAX_QUEUED_MESSAGES,
        connections=MAX_CONNECTIONS,
        size=2 * MAX_PAYLOAD_BYTES,
        user="" if user is None else f"user {user}\n",
    )


class MosquittoBroker:
    """A mosquitto child.

    Parameters
    ----------
    program : Path
    config : BrokerConfig
    """

    kind = "mosquitto"

    def __init__(self, program: Path, config: BrokerConfig) -> None:
        self._program, self._config = program, config
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._child: subprocess.Popen[bytes] | None = None
        self._words = b""

    @property
    def pid(self) -> int | None:
        """Process id of the child while there is one."""
        return None if self._child is None else self._child.pid

    def start(self) -> None:
        """Start the child. The calling thread must live as long as the child: the kernel ties it to the thread."""
        self._folder = tempfile.TemporaryDirectory(prefix="underturf-broker-")
        path = Path(self._folder.name) / "mosquitto.conf"
        user = "root" if os.geteuid() == 0 else None
        path.write_text(mosquitto_text(self._config.host, self._config.port, user))
        self._words = b""
        command = [sys.executable, "-I", "-S", tied_child.__file__, str(os.getpid()), str(self._program)]
        try:
            self._child = subprocess.Popen(
                [*command, "-c", str(path)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                bufsize=0,
            )
        except OSError as err:
            self.stop()
            raise BrokerAway(f"broker {self._program}: found {err.strerror}, expected a program that starts") from err

    def fault(self) -> str | None:
        """Why it is not running, in its own last words; None while it runs. Ask often: it empties the pipe."""
        if self._child is None:
            return "not started"
        code = self._child.poll()
        self._listen()
        return None if code is None else f"mosquitto ended with {code}: {self._last_words()}"

    def stop(self) -> None:
        """End the child and wait until it is gone."""
        if self._child is not None and self._child.poll() is None:
            self._child.terminate()
            try:
                self._child.wait(LEAVE_S)
            except subprocess.TimeoutExpired:
                self._child.kill()
                self._child.wait()
        if self._child is not None and self._child.stderr is not None:
            self._child.stderr.close()
        if self._folder is not None:
            self._folder.cleanup()
        self._child = self._folder = None

    def _listen(self) -> None:
        """Keep the end of what it says, so that its pipe never fills."""
        assert self._child is not None and self._child.stderr is not None
        while select.select([self._child.stderr], [], [], 0)[0]:
            more = os.read(self._child.stderr.fileno(), 4096)
            if not more:
                return
            self._words = (self._words + more)[-LAST_WORDS_BYTES:]

    def _last_words(self) -> str:
        lines = self._words.decode(errors="replace").split("\n")
        said = [line.partition(": ")[2] or line for line in lines if line.strip()]
        return "; ".join(said[-2:]) or "it said nothing"


class PythonBroker:
    """The Python broker in a thread with its own event loop."""

    kind = "amqtt"

    def __init__(self, config: BrokerConfig) -> None:
        self._config = config
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._leave: asyncio.Event | None = None
        self._fault: str | None = "not started"

    pid = None

    def start(self) -> None:
        """Start the thread."""
        self._fault = None
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)
        self._thread.start()

    def fault(self) -> str | None:
        """Why it is not running; None while it runs."""
        return self._fault

    def stop(self) -> None:
        """End the broker and wait until its thread is gone."""
        if self._thread is None:
            return
        loop, leave = self._loop, self._leave
        if loop is not None and leave is not None:
            with contextlib.suppress(RuntimeError):  # the loop ended by itself
                loop.call_soon_threadsafe(leave.set)
        self._thread.join(LEAVE_S)
        self._thread, self._fault = None, "stopped"

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception as err:  # whatever ends it, the keeper starts it again and says why
            self._fault = f"the Python broker ended: {err.__cause__ or err}"
        else:
            self._fault = "stopped"

    async def _serve(self) -> None:
        from amqtt.broker import Broker  # a second to import, and only needed where there is no mosquitto

        logging.getLogger("amqtt").setLevel(logging.CRITICAL)  # it logs each packet and each client that goes away
        logging.getLogger("transitions").setLevel(logging.ERROR)
        self._loop, self._leave = asyncio.get_running_loop(), asyncio.Event()
        host = f"[{self._config.host}]" if ":" in self._config.host else self._config.host
        settings = {
            "listeners": {
                "default": {"type": "tcp", "bind": f"{host}:{self._config.port}", "max_connections": MAX_CONNECTIONS}
            },
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
        broker = Broker(settings)
        await broker.start()
        try:
            await self._leave.wait()
        finally:
            await broker.shutdown()


class EmbeddedBroker:
    """Keeps one broker running, with back-off between restarts.

    Parameters
    ----------
    config : BrokerConfig
        Host and port on loopback.
    metrics : Metrics
    clock : Clock
        For waits.
    mosquitto : Path or None
        The mosquitto to run; None for the Python broker.
    """

    def __init__(
        self,
        config: BrokerConfig,
        metrics: Metrics,
        clock: Clock,
        *,
        mosquitto: Path | None,
        rng: random.Random | None = None,
    ) -> None:
        self._config, self._metrics, self._clock = config, metrics, clock
        self._broker = PythonBroker(config) if mosquitto is None else MosquittoBroker(mosquitto, config)
        self._backoff = Backoff(RESTART_FIRST_S, RESTART_MOST_S, random.Random() if rng is None else rng)
        metrics.limits(
            {
                "broker_inflight_messages": MAX_INFLIGHT_MESSAGES,
                "broker_queued_messages": MAX_QUEUED_MESSAGES,
                "broker_connections": MAX_CONNECTIONS,
            }
        )
        self._started = 0
        self._since: float | None = None
        self.up = False
        self.away = "not started yet"

    @property
    def kind(self) -> str:
        """Which broker: `mosquitto` or `amqtt`."""
        return self._broker.kind

    @property
    def pid(self) -> int | None:
        """Process id of the child while there is one."""
        return self._broker.pid

    def step(self, stop: threading.Event) -> None:
        """Start it if it is not running, else look after it for a moment. All steps must come from one thread."""
        if self._since is None:
            self._start(stop)
            return
        fault = self._broker.fault()
        if fault is None:
            if self._clock.monotonic() - self._since > STEADY_S:
                self._backoff.reset()
            self._clock.wait(BROKER_POLL_S, stop)
            return
        self._ended(fault)
        self._clock.wait(self._backoff.next_s(), stop)

    def close(self) -> None:
        """End it. From the thread of the steps."""
        self._broker.stop()
        self._since, self.up, self.away = None, False, "stopped"
        self._metrics.broker_up.set(0)

    def _start(self, stop: threading.Event) -> None:
        if self._started > 0:
            self._metrics.broker_restarts.inc()
        self._started += 1
        try:
            self._refuse_taken_port()
            self._broker.start()
            self._since = self._clock.monotonic()
            self._await_port(stop)
        except BrokerAway as err:
            self._ended(str(err))
            self._clock.wait(self._backoff.next_s(), stop)

    def _await_port(self, stop: threading.Event) -> None:
        begun = self._clock.monotonic()
        while not stop.is_set():
            if (fault := self._broker.fault()) is not None:
                raise BrokerAway(f"broker: {fault}")
            if self._answers():
                log.info("broker_started kind=%s port=%d", self.kind, self._config.port)
                self.up, self.away = True, ""
                self._metrics.broker_up.set(1)
                return
            if self._clock.monotonic() - begun > READY_S:
                raise BrokerAway(f"broker: found no open port {self._config.port} within {READY_S:g} s, expected one")
            self._clock.wait(0.02, stop)

    def _answers(self) -> bool:
        try:
            socket.create_connection((self._config.host, self._config.port), timeout=1.0).close()
        except OSError:
            return False
        return True

    def _refuse_taken_port(self) -> None:
        """A stranger on our port would be taken for our own broker."""
        if self._answers():
            raise BrokerAway(
                f"broker.port: found {self._config.port} in use by another program, expected a free port. "
                'Choose another, or set broker.kind = "external" to use the broker that runs there.'
            )

    def _ended(self, reason: str) -> None:
        if self.up or reason != self.away:
            log.warning("broker_ended kind=%s reason=%s", self.kind, reason)
        self._broker.stop()
        self._since, self.up, self.away = None, False, reason
        self._metrics.broker_up.set(0)
        self._metrics.faults.labels("embedded_broker").inc()
