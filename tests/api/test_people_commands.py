"""The commands for people, tokens, links and the audit log, beside a running server, and what they change in it."""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

import httpx
import pytest

from api.app import create_app
from api.command import main
from api.people import note_settings, outward_address
from api.who import SESSION_COOKIE
from pipeline.run.clock import SystemClock
from pipeline.service import Pipeline, load_settings
from pipeline.site.server import PagesConfig
from tests.api.served import from_afar, serving
from tests.api.site import SETTINGS, MakeGround, ground_at

PASSWORD = "three words apart"
OWN = {"Sec-Fetch-Site": "same-origin", "Accept": "text/html"}


class Box:
    """A box with its settings and a pipeline that runs on them; commands are given beside it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str], settings: str = SETTINGS) -> None:
        self.ground = ground_at(folder, settings, 0)
        self.ground.clock.wall_ms = _now_ms()
        self._file, self._capsys = folder / "underturf.toml", capsys

    def run(self, *words: str, code: int = 0, fed: str | None = None) -> str:
        """Give a command; returns what it printed."""
        self._capsys.readouterr()
        with pytest.MonkeyPatch.context() as patch:
            if fed is not None:
                patch.setattr(sys, "stdin", io.StringIO(fed))
            assert main([*words, "--config", str(self._file)]) == code
        said = self._capsys.readouterr()
        return said.err if code else said.out


def _now_ms() -> int:
    return SystemClock().now_ms()


@pytest.fixture
def box(tmp_path: Path, capsys: pytest.CaptureFixture[str]):  # type: ignore[no-untyped-def]
    made = Box(tmp_path, capsys)
    yield made
    made.ground.pipeline.stop()


def test_the_first_person_is_made_and_chooses_a_password(box: Box) -> None:
    """The address that `add` prints leads to a session; what others may not, a head may then."""
    app = create_app(box.ground.pipeline)
    assert box.run("person", "list") == "nobody can sign in\n"
    said = box.run("person", "add", "Ann", "--role", "head")
    address = said.splitlines()[-1]
    assert re.fullmatch(r"http://127\.0\.0\.1:8420/invitation/[\w-]{43}", address) and "seven days" in said
    assert box.run("person", "list") == "Ann: head, invited\n"
    client = from_afar(app)
    path = "/invitation/" + address.rpartition("/")[2]
    assert client.post(path, data={"password": PASSWORD, "again": PASSWORD}, headers=OWN).status_code == 303
    assert client.get("/work", headers=OWN).status_code == 200
    assert box.run("person", "list") == "Ann: head\n"
    assert box.run("person", "role", "ann", "--role", "reader") == "Ann is reader now\n"
    assert client.post("/ground/place", headers=OWN, data={}).status_code == 403
    assert box.run("person", "remove", "Ann") == "Ann is out, sessions too\n"
    assert client.get("/work", headers=OWN).status_code == 401


def test_a_password_is_set_on_the_box(box: Box) -> None:
    """Fed in as a line: it holds at once, the sessions of the one before do not, and it is printed nowhere."""
    app = create_app(box.ground.pipeline)
    box.run("person", "add", "Ann", "--role", "keeper")
    said = box.run("person", "password", "Ann", fed=f"{PASSWORD}\n")
    assert said == "Ann signs in with it now\n"
    client = from_afar(app)
    signed = client.post("/sign-in", data={"name": "Ann", "password": PASSWORD}, headers=OWN)
    assert signed.status_code == 303 and client.cookies[SESSION_COOKIE]
    told = box.run("person", "password", "Ann", fed="short\n", code=2)
    assert told == "password: found 5 characters, expected 10 to 200. Three words do.\n"
    box.run("person", "password", "Ann", fed="another three words\n")
    assert client.get("/work", headers=OWN).status_code == 401


FAULTS = [
    (("person", "add", "Ann"), "role: found '', expected one of reader, keeper, head"),
    (("person", "add", "Ann", "--role", "boss"), "role: found 'boss', expected one of reader, keeper, head"),
    (("person", "add", " ", "--role", "head"), "name: found ' ', expected 1 to 60 letters on one line"),
    (("person", "add", "a\nb", "--role", "head"), "name: found 'a\\nb', expected"),
    (("person", "add", "x" * 61, "--role", "head"), "expected 1 to 60 letters"),
    (("person", "add", "bob", "--role", "head"), "name: found 'bob', who is there already"),
    (("person", "invite", "Zoe"), "name: found 'Zoe', expected one of: Bob"),
    (("person", "role", "Bob", "--role", "x"), "role: found 'x'"),
    (("person", "add"), "NAME: found None, expected a name for `add`"),
    (("person", "list", "Bob"), "NAME: found Bob, expected none for `list`"),
    (("token", "add", "hut", "--scope", "all"), "scope: found 'all', expected one of read, diary"),
    (("token", "revoke", "hut"), "NAME: found 'hut', expected one that `underturf token list` names"),
    (("link", "add"), "NAME: found None, expected a name for `add`"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "told"), FAULTS, ids=[" ".join(words)[:40] for words, _ in FAULTS])
def test_what_is_asked_for_wrongly_is_said(box: Box, words: tuple[str, ...], told: str) -> None:
    """Exit code 2, what was found and what was expected; nothing is changed."""
    box.run("person", "add", "Bob", "--role", "reader")
    before = box.run("person", "list") + box.run("token", "list") + box.run("audit")
    assert told in box.run(*words, code=2)
    assert box.run("person", "list") + box.run("token", "list") + box.run("audit") == before


def test_tokens_and_links_are_made_shown_once_and_revoked(box: Box) -> None:
    """A token lets a machine read; a link shows the season; both end at once when they are revoked."""
    client = from_afar(create_app(box.ground.pipeline))
    token = box.run("token", "add", "hut").strip()
    asked = {"Authorization": f"Bearer {token}"}
    assert client.get("/metrics", headers=asked).status_code == 200
    assert client.get("/healthz").json().keys() == {"state"} < client.get("/healthz", headers=asked).json().keys()
    link = box.run("link", "add", "committee", "--days", "30").strip()
    assert client.get("/link/" + link.rpartition("/")[2]).status_code == 303
    assert client.get("/season/square").status_code == 200
    assert re.fullmatch(r"hut: read, until [-\d]+ [:\d]+ UTC\n", box.run("token", "list"))
    assert token not in box.run("token", "list")
    assert "found 'hut', a token there is" in box.run("token", "add", "hut", code=2)
    for kind, name in (("token", "hut"), ("link", "committee")):
        assert box.run(kind, "revoke", name) == f"{name}: no longer holds\n"
        assert box.run(kind, "list") == "none\n"
    assert client.get("/metrics", headers=asked).status_code == client.get("/season/square").status_code == 401


def test_every_change_is_in_the_audit_log(box: Box, tmp_path: Path) -> None:
    """With who made it, the newest last; settings that changed between two starts by their tables; no secret."""
    box.run("person", "add", "Ann", "--role", "head")
    token = box.run("token", "add", "hut").strip()
    note_settings(box.ground.pipeline)
    note_settings(box.ground.pipeline)
    (tmp_path / "underturf.toml").write_text(f"{SETTINGS}[pages]\nport = 8421\n[work]\nfrom_hour = 9\n")
    box.ground.pipeline.config = load_settings(tmp_path / "underturf.toml")
    note_settings(box.ground.pipeline)
    lines = box.run("audit").splitlines()
    assert [re.sub(r"^.* UTC  \w+ on the box: ", "", line) for line in lines[:3]] == [
        "person Ann added as head", "invitation made, for Ann", "token hut made, for read",
    ]  # fmt: skip
    assert lines[3].endswith("whoever wrote the file: settings changed: pages, work") and len(lines) == 4
    assert token not in "".join(lines) and box.run("audit", "--last", "1").splitlines() == lines[-1:]


def test_addresses_are_printed_as_others_ask_for_them() -> None:
    """The address of the settings, or this machine's; never one that stands for every address."""

    def told(**pages: object) -> str:
        return outward_address(PagesConfig.model_construct(**{"port": 8420, "address": None, "proxy": None, **pages}))

    assert told(host="127.0.0.1") == "http://127.0.0.1:8420"
    assert told(host="192.168.1.5") == "https://192.168.1.5:8420" and told(host="fd00::5") == "https://[fd00::5]:8420"
    assert re.fullmatch(r"https://[\w-]+\.local:8420", told(host="0.0.0.0"))
    assert told(host="0.0.0.0", address="https://turf.example.org") == "https://turf.example.org"


