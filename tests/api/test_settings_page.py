"""The settings pages: what they write is what a hand would have written, comments kept, refused with every fault, shown
as a difference first, taken back byte for byte, and open to a head alone.

Expected texts are written here by hand; what a text means is asked of the standard library's own reader of TOML.
"""

from __future__ import annotations

import re
import tomllib
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI

from api.app import create_app
from api.settings import lines_of
from api.settings_edit import CannotEdit, changed, fields_of
from pipeline.service import Pipeline, load_settings
from pipeline.site.own_settings import OWN_NOTIFY, OWN_TABLES
from pipeline.site.server import NotifyConfig
from pipeline.site.settings import ConfigFault, SiteConfig
from tests.api.served import TestClient, signed_in
from tests.api.test_sign_in import HTML, OWN, csrf_of
from tests.pipeline.hand import HandClock

MAIN = """
[data]
dir = "data"
[pages]
settings = "data/settings.toml"
[notify]
mqtt = true
"""
SETTINGS = """\
# the ground as it is   \n\
[site]
name = "meadow"   # as in agent.toml
title = 'Lower Meadow'

[notify]
digest_at = "06:30"  # before the kettle

[[surface]]
name = "square"
kind = "square"

[[surface.station]]   # the first
name = "s1"
soil = "loam"          # by feel
root_zone_mm = 180.0

[[surface.station.core]]
date = 2026-03-02
thatch_mm = 14

[[surface.station.probe]]
name = "p1"
model = "root_zone_profile"
depth_mm = { moisture_035 = 38.0 }

[[surface.station]]
name = "s2"
soil = "sand"

[[surface]]
name = "outfield"
kind = "outfield"
play_from = "04-15"
play_until = "09-20"
"""


class Box:
    """A server with a file of settings for its pages, stopped and started as often as is asked."""

    def __init__(self, folder: Path, text: str | None = SETTINGS) -> None:
        self.main, self.own = folder / "underturf.toml", folder / "data" / "settings.toml"
        self.own.parent.mkdir()
        alone = MAIN.partition("settings =")[0] + SETTINGS
        self.main.write_text(MAIN if text is not None else alone)
        if text is not None:
            self.own.write_bytes(text.encode())
        self.pipeline = self._started()

    def _started(self) -> Pipeline:
        self.pipeline = Pipeline(load_settings(self.main), clock=HandClock(1_772_323_200_000), mosquitto=None)
        return self.pipeline

    def again(self) -> None:
        self.pipeline.stop()
        self._started()

    @property
    def text(self) -> str:
        return self.own.read_bytes().decode()

    @property
    def app(self) -> FastAPI:
        return create_app(self.pipeline)

    @property
    def head(self) -> TestClient:
        return signed_in(self.app, "head", "Ann")


@pytest.fixture
def box(tmp_path: Path) -> Any:
    made = Box(tmp_path)
    yield made
    made.pipeline.stop()


def post(client: TestClient, path: str, **fields: str) -> Any:
    """Send a form of the page, with the digest that the page has now where no other is given."""
    shown = re.findall(r'name="digest" value="(\w+)"', client.get("/settings", headers=HTML).text)
    fields = {"digest": shown[0] if shown else "", **fields}
    return client.post(path, data={**fields, "csrf": csrf_of(client)}, headers=OWN)


def form_of(client: TestClient, place: str, **typed: str) -> dict[str, str]:
    """The fields of a table's form as the page has them, with some typed over."""
    page = client.get("/settings", params={"table": place}, headers=HTML).text
    found = dict(re.findall(r'<input id="f-([\w]+)"[^>]* value="([^"]*)"', page))
    found |= {
        key: next(iter(re.findall(r"<option selected>([^<]*)<", rest)), "")
        for key, rest in re.findall(r'<select id="f-(\w+)"[^>]*>(.*?)</select>', page, re.S)
    }
    assert found, page
    return {"table": place, **{f"f.{key}": unescape(value) for key, value in (found | typed).items()}}


def written(client: TestClient, answer: Any) -> Any:
    """Press the button below the difference that an answer shows."""
    assert answer.status_code == 200, answer.text
    (digest,) = set(re.findall(r'name="digest" value="(\w+)"', answer.text))
    (text,) = re.findall(r'<textarea name="text" hidden>\n(.*?)</textarea>', answer.text, re.S)
    sent = unescape(text).replace("\r\n", "\n").replace("\n", "\r\n")  # as browsers do
    return post(client, "/settings", digest=digest, text=sent)


