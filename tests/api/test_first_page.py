"""The first run: each wrong turn is named with its remedy, the check of a probe ticks by itself from what the probe
says, and nothing is believed before its last tick.

What a probe reads in air and water is physics (permittivity 1 and 80; dry and full pores of a water content), the order
of the answers to a cup that of water that goes down; how far the ground is between them is made up.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import pytest

from api.app import create_app
from hardware.probe import load_probe
from hardware.reading import Batch, LiveReading, Reading, Status
from pipeline.diary.entry import DiaryEntry
from pipeline.errors import StoreFull
from pipeline.mqtt.field_checks import FieldChecks, ProbeCheck
from pipeline.mqtt.refusals import REFUSAL_TOLD_FOR_MS
from pipeline.service import CHECKS_KEY, Pipeline
from pipeline.units import HOUR_MS, Flag
from tests.api.served import TestClient, signed_in
from tests.api.site import Ground, MakeGround
from tests.api.test_sign_in import HTML, OWN, csrf_of
from tests.pipeline.hand import OUTBOX

SITE = """
[site]
name = "meadow"
[data]
dir = "data"
[[surface]]
name = "square"
title = "Square"
kind = "square"
[[surface.station]]
name = "s1"
title = "north end"
soil = "clay_loam"
[[surface.station.probe]]
name = "p1"
model = "profile_4"
[[surface.station.probe]]
name = "air"
model = "air"
"""
EMPTY = SITE.partition("[[surface.station]]")[0]
CHANNELS = load_probe("profile_4").channels
DEPTHS = [c.name for c in CHANNELS if c.heard == "water_content"]
AIR, WATER, GROUND = 0.0, 0.55, 0.18
CUP_RISE = 0.06


@pytest.fixture
def ground(make_ground: MakeGround) -> Ground:
    return make_ground(settings=SITE)


@pytest.fixture
def client(ground: Ground) -> TestClient:
    return TestClient(create_app(ground.pipeline), raise_server_exceptions=False)


def status(ground: Ground, *, node: str = "hut", site: str = "meadow", **said: Any) -> None:
    """A node says how it is, as an agent does."""
    told = {"state": "up", "version": "0.1.0", "lines": {"north": "ok"}, "stations": ["s1"], **said}
    told.setdefault("clock", {"ok": True, "by": "a time service"})
    topic = f"underturf/1/{site}/{node}/status"
    ground.pipeline.nodes.hear(topic, json.dumps(told).encode(), ground.clock.now_ms())
    ground.pipeline.changes.bump("nodes")


def step(client: TestClient, name: str) -> dict[str, Any]:
    found = {one["step"]: one for one in client.get("/api/v1/first").json()["steps"]}
    return dict(found[name])


def said(client: TestClient, path: str = "/first/s1/p1") -> str:
    answer = client.get(path, headers=HTML)
    assert answer.status_code == 200, answer.text
    return answer.text.replace("\N{NO-BREAK SPACE}", " ")


def twin(client: TestClient) -> dict[str, Any]:
    return dict(client.get("/api/v1/first/s1/p1").json())


def do(client: TestClient, what: str, at: str = "air") -> None:
    assert client.post("/api/v1/first/s1/p1", json={"do": what, "step": at}).status_code == 200


class Probe:
    """A probe that somebody carries about; each reading comes two seconds after the one before."""

    def __init__(self, ground: Ground) -> None:
        self.ground, self.risen = ground, dict.fromkeys(DEPTHS, 0.0)

    def reads(self, value: float | Mapping[str, float | None], n: int = 1, failed: str = "") -> None:
        for i in range(n):
            self.ground.clock.wall_ms += 2000
            values = []
            for c in CHANNELS:
                one = 12.0 if c.name not in DEPTHS else value[c.name] if isinstance(value, Mapping) else value
                if c.name in DEPTHS and one is not None:
                    one += self.risen[c.name] + 0.0005 * (i % 2)
                state = failed or ("no_value" if one is None else "ok")
                values.append((c.name, None if failed else one, state))
            live = LiveReading("s1/p1", self.ground.clock.now_ms(), tuple(values), "")
            self.ground.pipeline._checked(live)

    def into_the_ground(self) -> None:
        self.reads(AIR, 3)
        self.reads(WATER, 3)
        self.reads(AIR, 2)
        self.reads(GROUND, 8)  # three that stand still, and four before the cup

    def cup(self, answers_s: Mapping[str, float]) -> None:
        """The depths answer at their times after the cup; read for twelve minutes. [s]"""
        for at_s in range(0, 720, 2):
            self.risen = {name: CUP_RISE if answers_s.get(name, 1e9) <= at_s else 0.0 for name in DEPTHS}
            self.reads(GROUND)


def test_an_empty_site_leads_to_what_to_do_first(make_ground: MakeGround) -> None:
    """From every page; nothing is heard, and it says where to look: power, service, broker."""
    client = TestClient(create_app(make_ground(settings=EMPTY).pipeline), raise_server_exceptions=False)
    assert 'href="/first"' in said(client, "/")
    page, first = said(client, "/first"), step(client, "agent")
    assert first["state"] == "now" and step(client, "probes")["state"] == "next"
    for word in (
        "Power",
        "systemctl status underturf-agent",
        "underturf-agent doctor",
        "refused password",
        "127.0.0.1:1883",
    ):
        assert word in page and any(word in line for line in first["words"])
    assert "No station" in said(client, "/") and step(client, "ground")["state"] == "next"


def test_a_node_that_the_broker_turns_away_is_named_with_its_address(ground: Ground, client: TestClient) -> None:
    """What the broker's log says of it, while it is news."""
    now_ms = ground.clock.now_ms()
    line = "Client connection from 10.0.0.5 failed: error:0A00010B:SSL routines::wrong version number."
    ground.pipeline._ingest.refusals.hear(line, now_ms)
    told = step(client, "agent")["doubts"]
    assert any(one.startswith("The broker turned 10.0.0.5 away ") and "it does not encrypt" in one for one in told)
    assert "turned 10.0.0.5 away" in said(client, "/first")
    ground.clock.wall_ms += REFUSAL_TOLD_FOR_MS
    assert not any("turned" in one for one in step(client, "agent")["doubts"])


