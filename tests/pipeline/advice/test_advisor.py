"""The shell about advice: when it works, how much of the time it takes, and what it does when something is away."""

import itertools
import random
import threading

import pytest

from pipeline.advice.advisor import Advisor, is_behind
from pipeline.errors import StoreAway
from pipeline.run.clock import FollowClock, SystemClock
from pipeline.run.metrics import Metrics
from pipeline.service import Pipeline
from tests.pipeline.hand import HandClock
from tests.pipeline.kept_site import (
    CLIMATE,
    HOUR_MS,
    NOW_MS,
    SITE,
    SURFACE,
    forecast_csv,
    pass_of,
    sites,
    station,
    steady,
    surface_of,
)

STOP = threading.Event()


class CostlyStore:
    """A real store whose every look takes so many seconds of a clock in the hand, and which can be away."""

    def __init__(self, store, clock, seconds: float = 0.0) -> None:
        self._store, self._clock, self.seconds, self.away = store, clock, seconds, False

    def __getattr__(self, name):
        if name in ("channel_series", "finding_series", "findings", "latest", "observations", "span", "steps"):
            if self.away:
                raise StoreAway("store: found it away, expected it there")
            self._clock.real_s += self.seconds
        return getattr(self._store, name)


class Desk:
    """An advisor with its clock, its store and what it said in the hand."""

    def __init__(
        self, site, seconds: float = 0.0, clock: HandClock | None = None, settled=lambda: True, config=None
    ) -> None:
        self.site, self.clock, self.metrics = site, clock or HandClock(NOW_MS), Metrics()
        self.store = CostlyStore(site.stores.store, self.clock, seconds)
        self.advised, self.words = [], []
        self.advisor = Advisor(
            config or site.config, self.store, site.stores.diary, self.metrics, self.clock,
            on_advice=self.advised.append, on_change=self.words.append, settled=settled, rng=random.Random(1),
        )  # fmt: skip

    def steps(self, count: int) -> int:
        """How often it worked in so many steps."""
        before = len(self.advised)
        for _ in range(count):
            self.advisor.step(STOP)
        return len(self.advised) - before

    def value(self, name: str, **labels: str) -> float:
        return self.metrics.registry.get_sample_value(f"underturf_{name}", labels) or 0.0


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    with sites(tmp_path_factory.mktemp("advisor")) as made:
        one = made()
        one.keep(steady(), 24 * 8)
        yield one


def test_advice_is_worked_out_at_the_start_and_when_an_hour_turns(site):
    """Once at the start, not again within the hour, once more when the hour has turned."""
    desk = Desk(site)
    assert desk.advisor.now() is None
    assert desk.steps(20) == 1
    first = desk.advisor.now()
    assert first is desk.advised[0] and first.at_ms == NOW_MS and desk.words == ["advice", "weeks"]
    desk.clock.wall_ms += HOUR_MS - 1
    assert desk.steps(20) == 0
    desk.clock.wall_ms += 1
    assert desk.steps(20) == 1
    assert desk.advisor.now().at_ms == NOW_MS + HOUR_MS


def test_it_looks_seldom_until_the_hour_turns_and_at_once_when_woken(site):
    """With nothing to do it waits 15 s, or until the hour turns; while something is due, half a second."""
    desk = Desk(site)
    desk.steps(20)

    def waited_s() -> float:
        before_s = desk.clock.real_s
        desk.steps(1)
        return desk.clock.real_s - before_s

    assert waited_s() == 15.0
    desk.clock.wall_ms += HOUR_MS - 4000
    assert waited_s() == 4.0
    desk.clock.wall_ms += HOUR_MS
    desk.store.away = True
    assert waited_s() == 0.5
    desk.store.away = False


def test_weeks_ahead_are_worked_out_once_a_local_day(site):
    """At midnight of the site, 12 hours before that of UTC, and not at both."""
    config = site.config.model_copy(
        update={"site": site.config.site.model_copy(update={"timezone": "Pacific/Auckland"})}
    )
    desk = Desk(site, config=config)
    desk.steps(20)
    for now_ms, told in ((NOW_MS + 2 * HOUR_MS - 1, 1), (NOW_MS + 2 * HOUR_MS, 2), (NOW_MS + 15 * HOUR_MS, 2)):
        desk.clock.wall_ms = now_ms
        desk.steps(20)
        assert desk.words.count("weeks") == told


def test_diary_entry_calls_for_advice_at_once(site):
    """The word of a change of the diary is enough; other words are not."""
    desk = Desk(site)
    desk.steps(20)
    for word in ("readings", "alerts", "nodes", "advice"):
        desk.advisor.hear(word)
    assert desk.steps(20) == 0
    site.write("sight", NOW_MS - HOUR_MS, {"what": "disease", "value": 2.0})
    desk.advisor.hear("diary")
    desk.clock.real_s += 60.0
    assert desk.steps(1) == 1
    assert pass_of(desk.advisor.now(), "verticutting").outlook.windows[0].reason == "disease on the turf"