CASES = [
    ("surface.square.station.s1", {"soil": "sand"}, '"loam"          # by feel', '"sand"          # by feel'),
    ("surface.square.station.s1", {"root_zone_mm": "150"}, "root_zone_mm = 180.0", "root_zone_mm = 150"),
    ("surface.square.station.s1", {"root_zone_mm": ""}, "root_zone_mm = 180.0\n", ""),
    ("site", {"title": 'The "Low" Meadow'}, "title = 'Lower Meadow'", 'title = "The \\"Low\\" Meadow"'),
    ("notify", {"digest_at": "07:00"}, '"06:30"', '"07:00"'),
    ("surface.outfield", {"play_from": "05-01"}, '"04-15"', '"05-01"'),
    ("surface.outfield", {"fixture_words": '["cup", "first"]'}, 'play_until = "09-20"\n',
     'play_until = "09-20"\nfixture_words = ["cup", "first"]\n'),
    ("surface.square.station.s1.core[0]", {"thatch_mm": "16.5"}, "thatch_mm = 14", "thatch_mm = 16.5"),
    ("surface.square.station.s1.core[0]", {"date": "2026-03-09"}, "2026-03-02", "2026-03-09"),
    ("surface.square.station.s1.probe.p1.depth_mm", {"moisture_035": "41"}, "38.0", "41"),
]  # fmt: skip


@pytest.mark.parametrize(("place", "typed", "old", "new"), CASES, ids=[f"{c[0]}-{next(iter(c[1]))}" for c in CASES])
def test_a_form_writes_what_a_hand_would(box: Box, place: str, typed: dict[str, str], old: str, new: str) -> None:
    """Byte for byte, every comment and blank where it was; the difference is shown first, and nothing written by it."""
    assert SETTINGS.count(old) == 1
    head = box.head
    looked = post(head, "/settings/look", **form_of(head, place, **typed))
    assert "What would change" in looked.text and box.text == SETTINGS
    assert written(head, looked).status_code == 303
    assert box.text == SETTINGS.replace(old, new)
    (line, *_) = box.pipeline.people.audit(1)
    assert line.who == "Ann" and line.what.startswith("settings written: ") and new.strip().split("\n")[-1] in line.what
    load_settings(box.main)


def test_tables_that_are_not_written_yet_are_begun(box: Box) -> None:
    """One of the plain ones, an alert, a station and a probe more: what they mean is the same change made by hand."""
    head = box.head
    for place, typed in (
        ("water", {"restricted": "true"}),
        ("alerts.frost_at_dawn", {"on_degc": "1.0"}),
        ("surface.square.station[+]", {"name": "s3", "soil": "peat"}),
        ("surface.square.station.s3.probe[+]", {"name": "t1", "model": "thatch"}),
        ("surface[+]", {"name": "green", "kind": "green"}),
    ):
        assert written(head, post(head, "/settings/look", **form_of(head, place, **typed))).status_code == 303, place
    expected = tomllib.loads(SETTINGS)
    expected["water"], expected["alerts"] = {"restricted": True}, {"frost_at_dawn": {"on_degc": 1.0}}
    third = {"name": "s3", "soil": "peat", "probe": [{"name": "t1", "model": "thatch"}]}
    expected["surface"][0]["station"].append(third)
    expected["surface"].append({"name": "green", "kind": "green"})
    assert tomllib.loads(box.text) == expected
    assert all(line in box.text for line in SETTINGS.split("\n") if "#" in line)
    assert load_settings(box.main).stations().keys() == {"s1", "s2", "s3"}


def test_every_fault_stands_beside_its_field_and_nothing_is_written_or_lost(box: Box) -> None:
    """Two faults in one go, each with its field; what was typed stays in the form."""
    head = box.head
    typed = {"soil": "mud", "root_zone_mm": "5", "title": "Near the hut"}
    answer = post(head, "/settings/look", **form_of(head, "surface.square.station.s1", **typed))
    assert answer.status_code == 422 and box.text == SETTINGS and "Write it" not in answer.text
    for key, told in (
        ("soil", "found &#39;mud&#39;, expected one of sand"),
        ("root_zone_mm", "found 5, expected a number from 20"),
    ):
        (fault,) = re.findall(rf'<b id="f-{key}-bad" class="fault">(.*?)</b>', answer.text)
        assert told in fault, fault
    assert 'value="mud"' in answer.text and 'value="Near the hut"' in answer.text
    answer = post(head, "/settings/look", **form_of(head, "surface.square.station[+]", name="s1", soil=""))
    assert answer.status_code == 422 and answer.text.count('class="fault"') == 2