def test_a_command_asks_where_even_the_box_has_to_sign_in(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], free_port: int
) -> None:
    """Behind a web server in front on the box itself `summary` has a token of its own, gone a minute after."""
    settings = f'{SETTINGS}[pages]\nport = {free_port}\nproxy = "127.0.0.1"\n'
    box = Box(tmp_path, capsys, settings)
    pipeline: Pipeline = box.ground.pipeline
    try:
        with serving(pipeline, free_port) as address:
            assert httpx.get(f"{address}/api/v1/summary.txt").status_code == 401
            assert "Square" in box.run("summary")
        (left,) = pipeline.people.credentials("token", _now_ms())
        assert left.ends_at_ms <= _now_ms() + 60_000 and box.run("audit") == "nothing was changed\n"
    finally:
        pipeline.stop()


def test_check_says_who_has_to_sign_in(make_ground: MakeGround, capsys: pytest.CaptureFixture[str]) -> None:
    """And warns where all have to and nobody can."""
    ground = make_ground(settings=f'{SETTINGS}[pages]\nproxy = "127.0.0.1"\n')
    file = str(ground.pipeline.config.data.dir.parent / "underturf.toml")
    assert main(["check", "--config", file]) == 0
    said = capsys.readouterr()
    assert "everybody has to sign in, on this machine too" in said.out and "nobody can sign in yet" in said.err
    assert main(["person", "add", "Ann", "--role", "head", "--config", file]) == 0
    assert main(["check", "--config", file]) == 0
    assert "nobody can" not in capsys.readouterr().err