def test_what_follows_from_an_entry_is_advised_on_soon(site):
    """An entry does not wait out the rest of nine times; what is found in the half minute after it is looked at too."""
    desk = Desk(site, seconds=0.5)
    desk.steps(20)
    assert desk.steps(1) == 0
    began_s = desk.clock.real_s
    desk.advisor.hear("diary")
    while not desk.steps(1):
        pass
    took_s = desk.advisor._took_s
    assert took_s > 0.5 and desk.clock.real_s - began_s < 3.0 * took_s
    desk.advisor.hear("findings")  # the stages have been over what the entry changed
    while not desk.steps(1):
        assert desk.clock.real_s - began_s < 10.0 * took_s
    desk.clock.real_s += 30.0
    desk.advisor.hear("findings")
    assert desk.steps(20) == 0


def test_late_readings_are_worth_another_look(site):
    """Advice worked out on old readings is worked out anew when findings come in; on fresh ones it is not."""
    desk = Desk(site)
    desk.steps(20)
    assert not is_behind(desk.advisor.now())
    desk.advisor.hear("findings")
    assert desk.steps(20) == 0
    desk.clock.wall_ms += 3 * HOUR_MS
    assert desk.steps(20) == 1 and is_behind(desk.advisor.now())
    assert desk.steps(20) == 0
    desk.advisor.hear("findings")
    assert desk.steps(20) == 1


def test_advice_on_what_is_half_worked_out_is_made_once_more_when_the_stages_have_seen_all(site):
    """As after an outage: not with every finding meanwhile, but as soon as the last of them is there."""
    settled = [False]
    desk = Desk(site, settled=lambda: settled[0])
    assert desk.steps(20) == 1
    desk.advisor.hear("findings")
    assert desk.steps(20) == 0
    settled[0] = True
    assert desk.steps(20) == 1
    desk.advisor.hear("findings")
    assert desk.steps(20) == 0


def test_advice_takes_at_most_a_tenth_of_the_time(site):
    """With a store that makes each look cost half a second, and hours that fly, it rests nine times what it worked."""
    desk = Desk(site, seconds=0.5)
    spells: list[tuple[float, float]] = []
    for _ in range(400):
        began_s = desk.clock.real_s
        if desk.steps(1):
            spells.append((began_s, desk.clock.real_s))
        desk.clock.wall_ms += HOUR_MS  # each step is an hour
    assert len(spells) >= 3
    for (began_s, ended_s), (next_s, _) in itertools.pairwise(spells):
        assert next_s - ended_s >= 9.0 * (ended_s - began_s) > 0.0
    worked_s = sum(ended_s - began_s for began_s, ended_s in spells)
    assert desk.value("advice_seconds_count") == len(desk.advised)
    assert desk.value("advice_seconds_sum") == pytest.approx(worked_s)


class FlyingClock(FollowClock, HandClock):
    """A demo's clock, moved by the test."""

    def __init__(self, now_ms: int) -> None:
        HandClock.__init__(self, now_ms)
        self.in_history = True

    now_ms, monotonic, wait = HandClock.now_ms, HandClock.monotonic, HandClock.wait


def test_weeks_ahead_wait_while_the_readings_they_rest_on_are_worked_out(site):
    """A backlog comes in: they would be worked out again and again beside it, and keep the stages from it."""
    settled = [False]
    desk = Desk(site, settled=lambda: settled[0])
    desk.steps(20)
    assert desk.advisor.now() is not None and "weeks" not in desk.words
    settled[0] = True
    desk.steps(20)
    assert desk.words.count("weeks") == 1


def test_the_end_of_a_history_ends_the_rest_of_the_advice(site):
    """What was said while the hours flew is days old, and no rule was walked on it. The next is not put off once the
    stages have seen all, and one on old readings not for long; the weeks ahead wait for it."""
    settled = [False]
    desk = Desk(site, seconds=0.5, clock=FlyingClock(NOW_MS), settled=lambda: settled[0])
    assert desk.steps(1) == 0 and desk.advisor.now().at_ms == NOW_MS
    desk.clock.wall_ms += 12 * HOUR_MS
    assert desk.steps(1) == 0 and desk.advisor.now().at_ms == NOW_MS  # it rests
    assert not desk.advisor.follows_history
    desk.clock.in_history = False
    assert desk.steps(20) == 0 and "weeks" not in desk.words
    assert desk.advisor.follows_history
    settled[0] = True
    began_s = desk.clock.real_s
    assert desk.steps(1) == 1
    assert is_behind(desk.advisor.now()) and not desk.advisor.follows_history
    worked_s = desk.clock.real_s - began_s
    desk.advisor.hear("findings")
    ended_s = desk.clock.real_s
    while desk.steps(1) == 0:
        pass
    assert desk.clock.real_s - ended_s <= 2.0 * worked_s + 1.0


def test_store_that_is_away_is_counted_and_waited_out(site):
    """The fault is counted, the last advice stands, and it is tried again once the wait is over."""
    desk = Desk(site)
    desk.steps(20)
    kept = desk.advisor.now()
    desk.store.away = True
    desk.clock.wall_ms += HOUR_MS
    desk.steps(3)
    assert desk.advisor.now() is kept
    assert desk.advisor.advising.reason.startswith("StoreAway: store: found it away")
    assert desk.value("environment_faults_total", part="advising") >= 1
    desk.store.away = False
    desk.clock.real_s += 60.0
    assert desk.steps(2) == 1
    assert desk.advisor.advising.reason == "" and desk.advisor.now() is not kept


