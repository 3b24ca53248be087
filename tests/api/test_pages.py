"""The pages as they come from the server, before any script."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from api.app import create_app
from api.data import iso
from tests.api.served import TestClient
from tests.api.site import HOUR_MS, NOW_MS, MakeGround, readings, values

PAGES = ["/", "/stations/s1", "/stations/s2", "/stations/o1"]


class Tags(HTMLParser):
    """Every tag with its attributes, and the text between."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data

    def every(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


def page(client: TestClient, path: str) -> Tags:
    answer = client.get(path)
    assert answer.status_code == 200 and answer.headers["content-type"].startswith("text/html")
    return Tags(answer.text)


def words(tags: Tags) -> str:
    return re.sub(r"\s+", " ", tags.text)


def test_every_link_and_part_of_every_page_resolves(client: TestClient) -> None:
    """What the pages point at, load or ask for later is there, and nothing leaves this server."""
    asked: set[str] = set()
    for path in [*PAGES, "/work"]:
        tags = page(client, path)
        targets = [str(a["href"]) for name in ("a", "link") for a in tags.every(name)]
        targets += [str(s["src"]) for s in tags.every("script")]
        targets += [str(d[key]) for d in tags.every("div") for key in ("data-part",) if key in d]
        assert len(targets) > 5
        asked |= {target.partition("#")[0] for target in targets} - {""}
        marks = {target.partition("#")[2] for target in targets} - {""}
        assert marks <= {a.get("id") for _, a in tags.tags}
    for target in sorted(asked):
        assert target.startswith("/"), f"{target} leaves this server"
        assert client.get(target).status_code == 200, target


@pytest.mark.parametrize("path", PAGES[1:])
def test_every_page_has_its_json_twin(client: TestClient, path: str) -> None:
    """Each names the address where the same is to be had as JSON, and there the same words stand."""
    tags = page(client, path)
    twin = next(link["href"] for link in tags.every("link") if link.get("rel") == "alternate")
    answer = client.get(str(twin))
    assert answer.headers["content-type"] == "application/json"
    body = answer.json()
    said = words(tags)
    assert body["title"] in said and all(line in said for line in body["words"])


def test_the_twin_of_today_says_its_six_answers(client: TestClient) -> None:
    """Verdict, clause and every line behind them stand on the page, and what needs a hand is reversed there."""
    tags = page(client, "/")
    said = words(tags).replace("\N{NO-BREAK SPACE}", " ")
    twin = next(link["href"] for link in tags.every("link") if link.get("rel") == "alternate")
    answers = client.get(str(twin)).json()
    assert len(answers) == 6
    for one in answers:
        for part in (one["question"], f"{one['verdict']} {one['clause']}", *one["lines"]):
            assert part.replace("m3", "m³") in said, part
    acts = [b for b in tags.every("b") if b.get("class") == "act"]
    assert len(acts) == sum(one["needs_hand"] for one in answers) <= 2


@pytest.mark.parametrize("path", [*PAGES, "/work"])
def test_no_script_stands_in_a_page(client: TestClient, path: str) -> None:
    """Scripts come from files of this server only, and the policy forbids all others."""
    answer = client.get(path)
    tags = Tags(answer.text)
    assert all(s.get("src", "").startswith("/") for s in tags.every("script"))  # type: ignore[union-attr]
    assert not [key for _, attributes in tags.tags for key in attributes if key.startswith("on")]
    assert "javascript:" not in answer.text
    policy = dict(part.strip().split(" ", 1) for part in answer.headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'" and policy["script-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'" and policy["base-uri"] == "'none'"
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_today_has_every_station_as_its_slice(client: TestClient) -> None:
    """Six answers, each station with its slice, its numbers for who cannot see it and a few words, and the alerts."""
    tags = page(client, "/")
    said = words(tags)
    for line in (
        "Square, north end", "thatch still holds water", "Square, south end", "Not heard yet.", "Outfield, long side",
        "Rain in the last 24 hours: 0.0 mm.", "Core 10 Jan: 14 mm.", "Thatch not known: cut a core.",
    ):  # fmt: skip
        assert line in said, line
    drawn = [str(s["aria-label"]) for s in tags.every("svg") if s.get("role") == "img"]
    assert len(drawn) == 3 and "220 mm" in drawn[0] and drawn[1].count("cannot tell") == 5


def test_one_station_alone_has_its_slice_on_the_first_page(make_ground: MakeGround) -> None:
    """With one station Today is as it always is: the answers, one slice, and the way to its page."""
    settings = (
        '[site]\nname = "lone"\ntitle = "Lone Green"\n[data]\ndir = "data"\n[[surface]]\nname = "green"\n'
        'title = "Green"\nkind = "green"\n[[surface.station]]\nname = "g1"\ntitle = "centre"\nsoil = "sand"\n'
        '[[surface.station.probe]]\nname = "p1"\nmodel = "thatch"\n'
    )
    client = TestClient(create_app(make_ground(settings=settings).pipeline))
    tags = page(client, "/")
    assert "Green, centre" in words(tags) and "Not heard yet." in words(tags)
    assert "/stations/g1" in {a.get("href") for a in tags.every("a")}


def test_an_empty_site_says_what_to_write(empty_client: TestClient) -> None:
    """No station: the page shows the lines of a settings file that make one, and they are of the form that is read."""
    tags = page(empty_client, "/")
    assert "No station yet" in tags.text and "[[surface.station.probe]]" in tags.text
    assert empty_client.get("/api/v1/now").json() == []
    assert empty_client.get("/api/v1/summary.txt").status_code == 200


def test_the_lines_of_the_empty_page_are_accepted(empty_client: TestClient, make_ground: MakeGround) -> None:
    """Copied below a [site] table they give a site with one station."""
    text = re.search(r"<pre>(.*?)</pre>", empty_client.get("/").text, re.S)
    assert text is not None
    ground = make_ground(settings='[site]\nname = "new"\n[data]\ndir = "data"\n' + text.group(1).replace("&#34;", '"'))
    assert list(ground.pipeline.config.stations()) == ["square-1"]


def test_a_station_without_readings_says_so(client: TestClient) -> None:
    """Nothing heard: no number is shown, no all-clear is given, and the chart is empty but there."""
    said = words(page(client, "/stations/s2"))
    assert "Nothing has been heard from this station yet." in said
    assert "Cannot tell whether anything is to be seen to: there is nothing recent to judge by." in said
    assert "no answer" in said and said.count("cannot tell") >= 5


def test_old_data_stands_out_and_is_told_as_of_its_time(make_ground: MakeGround) -> None:
    """Two days after the last reading: framed, with its age, layers as they were, and rain that cannot be told."""
    ground = make_ground()
    ground.hear(readings(48, first_hour=432))
    ground.clock.wall_ms = NOW_MS + 48 * HOUR_MS
    client = TestClient(create_app(ground.pipeline))
    answer = client.get("/stations/o1")
    said = words(Tags(answer.text))
    assert "Last heard Thu 21 Mar 01:00, 2 days ago. What follows is how it was then." in said
    assert '<b class="act">2 days old</b>' in answer.text and 'stroke-dasharray="2 3"' in answer.text
    assert "Root zone on Thu 21 Mar 01:00: 41 mm of water" in said
    assert "Rain in the last 24 hours: cannot tell." in said
    assert "Surface 1" not in said  # a temperature of two days ago is not that of the surface
    assert client.get("/api/v1/stations/o1").json()["is_old"] is True


def test_one_silent_probe_is_named(make_ground: MakeGround) -> None:
    """While others of its station speak, the one that does not is named with its age; the rest stays as it is."""
    ground = make_ground()
    heard = [
        r for r in readings(48, first_hour=432)
        if not (r.channel.startswith("o1/w1/") and r.measured_at_ms > NOW_MS - 10 * HOUR_MS)
    ]  # fmt: skip
    ground.hear(heard)
    said = words(page(TestClient(create_app(ground.pipeline)), "/stations/o1"))
    assert "The long-side weather probe: silent since Wed 20 Mar 16:00, 10 hours." in said
    assert "Last heard 01:00 today, 1 hour ago." in said and "Rain in the last 24 hours: cannot tell." in said


def test_the_table_has_every_channel(client: TestClient) -> None:
    """One row a channel, with value, unit and how far it is to be believed."""
    tags = page(client, "/stations/o1")
    channels = [channel for channel in values(0) if channel.startswith("o1/")]
    assert len(tags.every("tr")) == 2 + len(channels) + sum("moisture" in channel for channel in channels)
    assert "Air temperature" in tags.text and "°C" in tags.text


def test_an_address_that_is_not_there_says_what_is(client: TestClient) -> None:
    """A reader gets a page with the way to every other one, and the names in words, not as a program writes them."""
    answer = client.get("/stations/s3", headers={"Accept": "text/html"})
    tags = Tags(answer.text)
    assert answer.status_code == 404 and "Found 's3'" in words(tags)
    assert "expected one of s1, s2, o1 " in words(tags)
    assert {"/", "/work", "/stations/s1"} <= {a.get("href") for a in tags.every("a")}


@pytest.mark.parametrize(("days", "said", "hours"), [("3", "3 days", 72), ("366", "A year", 366 * 24)])
def test_the_file_of_numbers_is_of_the_span_that_is_shown(client: TestClient, days: str, said: str, hours: int) -> None:
    """Its address begins where the chart does, and its name says so."""
    tags = page(client, f"/stations/o1?days={days}")
    address = next(str(a["href"]) for a in tags.every("a") if "observations.csv" in str(a.get("href")))
    assert f"from={iso(NOW_MS - hours * HOUR_MS)}&" in address and f"{said} as a CSV file" in words(tags)


@pytest.mark.parametrize(
    ("headers", "back", "status", "to"),
    [
        ({"sec-fetch-site": "same-origin"}, "/stations/s1", 303, "/stations/s1"),
        ({"origin": "http://localhost"}, "/", 303, "/"),
        ({"sec-fetch-site": "same-origin"}, "//elsewhere.example/", 303, "/"),
        ({"sec-fetch-site": "same-origin"}, "https://elsewhere.example/", 303, "/"),
        ({"sec-fetch-site": "cross-site"}, "/", 403, None),
        ({"origin": "https://elsewhere.example"}, "/", 403, None),
        ({}, "/", 403, None),
    ],
)
def test_a_plain_form_marks_an_alert_from_our_own_pages_alone(
    make_ground: MakeGround, headers: dict[str, str], back: str, status: int, to: str | None
) -> None:
    """It leads back to a page of this server and to no other; any page of the world can send a form."""
    ground = make_ground()
    ground.hear(readings(60, first_hour=420))
    client = TestClient(create_app(ground.pipeline))
    (alert, *_) = client.get("/api/v1/alerts").json()
    sent = {"mark": "wrong", "why": "covers", "back": back}
    headers = {"Accept": "text/html", **headers}
    answer = client.post(f"/alerts/{alert['id']}/mark", data=sent, headers=headers, follow_redirects=False)
    assert (answer.status_code, answer.headers.get("location")) == (status, to)
    marks = ground.pipeline.diary.entries(("mark",), 0, 2**62)
    assert [e.body["why"] for e in marks] == (["covers"] if status == 303 else [])
