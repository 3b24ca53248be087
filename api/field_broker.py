"""The field broker, a mosquitto on this box for nodes elsewhere: set up by command beside the distribution's own.

Its certificate comes from the authority of the pages, so that a node trusts one authority of the box; a timer renews
it. The password of the pipeline stays root's. What there is of passwords, and of users added to the access
list, is kept when it is set up again.
"""

from __future__ import annotations

import grp
import os
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from api.broker_users import (
    ACCESS_LIST,
    PASSWORDS,
    PID_FILE,
    SETTINGS_DIR,
    access_list_text,
    set_password,
    tell_broker,
)
from api.certificate import (
    AUTHORITY_OUT,
    CertificateFacts,
    certificate_text,
    facts_at,
    folder_of,
    is_due,
    issue,
    make_certificate,
    write_whole,
)
from hardware.service_unit import InstallStep, SaidStep, unit_steps
from pipeline.site.server import BrokerConfig
from pipeline.site.settings import SiteConfig

BROKER_DIR = Path("/etc/mosquitto")
CERTIFICATE = BROKER_DIR / "certs" / "underturf.pem"  # with its key: the two are never apart
PIPELINE_USER = "pipeline"
PIPELINE_PASSWORD = Path(SETTINGS_DIR) / "pipeline.password"
PORT = 8883
ANSWER_WITHIN_S = 3.0


@dataclass(frozen=True, slots=True)
class _Act:
    """A step that is neither a text nor a command."""

    told: str
    act: Callable[[], object]

    def __str__(self) -> str:
        return self.told

    def do(self) -> None:
        self.act()


def broker_steps(config: SiteConfig, config_file: Path, program: Path, python: Path, now_ms: int) -> list[SaidStep]:
    """Return the steps that set the field broker up on this machine.

    Raises
    ------
    CannotInstall
        When the timer could not run this program or read these settings.
    """
    folder, shipped = folder_of(config), files("hardware").joinpath("mosquitto")
    made = [] if (folder / AUTHORITY_OUT).exists() else [
        _Act(f"make the authority of this box in {folder}", lambda: make_certificate(config, now_ms))
    ]  # fmt: skip
    given = [] if PIPELINE_PASSWORD.exists() else [
        _Act(f"write {PIPELINE_PASSWORD}, for root alone, and its hash to {PASSWORDS}", _give_pipeline_a_password)
    ]  # fmt: skip
    return [
        *made,
        InstallStep(
            file=BROKER_DIR / "conf.d" / "underturf.conf",
            text=shipped.joinpath("underturf.conf").read_text(encoding="utf-8"),
        ),
        InstallStep(
            file=BROKER_DIR / ACCESS_LIST,
            text=access_list_text(shipped.joinpath(ACCESS_LIST).read_text(encoding="utf-8"), BROKER_DIR / ACCESS_LIST),
        ),
        _Act(f"write {CERTIFICATE}, by the authority of this box", lambda: _write_certificate(config, now_ms)),
        *given,
        *unit_steps("underturf-broker", program, config_file, python=python),
        InstallStep(("systemctl", "enable", "mosquitto.service")),
        InstallStep(("systemctl", "restart", "mosquitto.service")),
    ]


def tables_for(config: SiteConfig) -> str:
    """Return what goes into the server's settings for the field broker."""
    return f"""\
[broker]
kind = "external"
host = "localhost"
port = {PORT}
username = "{PIPELINE_USER}"
password_file = "{PIPELINE_PASSWORD}"
ca_file = "{folder_of(config) / AUTHORITY_OUT}\""""


def renew_broker(config: SiteConfig, now_ms: int) -> str:
    """Renew the broker's certificate where that is due, and have the broker use it; return what was done.

    Raises
    ------
    NoCertificate
        Where there is none, or no authority to make another.
    OSError
        Where it cannot be written, or the broker cannot be told.
    """
    held = facts_at(CERTIFICATE)
    if not is_due(config, held, now_ms):
        return f"{CERTIFICATE}: {_about(held)}; nothing to do"
    _write_certificate(config, now_ms)
    if untold := tell_broker(PID_FILE):  # which reads its certificate anew too (mosquitto.conf(5), SIGHUP)
        raise OSError(f"{untold}: it uses the certificate of before until `systemctl restart mosquitto`")
    return f"{CERTIFICATE}: made anew, {_about(facts_at(CERTIFICATE))}"


def broker_refusal(broker: BrokerConfig, host: str | None = None) -> str:
    """Return why one who knows its authority would refuse the broker, by another name where that is given.

    Empty where he would not, and where nobody answers.
    """
    assert broker.ca_file is not None
    certificate_text(broker.ca_file)
    context = ssl.create_default_context(cafile=str(broker.ca_file))
    try:
        with (
            socket.create_connection((broker.host, broker.port), ANSWER_WITHIN_S) as plain,
            context.wrap_socket(plain, server_hostname=host or broker.host),
        ):
            return ""
    except ssl.SSLCertVerificationError as err:
        return err.verify_message
    except OSError:
        return ""


def _about(held: CertificateFacts) -> str:
    return f"good until {held.last_day} for {', '.join(held.names)}"


def _write_certificate(config: SiteConfig, now_ms: int) -> None:
    write_whole(CERTIFICATE, b"".join(issue(config, now_ms)), mode=0o640, group=_group())


def _group() -> int:
    """Return the group of the broker. Raises OSError where there is none."""
    try:
        return grp.getgrnam("mosquitto").gr_gid
    except KeyError as err:
        raise OSError("mosquitto: found no group of that name, expected the broker: apt install mosquitto") from err


def _give_pipeline_a_password() -> None:
    password = set_password(PASSWORDS, PIPELINE_USER)
    write_whole(PIPELINE_PASSWORD, password.encode() + b"\n", mode=0o600, group=os.getgid())