def test_the_whole_text_has_its_faults_by_line(box: Box) -> None:
    """The lines are those that a reader counts; what is no TOML has its line too."""
    bad = SETTINGS.replace('soil = "sand"', 'soil = "mud"').replace("thatch_mm = 14", "thatch_mm = -1\nthach = 2")
    answer = post(box.head, "/settings/look", text=bad)
    told = re.findall(r"<li>Line (\d+): (.*?)</li>", answer.text)
    lines = bad.split("\n")
    assert answer.status_code == 422 and len(told) == 3
    for number, fault in told:
        assert lines[int(number) - 1].partition(" =")[0] in fault, (number, fault)
    answer = post(box.head, "/settings/look", text=SETTINGS.replace("kind =", "kind", 1))
    assert "Line 11:" in answer.text and "not TOML" in answer.text and SETTINGS.split("\n")[10].startswith("kind")
    assert lines_of(SETTINGS)["surface.square.station.s2.soil"] == SETTINGS.split("\n").index('soil = "sand"') + 1


@pytest.mark.parametrize(("text", "told"), [
    ('[data]\ndir = "/etc"\n', "data: found what no page may change"),
    ("[pages]\nport = 80\n", "pages: found what no page may change"),
    ('[broker]\nhost = "192.0.2.1"\n', "broker: found what no page may change"),
    ('[forecast]\nsource = "/etc/shadow"\n', "forecast: found what no page may change"),
    ('[fixtures]\nsource = "http://192.0.2.1"\n', "fixtures: found what no page may change"),
    ('[backup]\ndir = "/tmp"\n', "backup: found what no page may change"),
    ('[store]\ntoken_file = "x"\n', "store: found what no page may change"),
    ('[clock]\nfollow = "x"\n', "clock: found what no page may change"),
    ('[notify]\nwebhook = "http://192.0.2.1"\n', "notify.webhook: found what no page may change"),
    ('[notify]\naddresses_file = "/etc/shadow"\n', "notify.addresses_file: found what no page may change"),
    ("[notify]\nmqtt = false\n", "notify.mqtt: found here and in underturf.toml"),
])  # fmt: skip
def test_what_holds_paths_secrets_hosts_or_ports_is_refused(box: Box, text: str, told: str) -> None:
    """As text, and by the data interface, whatever else is in it; of the notification only when people are told."""
    with_it = SETTINGS.replace('[notify]\ndigest_at = "06:30"  # before the kettle\n', "") + text
    answer = post(box.head, "/settings/look", text=with_it)
    assert answer.status_code == 422 and told in unescape(answer.text)
    digest = box.head.get("/api/v1/settings").json()["digest"]
    refused = box.head.put(
        "/api/v1/settings", json={"text": with_it, "digest": digest}, headers={"Origin": "https://192.0.2.10"}
    )
    assert refused.status_code == 422 and any(told in one for one in refused.json()["faults"])
    assert box.text == SETTINGS
    with pytest.raises(ConfigFault, match=re.escape(f"settings.toml: {told}")):
        load_settings(box.main, own=with_it)


def test_every_key_with_a_path_a_secret_or_a_host_is_out_of_reach() -> None:
    """Of all tables of the settings those that pages may change have no such key, by the very types of their fields."""
    shut = {
        "SecretFile",
        "PathFromFile",
        "Folder",
        "WebAddress",
        "HostNames",
        "BaseAddress",
        "IpAddress",
        "Port",
        "_source",
    }
    for name, field in SiteConfig.model_fields.items():
        key = field.alias or name
        model = field.annotation
        holds = {word for word in shut if word in str(getattr(model, "__annotations__", ""))}
        if key == "notify":
            holds = {word for key in OWN_NOTIFY for word in shut if word in str(NotifyConfig.model_fields.get(key))}
        assert key not in OWN_TABLES or not holds, (key, holds)
    assert {"data", "clock", "broker", "store", "backup", "pages", "forecast", "fixtures"}.isdisjoint(OWN_TABLES)


