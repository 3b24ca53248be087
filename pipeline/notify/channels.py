"""The ways to deliver: log, webhook and MQTT for machines; for people mail, the web and services, one way an address.

Each line of the secret file is an address. The library apprise knows the many services and how their addresses are
written. Mail we send ourselves, because it makes a new Message-ID at every try and a repeat could not be told from
news; an address of the web gets the message with its `Idempotency-Key`. An address is a secret: no error, log or name
shows it.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import logging
import re
import smtplib
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from email.message import EmailMessage
from email.utils import format_datetime, formataddr
from pathlib import Path
from typing import Any, NamedTuple, Protocol, TypeVar
from urllib.parse import unquote, urlsplit

from pipeline.errors import PipelineFault
from pipeline.notify.policy import Message
from pipeline.run.clock import Clock
from pipeline.run.log import log_fields
from pipeline.run.web import BadAddress, WebFault, ask
from pipeline.site.server import NotifyConfig
from pipeline.site.settings import ConfigFault, read_secret
from pipeline.store.journal import Event

log = logging.getLogger(__name__)

DELIVERY_TIMEOUT_S = 10.0
ANSWER_CHARACTERS = 300
ANSWER_BYTES = 64_000
TRY_AGAIN_STATUS = (408, 425, 429)  # refusals that mean "not now" (RFC 9110, 6585, 8470)

_Handed = TypeVar("_Handed", contravariant=True)


class NotifyAway(PipelineFault):
    """A receiver cannot be reached, or asks to be tried later."""


class NotifyRefused(PipelineFault):
    """A receiver does not want what it is handed, and says why."""


class Way(Protocol[_Handed]):
    """One way to deliver."""

    name: str

    def deliver(self, handed: _Handed) -> None:
        """Deliver one event or message; raises NotifyAway or NotifyRefused."""

    def close(self) -> None:
        """Close the connections."""


class LogWay:
    """The log of the service."""

    name = "log"

    def deliver(self, handed: Event) -> None:
        body = handed.body
        log_fields(**{"station": str(body["station"])} if body.get("station") else {})
        log.warning("alert_%s id=%s text=%s", body.get("kind"), handed.id, body.get("text"))
        log_fields()

    def close(self) -> None:
        """Nothing is open."""


class HttpWay:
    """An HTTP receiver of events or messages: each as JSON, its id as `Idempotency-Key`.

    With a secret, `Underturf-Signature` holds `sha256=` and the HMAC-SHA256 of the body in hexadecimal.

    Parameters
    ----------
    name, address : str
        Faults show the host of the address alone: user, password, path and query may be secrets.
    secret_file : Path, optional
    timeout_s : float
        For a delivery with its answer, of which 64 kB are read. [s]
    """

    def __init__(
        self, name: str, address: str, *, secret_file: Path | None = None, timeout_s: float = DELIVERY_TIMEOUT_S
    ) -> None:
        self.name = name
        self._address, self._secret_file, self._timeout_s = address, secret_file, timeout_s
        self._shown = shown_host(address) or name

    def deliver(self, handed: Event | Message) -> None:
        body = json.dumps(_told(handed), ensure_ascii=False).encode()
        headers = {"Content-Type": "application/json", "Idempotency-Key": handed.id}
        try:
            if self._secret_file is not None:
                secret = read_secret(self._secret_file).encode()
                headers["Underturf-Signature"] = "sha256=" + hmac.new(secret, body, hashlib.sha256).hexdigest()
            answer = ask(
                "POST", self._address, within_s=self._timeout_s, max_bytes=ANSWER_BYTES, headers=headers, body=body,
                whole=False,
            )  # fmt: skip
        except BadAddress as err:
            raise NotifyRefused(f"{self._shown}: {err}") from err
        except (WebFault, OSError) as err:
            raise NotifyAway(f"{self._shown}: {err}") from err
        if 200 <= answer.status < 300:
            return
        words = without_secrets(answer.body.decode(errors="replace"), self._address)[:ANSWER_CHARACTERS]
        said = f"{self._shown}: found {answer.status} {words!r}, expected 2xx"
        raise (NotifyAway if not_now(answer.status) else NotifyRefused)(said)

    def close(self) -> None:
        """Nothing is held between two deliveries."""


def webhook_way(config: NotifyConfig, *, timeout_s: float = DELIVERY_TIMEOUT_S) -> HttpWay:
    """Return the way to the webhook of the settings."""
    assert config.webhook is not None
    return HttpWay("webhook", config.webhook, secret_file=config.webhook_secret_file, timeout_s=timeout_s)


def not_now(status: int) -> bool:
    """Return whether an HTTP status asks for another try later."""
    return status >= 500 or status in TRY_AGAIN_STATUS


class Teller(Protocol):
    """A connection that can publish to the site's broker."""

    connected: bool

    def tell(self, key: str, payload: bytes) -> threading.Event:
        """Publish once for each key; the event is set when the broker has acknowledged."""

    def told(self, key: str) -> None:
        """Forget a key."""


