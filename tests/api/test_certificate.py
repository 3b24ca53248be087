"""Pages that others reach are encrypted by a certificate of the box's own authority, or not served at all.

What a certificate is worth is asked of openssl's own verifier, and of clients that know nothing of how it was made.
"""

from __future__ import annotations

import datetime
import html
import os
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
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
from api.serve import look_after_certificate
from pipeline.run.clock import SystemClock
from pipeline.service import load_settings
from pipeline.site.settings import SiteConfig
from pipeline.units import DAY_MS
from tests.api.served import TestClient, serving
from tests.api.site import SETTINGS, Ground, MakeGround
from tests.pipeline.conftest import wait_until

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
        (folder / SERVER).write_bytes(b"".join(certificate._signed(key, authority, (names, addresses), NOW_MS)))
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
    monkeypatch.setattr(connections, "ROOM_AFTER_S", 0.0)
    with serving(ground.pipeline, context=server_context(config)) as address:
        host, _, port = address.rpartition("/")[2].rpartition(":")
        held = [socket.create_connection((host, int(port)), timeout=5) for _ in range(4)]
        assert httpx.get(f"{address}/api/v1/site", verify=client(config)).status_code == 200
        for one in held:
            with one:
                assert _ends(one)
    cut = ground.pipeline.metrics.registry.get_sample_value("underturf_pages_connections_cut_total", {"reason": "room"})
    assert cut and cut >= 1


FLOOD = """
import collections, socket, sys, time
held, ends_s = collections.deque(), time.monotonic() + 100
while time.monotonic() < ends_s:
    one = socket.socket()
    one.bind(("127.0.0.2", 0))
    one.settimeout(5)
    try:
        one.connect(("127.0.0.1", int(sys.argv[1])))
    except OSError:
        one.close()
        continue
    held.append(one)
    if len(held) > 300:
        held.popleft().close()
"""


def test_a_flood_from_one_address_keeps_no_other_out(ground: Ground) -> None:
    """One machine begins handshakes as fast as it can and does none, while a phone as slow as a bad radio link does its
    own, three times."""
    config = ground.pipeline.config
    make_certificate(config, NOW_MS)
    with serving(ground.pipeline, context=server_context(config)) as address:
        port = int(address.rpartition(":")[2])
        flood = subprocess.Popen([sys.executable, "-c", FLOOD, str(port)])
        try:
            wait_until(lambda: _cut_for_room(ground) > 100, "the flood is at its bound", 30)
            before, began = _cut_for_room(ground), time.monotonic()
            came = [_slow_request(port, client(config)) for _ in range(3)]
            took_s = time.monotonic() - began
        finally:
            flood.kill()
            flood.wait(10)
    rate = (_cut_for_room(ground) - before) / took_s
    print(f"{rate:.0f} a second refused beside it; slow phone: {sum(came)} of 3 answered, in {took_s / 3:.1f} s each")
    assert all(came)


@pytest.mark.parametrize("apart", [True, False], ids=["by address", "of all together"])
def test_handshakes_are_bounded_by_address(ground: Ground, monkeypatch: pytest.MonkeyPatch, *, apart: bool) -> None:
    """As many as one address may have begun, none of them done: it gets no more in, and another does. Counted together,
    the control, the other is refused too."""
    if not apart:
        monkeypatch.setattr(connections, "_whose", lambda _: "anybody")
    monkeypatch.setattr(connections, "ROOM_AFTER_S", 60.0)
    config = ground.pipeline.config
    make_certificate(config, NOW_MS)
    with serving(ground.pipeline, context=server_context(config)) as address, ExitStack() as held:
        here = ("127.0.0.1", int(address.rpartition(":")[2]))
        for _ in range(connections.MOST_OF_AN_ADDRESS):
            held.enter_context(socket.create_connection(here, source_address=("127.0.0.2", 0)))
        assert _ends(held.enter_context(socket.create_connection(here, timeout=10, source_address=("127.0.0.2", 0))))
        assert _slow_request(here[1], client(config)) is apart


def _cut_for_room(ground: Ground) -> float:
    name = "underturf_pages_connections_cut_total"
    return ground.pipeline.metrics.registry.get_sample_value(name, {"reason": "room"}) or 0.0