def test_the_last_change_is_taken_back_byte_for_byte(box: Box) -> None:
    """With odd blanks, without a line end at the end, and with the line ends of another system; and put in again."""
    for first in (SETTINGS, SETTINGS.rstrip("\n") + "  ", SETTINGS.replace("\n", "\r\n")):
        box.own.write_bytes(first.encode())
        head = box.head
        looked = post(head, "/settings/look", **form_of(head, "notify", digest_at="07:00"))
        assert written(head, looked).status_code == 303
        second = first.replace("06:30", "07:00")
        assert box.own.read_bytes() == second.encode()
        assert "Take the last change back" in head.get("/settings", headers=HTML).text
        assert post(head, "/settings/undo").status_code == 303 and box.own.read_bytes() == first.encode()
        assert post(head, "/settings/undo").status_code == 303 and box.own.read_bytes() == second.encode()
    assert box.pipeline.people.audit(1)[0].what.startswith("settings taken back: ")


def test_a_change_by_somebody_else_meanwhile_is_not_written_over(box: Box) -> None:
    """Neither by the page nor by the interface: what was typed is shown as a difference against the new text."""
    head = box.head
    looked = post(head, "/settings/look", **form_of(head, "notify", digest_at="07:00"))
    box.own.write_bytes(SETTINGS.replace("180.0", "170.0").encode())
    answer = written(head, looked)
    assert answer.status_code == 409 and "somebody has written them meanwhile" in answer.text
    assert "170.0" in box.text and "07:00" not in box.text and "07:00" in answer.text


def test_a_form_given_out_before_a_change_by_somebody_else_says_so(box: Box) -> None:
    """409 before any difference is shown, with what was typed; sent once more, it is laid over the new text."""
    head = box.head
    opened = re.findall(r'name="digest" value="(\w+)"', head.get("/settings?table=site", headers=HTML).text)
    form = form_of(head, "notify", digest_at="07:00")
    changed_to = SETTINGS.replace("180.0", "170.0")
    box.own.write_bytes(changed_to.encode())
    assert len(set(opened)) == 1 and len(opened) >= 2
    for fields in (form, {"text": SETTINGS.replace("06:30", "07:00")}):
        answer = post(head, "/settings/look", **{**fields, "digest": opened[0]})
        assert answer.status_code == 409 and "somebody has written them meanwhile" in answer.text
        assert "What would change" not in answer.text and "07:00" in answer.text and box.text == changed_to
    assert written(head, post(head, "/settings/look", **form)).status_code == 303
    assert box.text == changed_to.replace("06:30", "07:00")


def test_a_change_taken_back_twice_by_a_double_tap_is_taken_back_once(box: Box) -> None:
    """409 the second time, on the page and over the interface: the digest is that of the text that was changed."""
    head = box.head
    written(head, post(head, "/settings/look", **form_of(head, "notify", digest_at="07:00")))
    digest = head.get("/api/v1/settings").json()["digest"]
    assert post(head, "/settings/undo", digest=digest).status_code == 303 and box.text == SETTINGS
    answer = post(head, "/settings/undo", digest=digest)
    assert answer.status_code == 409 and "somebody has written them meanwhile" in answer.text and box.text == SETTINGS
    own = {"Sec-Fetch-Site": "same-origin"}
    again = head.post("/api/v1/settings/undo", json={"digest": digest}, headers=own)
    assert again.status_code == 409 and box.text == SETTINGS


def test_what_is_written_says_that_it_needs_another_start_and_counts_from_then_on(box: Box) -> None:
    """The page says so until the server has started again, and the same button asks for it."""
    head = box.head
    assert "next start" not in head.get("/settings", headers=HTML).text
    written(head, post(head, "/settings/look", **form_of(head, "site", title="Upper Meadow")))
    assert "next start" in head.get("/settings", headers=HTML).text and box.pipeline.config.site.title == "Lower Meadow"
    answer = post(head, "/settings/start")
    assert answer.status_code == 202 and 'http-equiv="refresh"' in answer.text
    assert box.pipeline.wait(10) and box.pipeline.starts_again and not box.pipeline.crash
    box.again()
    assert box.pipeline.config.site.title == "Upper Meadow"
    assert "next start" not in box.head.get("/settings", headers=HTML).text