class MqttWay:
    """The site's own broker, QoS 1: the event as JSON on `underturf/1/SITE/alerts`."""

    name = "mqtt"

    def __init__(self, teller: Teller, clock: Clock, *, timeout_s: float = DELIVERY_TIMEOUT_S) -> None:
        self._teller, self._clock, self._timeout_s = teller, clock, timeout_s

    def deliver(self, handed: Event) -> None:
        if not self._teller.connected:
            raise NotifyAway("mqtt: found no connection to the broker, expected one")
        taken = self._teller.tell(handed.id, json.dumps(_told(handed), ensure_ascii=False).encode())
        if not self._clock.wait(self._timeout_s, taken):
            raise NotifyAway(f"mqtt: found no acknowledgement in {self._timeout_s:g} s, expected one")
        self._teller.told(handed.id)

    def close(self) -> None:
        """The connection belongs to the service."""


def _told(handed: Event | Message) -> dict[str, object]:
    """Return an event or a message as it is sent to machines; `text` of an event is its line without marks of time."""
    if isinstance(handed, Event):
        return {"id": handed.id, "at_ms": handed.at_ms, **{k: v for k, v in handed.body.items() if k != "words"}}
    words = {"subject": handed.subject, "lines": list(handed.lines), "events": list(handed.news)}
    return {"id": handed.id, "at_ms": handed.at_ms, "kind": handed.kind, **words}


MAX_ADDRESSES = 50
SERVICE = "Underturf"  # what services show as the sender, where the address names none
_SECRET_CHARACTERS = 8  # parts of an address as long as this are hidden in what a service says


@dataclass(frozen=True, slots=True)
class Letterbox:
    """The recipient of mail and the server it goes through; `security` is `insecure`, `starttls` or `ssl`."""

    host: str
    port: int
    security: str
    verify: bool
    user: str
    password: str
    sender: tuple[str, str]
    recipient: str


