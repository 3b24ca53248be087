"""Pages that others reach are encrypted by a certificate of the box's own authority, or not served at all.

What a certificate is worth is asked of openssl's own verifier, and of clients that know nothing of how it was made.
"""

from __future__ import annotations

import socket
import ssl
import subprocess
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest
from cryptography import x509
from fastapi import Request

from api import certificate, connections
from api.access import NEEDS, Access
from api.app import create_app
from api.certificate import (
    AUTHORITY,
    AUTHORITY_OUT,
    SERVER,
    SERVER_D,
    NoCertificate,
    authority_facts,
    keep_certificate,
    make_certificate,
    own_addresses,
    server_context,
    server_facts,
)
from api.command import main
from api.connections import BoundedConnection
from pipeline.run.clock import SystemClock
from pipeline.service import load_settings
from pipeline.site.settings import SiteConfig
from pipeline.units import DAY_MS
from tests.api.served import TestClient, serving
from tests.api.site import SETTINGS, Ground, MakeGround

NAMED = SETTINGS + '[pages]\nallowed_hosts = ["turf.example.org"]\n'
NOW_MS = SystemClock().now_ms()


def config_at(folder: Path, text: str = NAMED) -> SiteConfig:
    (folder / "underturf.toml").write_text(text)
    return load_settings(folder / "underturf.toml")


@pytest.fixture
def config(tmp_path: Path) -> SiteConfig:
    """Settings with a name, and a certificate made for them."""
    found = config_at(tmp_path)
    make_certificate(found, NOW_MS)
    return found


@pytest.fixture
def verified(config: SiteConfig, need_program: Callable[[str], str]) -> Callable[..., str]:
    """What `openssl verify` says of the server's certificate for a purpose of a server; empty where it is good."""

    own = certificate.folder_of(config) / AUTHORITY_OUT

    def ask(*options: str, authority: Path = own) -> str:
        command = [
            need_program("openssl"),
            "verify",
            "-x509_strict",
            "-purpose",
            "sslserver",
            "-CAfile",
            str(authority),
        ]
        server = str(certificate.folder_of(config) / SERVER)
        done = subprocess.run([*command, *options, server], capture_output=True, text=True, check=False)
        return "" if done.returncode == 0 else done.stderr

    return ask


def client(config: SiteConfig) -> ssl.SSLContext:
    """A client that trusts the authority alone."""
    return ssl.create_default_context(cafile=str(certificate.folder_of(config) / AUTHORITY_OUT))


def shake(address: str, context: ssl.SSLContext, name: str = "localhost") -> bytes:
    """Connect and shake hands; return the certificate that was shown."""
    host, _, port = address.rpartition("/")[2].rpartition(":")
    with (
        socket.create_connection((host, int(port)), timeout=10) as plain,
        context.wrap_socket(plain, server_hostname=name) as connection,
    ):
        return connection.getpeercert(binary_form=True) or b""


# --- the certificate by itself -----------------------------------------------------------------------------------


def test_openssl_finds_the_certificate_good_for_its_names(verified: Callable[..., str]) -> None:
    """Every name and address of this machine, by the strict rules of RFC 5280."""
    assert verified() == ""
    for name in ("localhost", "turf.example.org", socket.gethostname().lower()):
        assert verified("-verify_hostname", name) == ""
    for address in own_addresses():
        assert verified("-verify_ip", str(address)) == ""