def test_each_wrong_turn_of_the_site_is_named_and_goes_when_it_is_put_right(ground: Ground, client: TestClient) -> None:
    """Another site's name, a line away, a node that names no station of ours, no clock; all of it on the page too."""
    status(ground, node="barn", site="medow")
    assert any("medow/barn" in one and 'site = "meadow"' in one for one in step(client, "agent")["doubts"])
    assert "medow/barn" in said(client, "/first")
    status(ground, stations=["s9"], lines={"north": "no such port"}, clock={"ok": False, "by": ""})
    agent = step(client, "agent")
    assert any("north: no such port" in one for one in agent["doubts"])
    assert agent["state"] == "now"  # it is heard, and this server reaches no broker here
    assert any('station = "s1"' in one for one in step(client, "probes")["doubts"])
    assert any("hut has no clock" in one for one in step(client, "time")["doubts"])
    assert step(client, "time")["state"] == "next" and "hut has no clock" in said(client, "/first")
    status(ground)
    assert any("see to its power" in one for one in step(client, "probes")["doubts"])
    assert step(client, "time")["state"] == "done" and step(client, "agent")["doubts"][0].startswith("medow/barn")
    status(ground, node="barn", site="medow", state="down")
    left = step(client, "agent")["doubts"]  # nothing of this server runs here
    assert left and all(one.startswith("This server does not reach its own broker (") for one in left)


@pytest.mark.parametrize("model", ["radio_flat", "cone_hard"])
def test_a_site_whose_probes_are_not_read_at_will_comes_to_its_end(make_ground: MakeGround, model: str) -> None:
    """Nothing is to be checked there, and the page does not say that nothing is believed."""
    text = SITE.partition("[[surface.station.probe]]")[0]
    ground = make_ground(settings=f'{text}[[surface.station.probe]]\nname = "p1"\nmodel = "{model}"\n')
    client = TestClient(create_app(ground.pipeline), raise_server_exceptions=False)
    status(ground)
    assert step(client, "check")["state"] == "done" and step(client, "check")["words"] == []
    assert "nothing is believed" not in said(client, "/first")


