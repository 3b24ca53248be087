"""Who is answered and let write, by the headers of a request: host, origin, and what browsers may do with an answer."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from api.app import create_app
from api.command import main
from tests.api.served import TestClient, api_routes
from tests.api.site import SETTINGS, MakeGround

OWN = [
    "127.0.0.1:8420", "127.0.0.1", "localhost:8420", "[::1]:8420", "192.168.1.20:8420", "LOCALHOST.",
    "turf.example.org",
]  # fmt: skip
# Names that whoever owns them can point to this machine at any time (DNS rebinding), and what is no host at all.
FOREIGN = [
    "evil.example", "evil.example:8420", "127.0.0.1.evil.example", "localhost.evil.example", "localhost@evil.example",
    "evil.example@127.0.0.1", "0x7f000001", "", "[::1", "127.0.0.1:8420, evil.example",
    "turf.example.org\\@evil.example", "turf.example.org.evil.example",
]  # fmt: skip
NAMED = SETTINGS + '[pages]\nallowed_hosts = ["turf.example.org"]\n'


@pytest.fixture
def named(make_ground: MakeGround) -> TestClient:
    """The application with a name of its own in the settings."""
    return TestClient(create_app(make_ground(settings=NAMED).pipeline), raise_server_exceptions=False)


@pytest.mark.parametrize("host", OWN)
def test_a_name_of_this_server_is_answered(named: TestClient, host: str) -> None:
    """Addresses in digits, the machine's own names and those of the settings, with or without a port."""
    assert named.get("/healthz", headers={"host": host}).status_code == 200


def test_the_name_of_the_machine_is_answered(named: TestClient) -> None:
    """As a phone on the same network asks for it, by mDNS too (RFC 6762)."""
    name = socket.gethostname()
    for host in (name, f"{name.partition('.')[0]}.local:8420"):
        assert named.get("/readyz", headers={"host": host}).status_code in (200, 503)


@pytest.mark.parametrize("host", FOREIGN)
def test_another_name_is_refused_whatever_is_asked(named: TestClient, host: str) -> None:
    """421 with the setting to change, before anything is read or written."""
    for path in ("/", "/api/v1/site", "/metrics", "/healthz", "/static/base.css", "/openapi.json", "/api/v1/live"):
        answer = named.get(path, headers={"host": host})
        assert answer.status_code == 421, path
        assert "pages.allowed_hosts" in answer.json()["detail"]
    entry = {"kind": "note", "surface": "square", "body": {"text": "x"}}
    sent = {"host": host, "origin": f"http://{host}", "sec-fetch-site": "same-origin"}
    assert named.post("/api/v1/diary", json=entry, headers=sent).status_code == 421
    assert named.get("/api/v1/diary").json()["entries"] == []


def test_two_hosts_in_one_request_are_refused(served: str) -> None:
    """RFC 9112, section 3.2: a server must refuse more than one, and none."""
    host, _, port = served.rpartition("/")[2].rpartition(":")
    for heads in (b"Host: localhost\r\nHost: evil.example\r\n", b""):
        with socket.create_connection((host, int(port)), timeout=10) as connection:
            connection.sendall(b"GET /api/v1/site HTTP/1.1\r\n" + heads + b"\r\n")
            assert connection.recv(12) == b"HTTP/1.1 400"


# host, then origin, then Sec-Fetch-Site, then whether it may write
WRITES = [
    ("localhost", "http://localhost", "same-origin", True),
    ("localhost", "http://localhost", None, True),
    ("localhost", None, None, True),  # no browser
    ("localhost:8420", "http://localhost:8420", None, True),
    ("localhost:8420", "http://localhost:9000", None, False),  # another service of this machine
    ("localhost:8420", "http://localhost:9000", "same-site", False),
    ("127.0.0.1:8420", "https://turf.example.org", "same-origin", True),  # a proxy that tells us another host
    ("127.0.0.1:8420", "https://turf.example.org", None, True),
    (
        "127.0.0.1:8420",
        "https://evil.example",
        "same-origin",
        False,
    ),  # such a proxy, by a name not its own
    ("127.0.0.1:8420", "https://evil.example", None, False),
    ("127.0.0.1:8420", "null", "same-origin", False),  # a frame in a sandbox
    ("127.0.0.1:8420", "null", None, False),
    ("localhost", "http://localhost", "cross-site", False),
]


@pytest.mark.parametrize(("host", "origin", "fetched", "good"), WRITES, ids=str)
def test_only_our_own_pages_write(named: TestClient, host: str, origin: str, fetched: str, *, good: bool) -> None:
    """The origin has to be a name of this server, and where the browser says of which site it is, its own."""
    told = {"host": host, "origin": origin, "sec-fetch-site": fetched}
    headers = {key: value for key, value in told.items() if value is not None}
    entry = {"kind": "note", "surface": "square", "body": {"text": "x"}}
    answer = named.post("/api/v1/diary", json=entry, headers=headers)
    assert (answer.status_code == 201) is good, answer.text
    assert answer.status_code in (201, 403)


def test_no_answer_lets_another_site_read_it_or_leaves_a_cookie(named: TestClient) -> None:
    """Without CORS headers a browser keeps answers from other sites (Fetch standard); preflight is not answered."""
    seen = 0
    for route in api_routes(named.app.routes):  # type: ignore[attr-defined]
        path = route.path.replace("{name}", "s1").replace("{entry_id}", "1").replace("{alert_id}", "x")
        if "GET" not in route.methods or path == "/api/v1/live":
            continue
        answer = named.get(path, headers={"origin": "https://evil.example"})
        assert not [key for key in answer.headers if key.startswith("access-control-") or key == "set-cookie"], path
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert answer.headers["referrer-policy"] == "same-origin"
        seen += 1
    assert seen >= 25
    asked = {"origin": "https://evil.example", "access-control-request-method": "POST"}
    answer = named.options("/api/v1/diary", headers=asked)
    assert answer.status_code == 405 and not [k for k in answer.headers if k.startswith("access-control-")]


@pytest.mark.parametrize("name", ["*", "https://turf.example.org", "turf.example.org:8420", "Turf.example.org", "a b"])
def test_a_name_in_the_settings_that_is_none_is_named(
    tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """No pattern, address, port or capitals: each would never fit a host, or fit any."""
    (tmp_path / "underturf.toml").write_text(f'{SETTINGS}[pages]\nallowed_hosts = ["{name}"]\n')
    assert main(["check", "--config", str(tmp_path / "underturf.toml")]) == 2
    said = capsys.readouterr()
    assert "pages.allowed_hosts: found" in said.out + said.err