def test_fault_of_who_is_handed_the_advice_does_not_lose_it(site):
    """The alerts' store away: advice is there for the pages all the same, and the fault is counted."""
    desk = Desk(site)

    def refuse(advice):
        raise StoreAway("journal: found it locked, expected it free")

    desk.advisor._on_advice = refuse
    desk.steps(2)
    assert desk.advisor.now() is not None
    assert desk.value("environment_faults_total", part="advising") >= 1


def test_nothing_is_begun_when_it_is_to_stop(site):
    """A stop that is set before the step leaves the store alone."""
    desk = Desk(site)
    desk.store.away = True
    ended = threading.Event()
    ended.set()
    desk.advisor.step(ended)
    assert desk.advisor.advising.reason == "" and desk.advisor.now() is None
    desk.advisor.close()


@pytest.fixture
def build(tmp_path):
    with sites(tmp_path) as made:
        yield made


def test_sources_are_read_anew_each_hour(build, tmp_path):
    """A forecast put in place is used from the next hour on; one taken away is kept, and its loss is told."""
    path = tmp_path / "forecast.csv"
    one = build(SITE, f'[forecast]\nsource = "{path}"\n', CLIMATE, SURFACE, station())
    one.keep(steady(), 24 * 8)
    desk = Desk(one)
    desk.steps(2)
    assert any("found no file that can be read at" in n for n in desk.advisor.now().notes)
    path.write_bytes(forecast_csv(NOW_MS, {"rain_mm": [3.0] * 100, "temperature_degc": [15.0] * 100}))
    desk.advisor.hear("diary")
    desk.clock.real_s += 60.0
    desk.steps(1)
    assert any("found no file that can be read at" in n for n in desk.advisor.now().notes)  # within the hour
    desk.clock.wall_ms += HOUR_MS
    desk.clock.real_s += 60.0
    desk.steps(1)
    told = desk.advisor.now()
    assert not any("found no file" in n or "weather forecast" in n for n in told.notes), told.notes
    assert pass_of(told, "light_raking").outlook.windows[0].reason == "too much rain coming"
    path.unlink()
    desk.clock.wall_ms += HOUR_MS
    desk.clock.real_s += 60.0
    desk.steps(1)
    assert any("found no file that can be read at" in n for n in desk.advisor.now().notes)
    assert pass_of(desk.advisor.now(), "light_raking").outlook.windows[0].reason == "too much rain coming"


def test_sources_are_left_alone_while_hours_fly(build, tmp_path):
    """Ten hours within half a minute, as in the history of a demo: each has its advice, the sources are read once."""
    path = tmp_path / "forecast.csv"
    one = build(SITE, f'[forecast]\nsource = "{path}"\n', CLIMATE, SURFACE, station())
    one.keep(steady(), 24 * 8)
    desk = Desk(one)
    refreshed = []
    refresh = desk.advisor._weather.refresh
    desk.advisor._weather.refresh = lambda: refreshed.append(desk.clock.real_s) or refresh()
    advised = 0
    for _ in range(10):
        advised += desk.steps(1)
        desk.clock.wall_ms += HOUR_MS
        desk.clock.real_s += 0.5
    assert (advised, len(refreshed)) == (10, 1)
    desk.clock.real_s += 30.0
    assert (desk.steps(1), len(refreshed)) == (1, 2)


def test_forecast_without_a_place_is_said_to_be_no_use(build, tmp_path):
    """A forecast is set and the site has no latitude: the notes say what is missing, not that none is set."""
    bare = f'[site]\nname = "meadow"\n[forecast]\nsource = "{tmp_path / "forecast.csv"}"\n'
    desk = Desk(build(bare, CLIMATE, SURFACE, station()))
    desk.steps(2)
    notes = desk.advisor.now().notes
    assert any("found no latitude and longitude of the site" in n for n in notes), notes
    assert not any("no weather forecast is set" in n for n in notes)


class StandingClock(SystemClock):
    """The machine's clock, but for the time of day, which stands."""

    def now_ms(self) -> int:
        return NOW_MS


def test_running_pipeline_gives_advice_and_says_so(build):
    """With every part running in its thread the advice of what is kept comes by itself, and the change is told."""
    one = build(SITE, CLIMATE, SURFACE, station())
    one.keep(steady(), 24 * 8)
    pipeline = Pipeline(one.config, clock=StandingClock(), mosquitto=None)
    try:
        words: list[str] = []
        pipeline.changes.listen(words.append)
        assert pipeline.advice() is None
        pipeline.start()
        seen = 0
        while "advice" not in words and seen < 200:
            pipeline.changes.wait(seen, 0.2)
            seen += 1
        advice = pipeline.advice()
        assert advice is not None and surface_of(advice).passes
        assert "advice" in words
    finally:
        pipeline.stop()