def test_the_ground_is_set_when_cores_and_play_are_known(make_ground: MakeGround) -> None:
    """Fixtures of another surface, or over, are none of this one; a lawn needs none."""
    ground = make_ground(settings=f'{SITE}[[surface]]\nname = "front"\nkind = "lawn"\n')
    client, now_ms, diary = TestClient(create_app(ground.pipeline)), ground.clock.now_ms(), ground.pipeline.diary
    diary.add(DiaryEntry("core", "square", now_ms - 1, {"thatch_mm": 14.0}, "s1"))
    diary.add(DiaryEntry("fixture", "front", now_ms + HOUR_MS, {"title": "fete"}))
    diary.add(DiaryEntry("fixture", "square", now_ms - HOUR_MS, {"title": "match"}))
    ground.pipeline.changes.bump("diary")
    assert step(client, "ground")["words"] == ["Square: no play is known on it. Give a season of play, or fixtures."]
    diary.add(DiaryEntry("fixture", "square", now_ms + HOUR_MS, {"title": "match"}))
    ground.pipeline.changes.bump("diary")
    assert step(client, "ground")["words"] == ["Every station has its first core."]


def test_a_station_titled_as_its_surface_does_not_stand_for_its_play(make_ground: MakeGround) -> None:
    """What is asked for of play is asked for of the surface, whatever its stations are called."""
    ground = make_ground(settings=SITE.replace('title = "north end"', 'title = "Square"'))
    assert ground.pipeline.config.surfaces[0].place(ground.pipeline.config.stations()["s1"]) == "Square"
    told = step(TestClient(create_app(ground.pipeline)), "ground")["words"]
    assert told[-1] == "Square: no play is known on it. Give a season of play, or fixtures."


def test_channels_that_nobody_named_are_told_with_the_lines_that_name_them(ground: Ground, client: TestClient) -> None:
    """The model is guessed by the names of the channels: those of `profile_4` are its own four depths twice."""
    status(ground)
    assert step(client, "names")["state"] != "now" and client.get("/api/v1/first").json()["missing"] == ""
    for c in CHANNELS:
        ground.pipeline._stages._unknown[f"s2/p7/{c.name}"] = ground.clock.now_ms()
    ground.pipeline.changes.bump("nodes")
    told = client.get("/api/v1/first").json()
    assert 'name = "s2"' in told["missing"] and 'name = "p7"\nmodel = "profile_4"' in told["missing"]
    assert "s2/p7/moisture_050" in step(client, "names")["doubts"][0] and "profile_4" in said(client, "/first")


def test_the_check_ticks_by_itself_and_nothing_is_believed_before_its_last_tick(
    ground: Ground, client: TestClient
) -> None:
    """Air, water, pushed in, a cup from the top down; what the probe had sent before the check began is not believed
    either, and the first reading after the last tick is."""
    pipeline, probe = ground.pipeline, Probe(ground)
    status(ground)
    hear(ground, 0.21, seq=1)
    assert flags(pipeline) == {int(Flag.GOOD)} and "Begin the check" in said(client)
    ground.clock.wall_ms += 3_600_000
    do(client, "begin")
    pipeline.recompute("s1")
    assert flags(pipeline) == {int(Flag.FAIL)} and "Not yet a reading to be believed" in said(client)
    seen = []
    for _ in range(3):
        probe.reads(AIR)
        seen.append([one["state"] for one in twin(client)["steps"]])
    assert seen[0][:2] == ["done", "now"] and seen[2][:2] == ["done", "now"]
    probe.reads(AIR)  # the first was for the line
    assert [one["state"] for one in twin(client)["steps"]] == ["done", "done", "now", "next", "next"]
    assert "wanted 40 % to 110 %" in said(client) and 'class="dot' in said(client)
    probe.reads(WATER, 3)
    assert twin(client)["steps"][2]["state"] == "done"
    probe.reads(WATER, 10)
    assert twin(client)["steps"][3]["state"] == "now", "still in the jug"
    probe.reads(AIR, 8)
    assert twin(client)["steps"][3]["state"] == "now", "out of the jug, and not in the ground"
    probe.reads(GROUND, 8)
    assert twin(client)["steps"][4]["state"] == "now" and not twin(client)["believed"]
    probe.cup(dict(zip(DEPTHS, (10, 60, 200), strict=False)))
    found = twin(client)
    assert found["state"] == "done" and found["believed"] and found["doubts"] == [], found
    assert "the next reading it sends by the clock" in said(client)
    ground.clock.wall_ms += 60_000
    hear(ground, 0.23, seq=100)
    pipeline.recompute("s1")
    assert "23 % at 50 mm" in twin(client)["trusted"] and "23 % at 50 mm" in said(client)
    assert step(client, "check")["state"] == "next" and "Checked, and believed." in said(client, "/first")