class MailWay:
    """One recipient by mail, over SMTP. The Message-ID is the message's id, so that a repeat is known as one."""

    def __init__(self, name: str, box: Letterbox, *, timeout_s: float = DELIVERY_TIMEOUT_S) -> None:
        self.name = name
        self._box, self._timeout_s = box, timeout_s

    def deliver(self, handed: Message) -> None:
        server = self._server()
        try:
            server.send_message(self.letter(handed), self._box.sender[1], [self._box.recipient])
        except smtplib.SMTPRecipientsRefused as err:
            (answer,) = err.recipients.values()
            raise self._not_taken(*answer) from err
        except smtplib.SMTPResponseException as err:
            raise self._not_taken(err.smtp_code, err.smtp_error) from err
        except (smtplib.SMTPException, OSError) as err:
            raise NotifyAway(f"{self._box.host}: found {err or type(err).__name__}, expected a mail server") from err
        finally:
            with suppress(smtplib.SMTPException, OSError):  # a fault of leaving changes nothing of what was taken
                server.quit()
            server.close()

    def letter(self, message: Message) -> EmailMessage:
        """Return the message as a mail: the same bytes at every try."""
        letter = EmailMessage()
        letter["From"] = formataddr(self._box.sender)
        letter["To"] = self._box.recipient
        letter["Subject"] = message.subject
        letter["Message-ID"] = f"<{message.id}@{self._box.sender[1].rpartition('@')[2]}>"
        letter["Date"] = format_datetime(datetime.fromtimestamp(message.at_ms // 1000, UTC))
        letter["Auto-Submitted"] = "auto-generated"  # keeps away-from-office answers off (RFC 3834)
        letter.set_content("\n\n".join(message.lines) + "\n")
        return letter

    def close(self) -> None:
        """Nothing is held between two mails."""

    def _server(self) -> smtplib.SMTP:
        """Return a connection that may send. A server that refuses it refuses us, not the message: it is away."""
        box = self._box
        safely = None if box.security == "insecure" else _encryption(verify=box.verify)
        server: smtplib.SMTP | None = None
        try:
            if box.security == "ssl":
                server = smtplib.SMTP_SSL(box.host, box.port, timeout=self._timeout_s, context=safely)
            else:
                server = smtplib.SMTP(box.host, box.port, timeout=self._timeout_s)
            if box.security == "starttls":
                server.starttls(context=safely)
            server.ehlo_or_helo_if_needed()
            if box.user:
                server.login(box.user, box.password)
        except (smtplib.SMTPException, OSError) as err:
            if server is not None:
                server.close()
            found: object = err or type(err).__name__
            if isinstance(err, smtplib.SMTPResponseException):
                found = _answer_text(err.smtp_code, err.smtp_error)
            raise NotifyAway(f"{box.host}: found {found}, expected a mail server that lets us in") from err
        return server

    def _not_taken(self, code: int, answer: bytes | str) -> NotifyAway | NotifyRefused:
        """4xx is "not now", 5xx is "no" (RFC 5321, 4.2.1)."""
        said = f"{self._box.host}: found {_answer_text(code, answer)}, expected 250"
        return NotifyRefused(said) if code >= 500 else NotifyAway(said)


def _answer_text(code: int, answer: bytes | str) -> str:
    words = answer.decode(errors="replace") if isinstance(answer, bytes) else answer
    return f"{code} {words[:ANSWER_CHARACTERS]!r}"


def _encryption(*, verify: bool) -> ssl.SSLContext:
    context = ssl.create_default_context()
    if not verify:
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    return context


class ServiceWay:
    """One address of a service that the library knows, a phone mostly. The library reports no more than taken or
    not."""

    def __init__(self, name: str, address: str, service: Any) -> None:
        self.name = name
        self._address, self._service = address, service

    def deliver(self, handed: Message) -> None:
        headers = getattr(self._service, "headers", None)
        if isinstance(headers, dict):  # services that are plain HTTP receivers
            headers["Idempotency-Key"] = handed.id
        with _library_says() as said:
            taken = self._service.notify(body="\n\n".join(handed.lines), title=handed.subject, body_format="text")
        if taken:
            return
        words = without_secrets(" ".join(said) or "no reason given", self._address)[:ANSWER_CHARACTERS]
        status = re.search(r"error=(\d{3})\b", words)
        fault = f"{self.name}: found {words!r}, expected the service to take it"
        refused = status is not None and int(status[1]) >= 400 and not not_now(int(status[1]))
        raise (NotifyRefused if refused else NotifyAway)(fault)

    def close(self) -> None:
        """Nothing is held between two messages."""


class Address(NamedTuple):
    """A way to people, and the line of the addresses file that it comes from, counted from 1."""

    line: int
    way: Way[Message]


def people_ways(path: Path) -> list[Address]:
    """Return a way for each address in a file: one a line; empty lines, and those that begin with #, do not count.

    Raises
    ------
    ConfigFault
        With every line that is no address, by its number, never by its words; and a file that cannot be read.
    """
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as err:
        raise ConfigFault(
            [f"{path.name}: found {type(err).__name__}, expected addresses in UTF-8, one a line"]
        ) from err
    ways: dict[str, Address] = {}
    faults = []
    for number, line in enumerate(lines, 1):
        address = line.strip()
        if not address or address.startswith("#"):
            continue
        try:
            ways |= {way.name: Address(number, way) for way in _ways(address)}
        except ValueError as err:
            faults.append(f"{path.name}: line {number}: {err}")
    if len(ways) > MAX_ADDRESSES:
        faults.append(f"{path.name}: found {len(ways)} addresses, expected at most {MAX_ADDRESSES}")
    if faults:
        raise ConfigFault(faults)
    return list(ways.values())


def _ways(address: str) -> list[Way[Message]]:
    scheme = address.partition("://")[0].lower()
    if scheme in ("http", "https"):
        if not shown_host(address):
            raise ValueError("found no host, expected https://HOST/PATH")
        return [HttpWay(_name("web", address), address)]
    from apprise import Apprise, AppriseAsset  # knows a hundred services: only loaded where one is used

    asset = AppriseAsset(
        app_id=SERVICE, app_desc=SERVICE, app_url="", async_mode=False, storage_mode="memory", allow_templates=False
    )
    with _library_says():
        service: Any = Apprise.instantiate(address, asset=asset)
    if service is None:
        known = scheme if re.fullmatch(r"[a-z0-9]{1,20}", scheme) and "://" in address else "no kind"
        raise ValueError(f"found an address of kind {known!r} that is not known or not whole, expected mailto://, ...")
    if not hasattr(service, "smtp_host"):
        service.socket_connect_timeout = service.socket_read_timeout = DELIVERY_TIMEOUT_S
        return [ServiceWay(_name(scheme, address), address, service)]
    if service.cc or service.bcc:
        raise ValueError("found cc or bcc, expected one recipient an address: each has a way of his own")
    return [_mail(service, recipient) for _, recipient in service.targets]


def _mail(service: Any, recipient: str) -> MailWay:
    name, address = service.from_addr
    box = Letterbox(
        host=service.smtp_host, port=service.port, security=service.secure_mode, verify=service.verify_certificate,
        user=service.user or "", password=service.password or "", sender=(name or SERVICE, address),
        recipient=recipient,
    )  # fmt: skip
    return MailWay(_name("mail", recipient), box)


def _name(kind: str, address: str) -> str:
    """Return a name that depends on the address and does not reveal it."""
    return f"{kind}-{hashlib.sha256(address.encode()).hexdigest()[:8]}"


def shown_host(address: str) -> str:
    """Return the host of an address, which may be shown; empty where there is none."""
    try:
        return urlsplit(address).hostname or ""
    except ValueError:
        return ""


def without_secrets(words: str, address: str) -> str:
    """Return words without those parts of an address that may be secret: user and password, and all that is long."""
    rest = address.partition("://")[2]
    user = rest.partition("/")[0].rpartition("@")[0]
    secrets = [one for one in re.split(r"[/:@?&=,+]+", rest) if len(one) >= _SECRET_CHARACTERS] + user.split(":")
    secrets += [unquote(one) for one in secrets]
    for secret in set(secrets) - {"", shown_host(address)}:
        words = words.replace(secret, "...")
    return words


@contextmanager
def _library_says() -> Iterator[list[str]]:
    """Collect what the library logs: it gives its reasons nowhere else."""
    said: list[str] = []

    class Collect(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            said.append(record.getMessage())

    logger, collect = logging.getLogger("apprise"), Collect(logging.WARNING)
    before, logger.propagate = logger.propagate, False
    logger.addHandler(collect)
    try:
        yield said
    finally:
        logger.removeHandler(collect)
        logger.propagate = before