def test_openssl_refuses_another_name_time_and_authority(verified: Callable[..., str], tmp_path: Path) -> None:
    """A name it is not for, a day after its end and before its beginning, and an authority that did not make it."""
    assert "hostname mismatch" in verified("-verify_hostname", "evil.example")
    assert "IP address mismatch" in verified("-verify_ip", "203.0.113.9")
    assert "expired" in verified("-attime", str(NOW_MS // 1000 + (SERVER_D + 1) * 86_400))
    assert "not yet valid" in verified("-attime", str(NOW_MS // 1000 - 3 * 86_400))
    (tmp_path / "other").mkdir()
    other = config_at(tmp_path / "other")
    make_certificate(other, NOW_MS)
    assert verified(authority=certificate.folder_of(other) / AUTHORITY_OUT) != ""


def test_a_stolen_authority_cannot_pass_for_another_site(config: SiteConfig, verified: Callable[..., str]) -> None:
    """Signed by its own key, a certificate for a foreign name or a public address is refused (RFC 5280, 4.2.1.10)."""
    folder = certificate.folder_of(config)
    key, authority = certificate._read(folder / AUTHORITY)
    for names, addresses in ((["bank.example"], []), ([], [certificate.ipaddress.ip_address("203.0.113.9")])):
        certificate._new_server(folder, key, authority, (names, addresses), NOW_MS)
        assert "permitted subtree violation" in verified()


def test_keys_are_for_the_owner_alone(config: SiteConfig) -> None:
    """No other user of the box reads them, and nothing of the making is left."""
    folder = certificate.folder_of(config)
    assert sorted(file.name for file in folder.iterdir()) == [AUTHORITY_OUT, AUTHORITY, SERVER]
    modes = {file.name: file.stat().st_mode & 0o777 for file in folder.iterdir()}
    assert modes == {AUTHORITY: 0o600, SERVER: 0o600, AUTHORITY_OUT: 0o644}
    assert b"PRIVATE" not in (folder / AUTHORITY_OUT).read_bytes()


def test_another_certificate_keeps_the_authority_and_a_new_name_asks_for_one(
    config: SiteConfig, tmp_path: Path
) -> None:
    """Phones go on trusting; a name that the authority may not vouch for is refused with what it costs."""
    before = authority_facts(config).fingerprint
    make_certificate(config, NOW_MS)
    assert authority_facts(config).fingerprint == before
    more = config_at(tmp_path, NAMED.replace('"turf', '"mower.example.org", "turf'))
    with pytest.raises(NoCertificate, match=r"mower\.example\.org.*--new-authority.*every phone"):
        make_certificate(more, NOW_MS)
    make_certificate(more, NOW_MS, new_authority=True)
    assert authority_facts(more).fingerprint != before and "mower.example.org" in server_facts(more).names


# --- in use ------------------------------------------------------------------------------------------------------


@pytest.fixture
def ground(make_ground: MakeGround) -> Ground:
    return make_ground(settings=NAMED)


def test_pages_are_served_to_who_trusts_the_authority(ground: Ground) -> None:
    """By TLS 1.2 and 1.3; by another name, or not knowing the authority, the client refuses."""
    config = ground.pipeline.config
    make_certificate(config, NOW_MS)
    with serving(ground.pipeline, context=server_context(config)) as address:
        assert httpx.get(f"{address}/", verify=client(config)).status_code == 200
        for version in (ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3):
            only = client(config)
            only.minimum_version = only.maximum_version = version
            assert shake(address, only, "turf.example.org")
        with pytest.raises(ssl.SSLCertVerificationError, match="Hostname mismatch"):
            shake(address, client(config), "evil.example")
        with pytest.raises(ssl.SSLCertVerificationError, match="certificate verify failed"):
            shake(address, ssl.create_default_context())


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion:DeprecationWarning")
@pytest.mark.parametrize("floor", [True, False])
def test_tls_before_1_2_is_refused(ground: Ground, *, floor: bool) -> None:
    """A client of TLS 1.1 gets nowhere; with the floor taken away, the control, it does."""
    config = ground.pipeline.config
    make_certificate(config, NOW_MS)
    context, old = server_context(config), client(config)
    old.minimum_version, old.maximum_version = ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1
    for one in (context, old):
        one.set_ciphers("DEFAULT@SECLEVEL=0")  # else the library would refuse it by its ciphers
    if not floor:
        context.minimum_version = ssl.TLSVersion.TLSv1
    with serving(ground.pipeline, context=context) as address:
        if floor:
            with pytest.raises(ssl.SSLError):
                shake(address, old)
        else:
            assert shake(address, old)


def test_an_ended_certificate_is_refused(ground: Ground) -> None:
    """By the client, with the reason that the page on trust explains."""
    config = ground.pipeline.config
    make_certificate(config, NOW_MS - (SERVER_D + 1) * DAY_MS)
    with (
        serving(ground.pipeline, context=server_context(config)) as address,
        pytest.raises(ssl.SSLCertVerificationError, match="expired"),
    ):
        shake(address, client(config))


def test_a_renewed_certificate_is_used_without_a_restart(ground: Ground) -> None:
    """Left alone while it is young, made anew in its last sixty days, and shown to who connects from then on."""
    config = ground.pipeline.config
    make_certificate(config, NOW_MS - 150 * DAY_MS)
    context = server_context(config)
    held = keep_certificate(config, context, NOW_MS - 20 * DAY_MS, 0)
    with serving(ground.pipeline, context=context) as address:
        before = shake(address, client(config))
        assert keep_certificate(config, context, NOW_MS - 11 * DAY_MS, held) == held
        assert shake(address, client(config)) == before
        assert keep_certificate(config, context, NOW_MS, held) != held
        after = x509.load_der_x509_certificate(shake(address, client(config)))
    assert round(after.not_valid_after_utc.timestamp() * 1000) - NOW_MS > 199 * DAY_MS


def test_who_asks_in_the_clear_is_told_of_https(ground: Ground) -> None:
    """A word in place of a broken connection, and nothing of the pages."""
    config = ground.pipeline.config
    make_certificate(config, NOW_MS)
    with serving(ground.pipeline, context=server_context(config)) as address:
        answer = httpx.get(address.replace("https", "http"))
    assert answer.status_code == 400 and "https://" in answer.text and config.site.title not in answer.text


def test_a_handshake_has_a_deadline_and_bounds(ground: Ground, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who connects and never encrypts is ended after the time of a head, or at once when too many are like it."""
    config = ground.pipeline.config
    make_certificate(config, NOW_MS)
    monkeypatch.setattr(connections, "HEAD_WITHIN_S", 1.0)
    monkeypatch.setattr(connections, "MOST_OF_AN_ADDRESS", 3)
    with serving(ground.pipeline, context=server_context(config)) as address:
        host, _, port = address.rpartition("/")[2].rpartition(":")
        held = [socket.create_connection((host, int(port)), timeout=5) for _ in range(4)]
        assert httpx.get(f"{address}/api/v1/site", verify=client(config)).status_code == 200
        for one in held:
            with one:
                assert _ends(one)
    cut = ground.pipeline.metrics.registry.get_sample_value("underturf_pages_connections_cut_total", {"reason": "room"})
    assert cut and cut >= 1


def _ends(connection: socket.socket) -> bool:
    try:
        return connection.recv(1) == b""
    except ConnectionResetError:
        return True


# --- refused in the clear ----------------------------------------------------------------------------------------


def test_pages_that_others_reach_are_not_served_in_the_clear(
    tmp_path: Path, free_port: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """`serve` and `check` end with 1 and the three ways out, before a data folder is made; `certificate` is one."""
    settings = str(tmp_path / "underturf.toml")
    config_at(tmp_path, f'{SETTINGS}[pages]\nhost = "0.0.0.0"\nport = {free_port}\n')
    for command in ("serve", "check"):
        assert main([command, "--config", settings]) == 1
        said = capsys.readouterr().err
        for way in ("`underturf certificate`", "pages.proxy", "127.0.0.1"):
            assert way in said, command
    assert not (tmp_path / "data").exists()
    assert main(["certificate", "--config", settings]) == 0
    digits = authority_facts(load_settings(Path(settings))).fingerprint
    assert digits in capsys.readouterr().out
    assert main(["check", "--config", settings]) == 0
    assert digits in capsys.readouterr().out


def test_check_says_what_a_browser_would_refuse(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A name that came later is warned of, a certificate that has ended is a fault."""
    settings, open_to_all = str(tmp_path / "underturf.toml"), SETTINGS + '[pages]\nhost = "0.0.0.0"\n'
    make_certificate(config_at(tmp_path, open_to_all), NOW_MS)
    config_at(tmp_path, open_to_all + 'address = "https://turf.example.org"\n')
    assert main(["check", "--config", settings]) == 0
    assert "not for turf.example.org" in capsys.readouterr().err
    make_certificate(config_at(tmp_path, open_to_all), NOW_MS - (SERVER_D + 1) * DAY_MS, new_authority=True)
    assert main(["check", "--config", settings]) == 1
    assert "ended on" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("other", "allowed"),
    [("192.168.1.5", True), ("::ffff:192.168.1.5", True), ("127.0.0.1", True), ("192.168.1.2", True),
     ("192.168.1.6", False), ("2001:db8::1", False)],
)  # fmt: skip
def test_only_a_named_proxy_connects_in_the_clear(other: str, *, allowed: bool) -> None:
    """Beside the machine itself, by loopback or by its own address."""
    connection = BoundedConnection.__new__(BoundedConnection)
    connection.client, connection.server = (other, 50_000), ("192.168.1.2", 8420)
    assert connection._is_allowed("192.168.1.5") is allowed


def test_a_stranger_beside_a_proxy_is_not_heard(make_ground: MakeGround, monkeypatch: pytest.MonkeyPatch) -> None:
    """His request comes in one piece with the end of the handshake: it is refused, and nothing of it is done."""
    ground = make_ground(settings=NAMED + 'host = "0.0.0.0"\nproxy = "192.0.2.1"\n')
    config = ground.pipeline.config
    make_certificate(config, NOW_MS)
    monkeypatch.setattr(BoundedConnection, "_is_allowed", lambda *_: False)
    app, asked = create_app(ground.pipeline), list[str]()
    app.get("/asked")(lambda: asked.append("asked"))
    comes, goes = ssl.MemoryBIO(), ssl.MemoryBIO()
    tls = client(config).wrap_bio(comes, goes, server_hostname="localhost")
    with serving(ground.pipeline, app=app, context=server_context(config)) as address:
        host, _, port = address.rpartition("/")[2].rpartition(":")
        with socket.create_connection((host, int(port)), timeout=10) as plain:
            while True:
                try:
                    tls.do_handshake()
                    break
                except ssl.SSLWantReadError:
                    plain.sendall(goes.read())
                    comes.write(plain.recv(1 << 16))
            tls.write(b"GET /asked HTTP/1.1\r\nHost: localhost\r\n\r\n")
            plain.sendall(goes.read())
            while part := plain.recv(1 << 16):
                comes.write(part)
        answer = tls.read()
    assert answer.startswith(b"HTTP/1.1 403") and asked == []


@pytest.mark.parametrize(("more", "believed"), [("", False), ('proxy = "127.0.0.1"\n', True)])
def test_forwarded_headers_are_believed_of_a_named_proxy_alone(
    make_ground: MakeGround, monkeypatch: pytest.MonkeyPatch, more: str, *, believed: bool
) -> None:
    """Who asks, and by which scheme, is what the connection says unless the settings name its other end."""
    monkeypatch.setitem(NEEDS, "GET /who", Access.ANYONE)  # type: ignore[misc]
    ground = make_ground(settings=NAMED + more)
    app = create_app(ground.pipeline)

    @app.get("/who")
    def who(request: Request) -> list[str]:
        return [request.client.host if request.client else "", request.url.scheme]

    with serving(ground.pipeline, app=app) as address:
        headers = {"X-Forwarded-For": "192.0.2.7", "X-Forwarded-Proto": "https"}
        told = httpx.get(f"{address}/who", headers=headers).json()
    assert told == (["192.0.2.7", "https"] if believed else ["127.0.0.1", "http"])


# --- the page ----------------------------------------------------------------------------------------------------


def test_the_page_on_trust_has_the_digits_and_the_authority(ground: Ground) -> None:
    """Without a certificate it says what to do; with one, its file is what openssl and the command know."""
    asked = TestClient(create_app(ground.pipeline))
    assert "underturf certificate" in asked.get("/trust").text
    assert asked.get("/trust/authority.crt").status_code == 404
    make_certificate(ground.pipeline.config, NOW_MS)
    shown, file = asked.get("/trust").text.replace("<wbr>", ""), asked.get("/trust/authority.crt")
    digits = authority_facts(ground.pipeline.config).fingerprint
    assert digits in shown and "turf.example.org" in shown
    assert file.headers["content-type"] == "application/x-x509-ca-cert" and b"PRIVATE" not in file.content
    assert certificate.facts_of(x509.load_pem_x509_certificate(file.content)).fingerprint == digits