@pytest.mark.parametrize(
    ("answers", "told"),
    [
        ((60, 15, 200), "100 mm, water content answered before 50 mm"),
        ((None, 15, 200), "50 mm, water content did not answer and"),
        ((5, 6, 7, 8), "150 mm, water content answered at once"),
    ],
    ids=["swapped depths", "air beside it", "a gap"],
)
def test_what_a_cup_shows_to_be_wrong_is_named_and_ticks_nothing(
    ground: Ground, client: TestClient, answers: tuple[float | None, ...], told: str
) -> None:
    """The probe stays out of its place, whatever it reads; put right, it ticks from that step on."""
    status(ground)
    do(client, "begin")
    probe = Probe(ground)
    probe.reads(AIR)
    probe.into_the_ground()
    assert twin(client)["steps"][4]["state"] == "now"
    probe.cup({name: at for name, at in zip(DEPTHS, answers, strict=False) if at is not None})
    found = twin(client)
    assert any(told in one["words"] for one in found["doubts"]), found["doubts"]
    assert told in said(client) and not found["believed"] and found["steps"][4]["state"] == "now"
    do(client, "again", "ground")
    probe.risen = dict.fromkeys(DEPTHS, 0.0)
    probe.reads(GROUND, 8)
    probe.cup(dict(zip(DEPTHS, (10, 60, 200), strict=False)))
    assert twin(client)["believed"]


@pytest.mark.parametrize(
    ("failed", "told"),
    [
        ("silent", "see to its power"),
        ("bad_check", "two probes may have one address"),
        ("bad_frame", "two probes may have one address"),
        ("line_away", "The adapter of its line is away"),
        ("no_value", "The probe: no value. See to its wiring"),
    ],
    ids=str,
)
def test_a_probe_that_does_not_read_is_named_by_what_came_back(
    ground: Ground, client: TestClient, failed: str, told: str
) -> None:
    """No power, two at one address, no adapter, no values; it goes with the next good reading."""
    status(ground)
    do(client, "begin")
    probe = Probe(ground)
    probe.reads(AIR, failed=failed)
    assert any(told in one["words"] for one in twin(client)["doubts"]) and told in said(client)
    assert twin(client)["steps"][0]["state"] == "now"
    probe.reads(AIR)
    assert twin(client)["doubts"] == [] and twin(client)["steps"][0]["state"] == "done"


def test_what_stands_still_where_it_should_not_is_named(ground: Ground, client: TestClient) -> None:
    """A wet probe in air, one depth that is another quantity in water, one that hangs in air in the ground."""
    status(ground)
    do(client, "begin")
    probe = Probe(ground)
    probe.reads(0.3, 8)
    assert {one["doubt"] for one in twin(client)["doubts"]} == {"elsewhere"} and "Is it clean" in said(client)
    probe.reads(AIR, 3)
    probe.reads(dict.fromkeys(DEPTHS, WATER) | {DEPTHS[1]: 0.2}, 8)
    assert [one["channel"] for one in twin(client)["doubts"]] == [DEPTHS[1]]
    probe.reads(dict.fromkeys(DEPTHS, AIR) | {DEPTHS[1]: WATER}, 3)  # a long probe goes in one end after the other
    probe.reads(AIR, 3)
    probe.reads(dict.fromkeys(DEPTHS, GROUND) | {DEPTHS[3]: AIR}, 8)
    (doubt,) = twin(client)["doubts"]
    assert doubt["doubt"] == "in_air" and doubt["channel"] == DEPTHS[3] and "200 mm" in doubt["words"]