def test_what_is_kept_under_a_name_keeps_it(box: Box) -> None:
    """A surface or a station in place of another is refused by its place; one more, and one less, are not."""
    for old, new, place in (("square", "wicket", "surface.wicket"), ("s1", "north", "surface.square.station.north")):
        answer = post(box.head, "/settings/look", text=SETTINGS.replace(f'name = "{old}"', f'name = "{new}"'))
        assert answer.status_code == 422 and f"{place}.name: found" in answer.text.replace("&#39;", "'")
    more = f'{SETTINGS}\n[[surface]]\nname = "front"\nkind = "lawn"\n'
    written(box.head, post(box.head, "/settings/look", text=more))
    written(box.head, post(box.head, "/settings/look", text=SETTINGS))


def test_the_name_of_the_site_is_not_changed_from_a_page(box: Box) -> None:
    """Agents name it: the form of its table has no field for it and says why, and a text with another is refused at its
    line, on the page and over the interface. Changed by hand, it may be started with."""
    head = box.head
    page = head.get("/settings?table=site", headers=HTML).text
    assert 'name="f.name"' not in page and 'name="f.title"' in page and "every agent.toml" in page
    assert "surface.square" in page and 'name="f.name"' in head.get("/settings?table=surface.square").text
    other = SETTINGS.replace('"meadow"', '"field"')
    answer = post(head, "/settings/look", text=other)
    assert answer.status_code == 422 and "Line 3:" in answer.text and "no page changes it" in answer.text
    now = head.get("/api/v1/settings").json()
    own = {"Sec-Fetch-Site": "same-origin"}
    refused = head.put("/api/v1/settings", json={"text": other, "digest": now["digest"]}, headers=own)
    assert refused.status_code == 422 and "site.name: found 'field', expected 'meadow'" in refused.text
    assert box.text == SETTINGS
    box.own.write_bytes(other.encode())
    assert post(head, "/settings/start").status_code == 202


def test_a_head_alone_may(box: Box) -> None:
    """A keeper and a reader see neither page nor data, and can send neither."""
    app = box.app
    for role in ("keeper", "reader"):
        client = signed_in(app, role)
        assert client.get("/settings").status_code == client.get("/api/v1/settings").status_code == 403
        assert "/settings" not in client.get("/first", headers=HTML).text
        for path in ("/settings", "/settings/look", "/settings/undo", "/settings/start"):
            assert post(client, path, text=SETTINGS, digest="x").status_code == 403, path
    assert box.text == SETTINGS


def test_without_a_file_for_it_the_page_says_how(tmp_path: Path) -> None:
    """Nothing can be changed, by whichever way."""
    box = Box(tmp_path, None)
    head = box.head
    assert "settings = " in head.get("/settings", headers=HTML).text
    assert head.get("/api/v1/settings").json()["file"] is None
    assert post(head, "/settings", text=SETTINGS, digest="x").status_code == 409
    box.pipeline.stop()


def test_the_file_need_not_be_there_yet(tmp_path: Path) -> None:
    """Then all stands in the main file, and the first table written begins it."""
    box = Box(tmp_path)
    box.pipeline.stop()
    box.own.unlink()
    box.main.write_text(MAIN.replace("[notify]\nmqtt = true\n", "") + SETTINGS)
    box._started()
    head = box.head
    answer = post(head, "/settings/look", **form_of(head, "notify", quiet_from="21:00"))
    assert written(head, answer).status_code == 303 and tomllib.loads(box.text) == {"notify": {"quiet_from": "21:00"}}
    assert load_settings(box.main).notify.quiet_from_min == 21 * 60
    answer = post(head, "/settings/look", **form_of(head, "site", title="x"))
    assert answer.status_code == 422 and "found here and in underturf.toml" in answer.text
    box.pipeline.stop()


def test_a_form_that_cannot_change_a_text_says_so(box: Box) -> None:
    """Tables that are not there are refused by name; every field of every table round trips unchanged."""
    config = box.pipeline.config
    for place in ("surface.moon", "pages", "data", "alerts.moon", "surface.square.moon[+]", "site.name"):
        with pytest.raises(CannotEdit):
            fields_of(config, SETTINGS, place)
            changed(config, SETTINGS, place, {"x": "1"})
    assert box.head.get("/settings?table=surface.moon").status_code == 404
    for place in ("site", "notify", "surface.square", "surface.outfield", "surface.square.station.s1",
                  "surface.square.station.s1.probe.p1", "surface.square.station.s2"):  # fmt: skip
        same = {one.key: one.written for one in fields_of(config, SETTINGS, place)}
        assert changed(config, SETTINGS, place, same) == SETTINGS