def _slow_request(port: int, context: ssl.SSLContext) -> bool:
    """Ask for a page from 127.0.0.3, 0.2 s before each answer of a handshake; whether it came."""
    comes, goes = ssl.MemoryBIO(), ssl.MemoryBIO()
    tls = context.wrap_bio(comes, goes, server_hostname="localhost")
    with socket.create_connection(("127.0.0.1", port), timeout=20, source_address=("127.0.0.3", 0)) as plain:
        try:
            while True:
                try:
                    tls.do_handshake()
                    break
                except ssl.SSLWantReadError:
                    time.sleep(0.2)
                    plain.sendall(goes.read())
                    comes.write(plain.recv(1 << 16))
            tls.write(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
            plain.sendall(goes.read())
            while part := plain.recv(1 << 16):
                comes.write(part)
            return tls.read().startswith(b"HTTP/1.1 200")
        except (ConnectionError, ssl.SSLError):
            return False


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


def test_check_says_what_a_browser_would_refuse(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A name of the settings, and one of the box, that came later are warned of, by what each needs: another
    certificate, or another authority. A certificate that has ended is a fault."""
    settings, open_to_all = str(tmp_path / "underturf.toml"), SETTINGS + '[pages]\nhost = "0.0.0.0"\n'
    make_certificate(config_at(tmp_path, open_to_all), NOW_MS)
    assert main(["check", "--config", settings]) == 0
    assert "not for" not in capsys.readouterr().err
    config_at(tmp_path, open_to_all + 'address = "https://turf.example.org"\n')
    monkeypatch.setattr(certificate, "own_addresses", lambda: {certificate.ipaddress.ip_address("10.1.2.3")})
    assert main(["check", "--config", settings]) == 0
    said = capsys.readouterr().err.splitlines()
    (name,), (address,) = ([line for line in said if f"not for {one}" in line] for one in ("turf.example", "10.1.2.3"))
    assert "--new-authority" in name and "--new-authority" not in address and "underturf certificate" in address
    make_certificate(config_at(tmp_path, open_to_all), NOW_MS - (SERVER_D + 1) * DAY_MS, new_authority=True)
    assert main(["check", "--config", settings]) == 1
    assert "ended on" in capsys.readouterr().err


def test_the_end_of_the_authority_is_told_a_year_before(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With its day and what to do; the certificate ends with it, and is not made anew each minute of its last weeks."""
    day, settings = DAY_MS, str(tmp_path / "underturf.toml")
    config = config_at(tmp_path, SETTINGS + '[pages]\nhost = "0.0.0.0"\n')

    def said(days_left: int) -> str:
        make_certificate(config, NOW_MS - (certificate.AUTHORITY_D - days_left) * day, new_authority=True)
        certificate.renew_when_due(config, NOW_MS)
        assert main(["check", "--config", settings]) == (0 if days_left > 0 else 1)
        return capsys.readouterr().err

    assert "authority" not in said(366)
    last = datetime.datetime.fromtimestamp(NOW_MS / 1000 + 30 * 86_400, datetime.UTC)
    text = said(30)
    assert f"authority of this box ends on {last:%Y-%m-%d}" in text and "--new-authority" in text
    assert server_facts(config).until_ms == authority_facts(config).until_ms
    assert not certificate.renew_when_due(config, NOW_MS)
    assert "ended on" in said(-1)


def test_a_certificate_that_is_not_renewed_stands_on_the_pages_and_in_health(ground: Ground) -> None:
    """The reason, its last day and the way out, until it has been renewed; a night too late is no news."""
    config, pipeline = ground.pipeline.config, ground.pipeline
    make_certificate(config, pipeline.clock.now_ms() - 160 * DAY_MS)
    make_certificate(config, pipeline.clock.now_ms() - 141 * DAY_MS)  # 59 days are left
    context, folder = server_context(config), certificate.folder_of(config)
    asked = TestClient(create_app(pipeline))
    (folder / AUTHORITY).rename(folder / "aside")
    assert look_after_certificate(pipeline, context, 0)[1] == []
    make_aside(config, pipeline.clock.now_ms() - 151 * DAY_MS)
    _, (line,) = look_after_certificate(pipeline, context, 0)
    last = server_facts(config).until_ms
    assert f"ends on {datetime.datetime.fromtimestamp(last / 1000, datetime.UTC):%Y-%m-%d}" in line
    assert "underturf certificate" in line
    page = html.unescape(asked.get("/trust").text)
    assert line in page and f"pages: {line}" in asked.get("/healthz").json()["reasons"]
    (folder / AUTHORITY).write_text("no key")
    _, lines = look_after_certificate(pipeline, context, 0)
    assert "could not be looked after" in lines[0] and str(folder / AUTHORITY) in lines[0] and lines[1:] == [line]
    (folder / "aside").rename(folder / AUTHORITY)
    assert look_after_certificate(pipeline, context, 0)[1] == []
    assert "The certificate of the pages" not in asked.get("/trust").text


def make_aside(config: SiteConfig, at_ms: int) -> None:
    """Make a certificate of another moment while the authority's key is put aside; it stays aside."""
    folder = certificate.folder_of(config)
    (folder / "aside").rename(folder / AUTHORITY)
    make_certificate(config, at_ms)
    (folder / AUTHORITY).rename(folder / "aside")


@pytest.mark.skipif(os.geteuid() != 0, reason="only root gives files away")
def test_root_gives_no_file_away_beside_those_it_has_made(tmp_path: Path) -> None:
    """The folder is the service's: names that it swaps for links to root's files lead nowhere, and what root makes in
    the folder is the service's, whole, with nothing left over."""
    config = config_at(tmp_path)
    config.data.dir.mkdir()
    os.chown(config.data.dir, 12345, 12345)
    make_certificate(config, NOW_MS)
    folder, mine = certificate.folder_of(config), tmp_path / "mine"
    assert {one.stat().st_uid for one in (folder, *folder.iterdir())} == {12345}
    mine.write_text("root's")
    (folder / SERVER).unlink()
    (folder / SERVER).symlink_to(mine)
    (folder / "server.part").symlink_to(mine)
    make_certificate(config, NOW_MS)
    assert (mine.read_text(), mine.stat().st_uid) == ("root's", 0)
    assert not (folder / SERVER).is_symlink() and (folder / SERVER).stat().st_uid == 12345
    assert sorted(one.name for one in folder.iterdir()) == [AUTHORITY_OUT, AUTHORITY, "server.part", SERVER]
    (tmp_path / "etc").mkdir()
    folder.rename(tmp_path / "away")
    folder.symlink_to(tmp_path / "etc")
    with pytest.raises(OSError, match="certificate"):
        make_certificate(config, NOW_MS)
    assert (tmp_path / "etc").stat().st_uid == 0 and not list((tmp_path / "etc").iterdir())


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