def test_a_check_outlives_the_server_and_damage_to_its_note(ground: Ground, client: TestClient) -> None:
    """What was ticked stays ticked; a note out of form is begun again, and the server starts."""
    do(client, "begin")
    probe = Probe(ground)
    probe.reads(AIR, 4)
    kept = ground.pipeline.journal.note(CHECKS_KEY)
    again = FieldChecks({"s1/p1": CHANNELS}, kept)
    found = again.get("s1/p1")
    assert found is not None and set(found.done_ms) == {"line", "air"} and found.step(CHANNELS) == "water"
    for bad in ({"s1/p1": 3}, {"s1/p1": {"quiet": {"x": [1]}}}, {"s1/p1": {**kept["s1/p1"], "done_ms": {"moon": 1}}}):  # type: ignore[dict-item]
        assert FieldChecks({"s1/p1": CHANNELS}, bad).get("s1/p1") is None
    assert FieldChecks({}, kept).get("s1/p1") is None


def test_a_tick_that_could_not_be_kept_is_made_again(
    ground: Ground, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk takes nothing, and nothing is ticked that a restart would not know; the next reading ticks it."""
    do(client, "begin")
    probe = Probe(ground)

    def full(*_: object) -> None:
        raise StoreFull("no room")

    with monkeypatch.context() as patched:
        patched.setattr(ground.pipeline.journal, "keep_note", full)
        with pytest.raises(StoreFull):
            probe.reads(AIR)
    assert twin(client)["steps"][0]["state"] == "now"
    probe.reads(AIR)
    assert twin(client)["steps"][0]["state"] == "done" and "s1/p1" in ground.pipeline.journal.note(CHECKS_KEY)


def test_a_check_whose_commit_failed_is_not_under_way(
    ground: Ground, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither in memory, nor its lift in the diary; begun again both are there."""
    hear(ground, 0.2, seq=1)
    ground.clock.wall_ms += 3 * 24 * 3_600_000
    database = ground.pipeline._stores.database
    transaction = database.transaction

    @contextmanager
    def full() -> Iterator[object]:
        with transaction() as tx:
            yield tx
            if database._depth == 1:  # the outermost, which commits
                raise StoreFull("no room")

    with monkeypatch.context() as patched:
        patched.setattr(database, "transaction", full)
        with pytest.raises(StoreFull):
            ground.pipeline.keep_check(ProbeCheck("s1/p1", 0), ground.pipeline.put_in_place("s1/p1", "", 0))
    assert ground.pipeline.checks.get("s1/p1") is None
    do(client, "begin")
    (lift,) = ground.pipeline.diary.entries(("lift", "return"), 0, 2**60)
    assert lift.kind == "lift" and "s1/p1" in ground.pipeline.journal.note(CHECKS_KEY)


def test_who_knows_better_takes_a_probe_as_it_is(ground: Ground, client: TestClient) -> None:
    """It is believed unchecked, and says so; a probe long in its place goes out when its check begins, not before."""
    hear(ground, 0.2, seq=1)
    ground.clock.wall_ms += 3 * 24 * 3_600_000
    do(client, "begin")
    (lift,) = ground.pipeline.diary.entries(("lift",), 0, 2**60)
    assert lift.at_ms == ground.clock.now_ms() and "new" not in lift.body
    do(client, "taken")
    assert twin(client)["believed"] and "Taken as it is" in twin(client)["words"]
    kinds = [one.kind for one in ground.pipeline.diary.entries(("lift", "return"), 0, 2**60)]
    assert kinds == ["lift", "return"]


def test_a_check_of_a_probe_taken_as_it_is_is_over(ground: Ground, client: TestClient) -> None:
    """Before the cup it is taken: what is poured later ticks nothing and writes no second return, after a restart as
    well; begun anew, it is checked from the first step on."""
    status(ground)
    do(client, "begin")
    probe = Probe(ground)
    probe.reads(AIR)  # for the line
    probe.into_the_ground()
    assert twin(client)["steps"][4]["state"] == "now"
    do(client, "taken")
    before = twin(client)
    assert (
        before["state"] == "taken" and before["channels"] == [] and "now" not in [s["state"] for s in before["steps"]]
    )
    page = said(client)
    assert "It is not checked, and is believed as it comes." in page and "Begin the check" in page
    assert "Take it as it is" not in page
    note = ground.pipeline.journal.note(CHECKS_KEY)
    kept = FieldChecks({"s1/p1": CHANNELS}, note).get("s1/p1")
    assert kept is not None and kept.step(CHANNELS) is None
    probe.cup(dict(zip(DEPTHS, (10, 60, 200), strict=False)))
    do(client, "taken")
    assert twin(client) == before
    kinds = [one.kind for one in ground.pipeline.diary.entries(("lift", "return"), 0, 2**60)]
    assert kinds == ["lift", "return"]
    do(client, "begin")
    assert twin(client)["state"] == "under way" and not twin(client)["believed"]


def test_the_last_tick_writes_no_return_of_a_probe_that_was_put_back(ground: Ground, client: TestClient) -> None:
    """Somebody wrote into the diary that it is in its place before the cup."""
    status(ground)
    do(client, "begin")
    probe = Probe(ground)
    probe.reads(AIR)  # for the line
    probe.into_the_ground()
    pipeline = ground.pipeline
    pipeline.diary.add(pipeline.put_in_place("s1/p1", "Ann", ground.clock.now_ms()))
    ground.clock.wall_ms += 2000
    probe.cup(dict(zip(DEPTHS, (10, 60, 200), strict=False)))
    assert twin(client)["state"] == "done"
    kinds = [one.kind for one in pipeline.diary.entries(("lift", "return"), 0, 2**60)]
    assert kinds == ["lift", "return"]


def test_a_keeper_may_and_a_reader_may_look(ground: Ground) -> None:
    """By the forms of the page, with their token; what is no step is refused."""
    app = create_app(ground.pipeline)
    keeper, reader = signed_in(app, "keeper"), signed_in(app, "reader")
    assert reader.get("/first/s1/p1").status_code == reader.get("/first").status_code == 200
    assert "Begin the check" not in reader.get("/first/s1/p1", headers=HTML).text
    form = {"do": "begin", "csrf": csrf_of(keeper)}
    assert reader.post("/first/s1/p1", data={**form, "csrf": csrf_of(reader)}, headers=OWN).status_code == 403
    answer = keeper.post("/first/s1/p1", data=form, headers=OWN)
    assert answer.status_code == 303 and answer.headers["location"] == "/first/s1/p1"
    (lift,) = ground.pipeline.diary.entries(("lift",), 0, 2**60)
    assert lift.author == "Keeper" and lift.body == {"probe": "p1", "new": True}
    assert keeper.post("/first/s1/p1", data={**form, "do": "jump"}, headers=OWN).status_code == 422
    assert keeper.get("/first/s1/p9").status_code == keeper.get("/api/v1/first/s9/p1").status_code == 404


def test_a_probe_above_the_ground_has_one_step(ground: Ground, client: TestClient) -> None:
    """It has to answer, no more; a page in the state of a page without a script has a link to look again."""
    status(ground)
    assert client.post("/api/v1/first/s1/air", json={"do": "begin"}).status_code == 200
    assert "Look again" in said(client, "/first/s1/air")
    live = LiveReading("s1/air", 0, tuple((c.name, 9.0, "ok") for c in load_probe("air").channels), "")
    ground.pipeline._checked(live)
    found = client.get("/api/v1/first/s1/air").json()
    assert found["state"] == "done" and found["believed"] and len(found["steps"]) == 1


def hear(ground: Ground, value: float, seq: int) -> None:
    """The probe's readings at a slot of the clock, as an agent sends them."""
    at_ms = ground.clock.now_ms()
    made = [
        Reading("meadow", "hut", OUTBOX, seq + i, f"s1/p1/{c.name}", str(at_ms // 1000), at_ms,
                value if c.name in DEPTHS else 12.0, Status.OK, 1, True)
        for i, c in enumerate(CHANNELS)
    ]  # fmt: skip
    ground.pipeline.journal.append(Batch("meadow", "hut", OUTBOX, 1, tuple(made)), at_ms)
    ground.pipeline.recompute("s1")


def flags(pipeline: Pipeline) -> set[int]:
    table = pipeline.store.observations([f"s1/p1/{name}" for name in DEPTHS], 0, 2**60)
    return {int(flag) for flag in table["flag"]}
