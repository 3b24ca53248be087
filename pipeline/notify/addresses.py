"""People's addresses: each line of the secret file is a way of its own.

The library apprise knows the many services and how their addresses are written. Mail we send ourselves, because it
makes a new Message-ID at every try and a repeat could not be told from news; an address of the web gets the message
with its `Idempotency-Key`. An address is a secret: no error, log or name shows it.
"""

from __future__ import annotations

import hashlib
import logging
import re
import smtplib
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from email.message import EmailMessage
from email.utils import format_datetime, formataddr
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from pipeline.advice.manners import Message
from pipeline.config import ConfigFault
from pipeline.notify.ways import ANSWER_CHARACTERS, REQUEST_TIMEOUT_S, HttpWay, NotifyAway, NotifyRefused, Way, not_now

MAX_ADDRESSES = 50
SERVICE = "Underturf"  # what services show as the sender, where the address names none
_SECRET_CHARACTERS = 8  # parts of an address as long as this are hidden in what a service says


@dataclass(frozen=True, slots=True)
class Letterbox:
    """Where a mail goes, and through which server; `security` is `insecure`, `starttls` or `ssl`."""

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

    def __init__(self, name: str, box: Letterbox, *, timeout_s: float = REQUEST_TIMEOUT_S) -> None:
        self.name = name
        self._box, self._timeout_s = box, timeout_s

    def deliver(self, handed: Message) -> None:
        try:
            with self._server() as server:
                if self._box.user:
                    server.login(self._box.user, self._box.password)
                server.send_message(self.letter(handed), self._box.sender[1], [self._box.recipient])
        except smtplib.SMTPRecipientsRefused as err:
            (answer,) = err.recipients.values()
            raise self._not_taken(*answer) from err
        except smtplib.SMTPResponseException as err:
            raise self._not_taken(err.smtp_code, err.smtp_error) from err
        except (smtplib.SMTPException, OSError) as err:
            raise NotifyAway(f"{self._box.host}: found {err or type(err).__name__}, expected a mail server") from err

    def letter(self, message: Message) -> EmailMessage:
        """The message as a mail: the same to the last byte however often it is made."""
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

    @contextmanager
    def _server(self) -> Iterator[smtplib.SMTP]:
        box = self._box
        safely = None if box.security == "insecure" else _encryption(verify=box.verify)
        if box.security == "ssl":
            server: smtplib.SMTP = smtplib.SMTP_SSL(box.host, box.port, timeout=self._timeout_s, context=safely)
        else:
            server = smtplib.SMTP(box.host, box.port, timeout=self._timeout_s)
        with server:
            if box.security == "starttls":
                server.starttls(context=safely)
            yield server

    def _not_taken(self, code: int, answer: bytes | str) -> NotifyAway | NotifyRefused:
        """4xx is "not now", 5xx is "no" (RFC 5321, 4.2.1)."""
        words = answer.decode(errors="replace") if isinstance(answer, bytes) else answer
        said = f"{self._box.host}: found {code} {words[:ANSWER_CHARACTERS]!r}, expected 250"
        return NotifyRefused(said) if code >= 500 else NotifyAway(said)


def _encryption(*, verify: bool) -> ssl.SSLContext:
    context = ssl.create_default_context()
    if not verify:
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    return context


class ServiceWay:
    """One address of a service that the library knows, a phone mostly. It tells no more than taken or not taken."""

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
        words = _without_secrets(" ".join(said) or "no reason given", self._address)[:ANSWER_CHARACTERS]
        status = re.search(r"error=(\d{3})\b", words)
        fault = f"{self.name}: found {words!r}, expected the service to take it"
        refused = status is not None and int(status[1]) >= 400 and not not_now(int(status[1]))
        raise (NotifyRefused if refused else NotifyAway)(fault)

    def close(self) -> None:
        """Nothing is held between two messages."""


class Address(NamedTuple):
    """A line of the file, from 1, and a way it stands for."""

    line: int
    way: Way[Message]


def people_ways(path: Path) -> list[Address]:
    """A way for each address in a file: one a line; empty lines, and those that begin with #, do not count.

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
        host = urlsplit(address).hostname
        if not host:
            raise ValueError("found no host, expected https://HOST/PATH")
        return [HttpWay(_name("web", address), address, host)]
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
        service.socket_connect_timeout = service.socket_read_timeout = REQUEST_TIMEOUT_S
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
    """A name that stays as long as the address does, and does not give it away."""
    return f"{kind}-{hashlib.sha256(address.encode()).hexdigest()[:8]}"


def _without_secrets(words: str, address: str) -> str:
    for part in re.split(r"[/:@?&=,+]+", address)[1:]:
        if len(part) >= _SECRET_CHARACTERS:
            words = words.replace(part, "...")
    return words


@contextmanager
def _library_says() -> Iterator[list[str]]:
    """Collect what the library would log: the only place where it gives a reason."""
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
