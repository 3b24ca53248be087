"""Every page, and every form that pages send, asked with whatever a browser or a hand can put there.

The document of the interface does not have them, so the routes of the application say what there is to ask, and the
source of the pages which fields they read. Expected is the promise itself: a page, a redirect or a refusal in words,
and every page and answer still there after all that was written.
"""

from __future__ import annotations

import random
import re
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote

import pytest
from fastapi.routing import APIRoute
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from api.app import create_app
from api.diary_form import FORMS
from pipeline.diary.entry import DiaryEntry
from tests.api.advice_by_hand import advice
from tests.api.at_random import TEXT, entries, still_there
from tests.api.served import TestClient, api_routes
from tests.api.site import HOUR_MS, NOW_MS, Ground, ground_at, readings
from tests.api.test_ground import OWN, PLANNED

PAGES = Path(__file__).parents[2] / "api" / "pages"
SOAK_CASES, CASES = 5000, 100
GOOD = {
    "/work/book": {"surface": "square", "what": "scarifying.standard", "day": "2024-03-22", "time": "10:00"},
    "/ground/place": {"what": "s1/p1", "x_m": "1,5", "y_m": "-2"},
    "/ground/buried": {"what": "drain", "title": "other drain", "path": "-20 0\n20; 0", "cover_mm": "200"},
    "/alerts/{alert_id}/mark": {"mark": "seen", "back": "/work"},
    "/diary": {"kind": "core", "surface": "square", "station": "s1", "thatch_mm": "14", "root_mm": "70"},
}
"""What each form is filled in with by one who means well; the others have no fields that must be there."""


class Asked(NamedTuple):
    """A route: its method, its path with the names in it, and what may be said in its query or its form."""

    method: str
    path: str
    fields: tuple[str, ...]


def form_fields() -> tuple[str, ...]:
    """Every field that the pages read from a form."""
    text = "".join(path.read_text() for path in sorted(PAGES.glob("*.py")))
    found = re.findall(r'form(?:\.get\(|\[)"(\w+)"|_number\(form, "(\w+)"', text)
    asked = {one.key for form in FORMS.values() for one in form.fields} | {"at", "end", "until", "probes", "of"}
    return tuple(sorted(asked | {name or number for name, number in found}))


def routes(ground: Ground) -> list[Asked]:
    """What is not in the document of the interface."""
    found = []
    for route in api_routes(create_app(ground.pipeline).routes):
        if isinstance(route, APIRoute) and not route.include_in_schema:
            (method,) = route.methods
            read = tuple(one.alias for one in route.dependant.query_params)
            found.append(Asked(method, route.path, form_fields() if method == "POST" else read))
    return found


@pytest.fixture
def ground(tmp_path: Path) -> Iterator[Ground]:
    """A ground with a plan, an open alert, booked passes and something buried, for entries are written in it."""
    made = ground_at(tmp_path, PLANNED)
    made.hear(readings(24, first_hour=450))  # silent for six hours since: an alert
    made.advise(advice())
    for kind, surface, hours, body in (
        ("pass", "square", 50, {"pass": "scarifying", "depth_mm": 8, "state": "booked"}),
        ("pass", "outfield", 26, {"pass": "solid_tining", "depth_mm": 100, "state": "booked"}),
        ("buried", "square", 0, {"title": "old drain", "what": "drain", "path_m": [[0.0, 0.0], [20.0, 0.0]]}),
    ):
        made.pipeline.diary.add(DiaryEntry(kind, surface, NOW_MS + hours * HOUR_MS, body))
    yield made
    made.pipeline.stop()


def ask_all(ground: Ground, cases: int, number: int) -> Counter[str]:
    """Ask every page and form by turns; return how many answers there were of each status."""
    client = TestClient(create_app(ground.pipeline), follow_redirects=False)  # what nobody foresaw is raised
    alerts = [alert.alert_id for alert in ground.pipeline.alerts()]
    there = {"name": "s1", "station": "s1", "surface": "square", "probe": "p1", "alert_id": alerts[0]}
    statuses, every = Counter[str](), routes(ground)
    assert {one.path for one in every} >= set(GOOD)
    for place, asked in enumerate(every):
        statuses += ask(client, asked, there, -(-cases // len(every)), number + place)
    return statuses


def ask(client: TestClient, asked: Asked, there: dict[str, str], cases: int, number: int) -> Counter[str]:
    """Ask one route: as one who means well would, the same but for a field, and anyhow."""
    names, good, statuses = re.findall(r"{(\w+)}", asked.path), GOOD.get(asked.path, {}), Counter[str]()

    @at_random(cases, number)
    @given(
        told=st.dictionaries(st.sampled_from(asked.fields), TEXT) if asked.fields else st.just({}),
        filled=st.lists(TEXT, min_size=len(names), max_size=len(names)),
        entry=st.integers(1, 9),
        meant=st.sampled_from(("well", "but for a field", "anyhow")),
    )
    def one(told: dict[str, str], filled: list[str], entry: int, meant: str) -> None:
        if meant != "anyhow":
            filled = [there.get(name, str(entry)) for name in names]
            told = good | (dict(list(told.items())[:1]) if meant != "well" else {})
        path = asked.path
        for name, value in zip(names, filled, strict=True):
            path = path.replace(f"{{{name}}}", quote(value or "x", safe=""))
        more: dict[str, Any] = {"params": told} if asked.method == "GET" else {"data": told or {"nothing": ""}}
        answer = client.request(asked.method, path, headers={**OWN, "Accept": "text/html"}, **more)
        statuses[f"{asked.method} {answer.status_code}"] += 1
        assert answer.status_code < 500, answer.text
        assert answer.status_code != 303 or re.match(r"/(?!/)", answer.headers["location"]), answer.headers

    one()
    return statuses


def at_random(cases: int, number: int) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """So many cases from a seed, whatever each takes."""

    def decorated(test: Callable[..., None]) -> Callable[..., None]:
        asked = settings(
            max_examples=cases, database=None, deadline=None, suppress_health_check=list(HealthCheck),
            phases=[Phase.generate],
        )(test)  # fmt: skip
        return seed(number)(asked)

    return decorated


def write_all(ground: Ground, cases: int, number: int) -> Counter[int]:
    """Send entries of the diary of every kind; return how many answers there were of each status."""
    client, statuses = TestClient(create_app(ground.pipeline)), Counter[int]()

    @at_random(cases, number)
    @given(entry=entries())
    def one(entry: dict[str, Any]) -> None:
        answer = client.post("/api/v1/diary", json=entry, headers=OWN)
        statuses[answer.status_code] += 1
        assert answer.status_code in (201, 422), answer.text

    one()
    return statuses


def test_forms_are_found_with_their_fields() -> None:
    """Fields of each file that has forms are among them: a form that is read otherwise would not be asked."""
    assert {"mark", "back", "surface", "what", "x_m", "tape_1", "cover_mm", "entry"} <= set(form_fields())


def test_pages_forms_and_entries_take_anything(ground: Ground) -> None:
    """A few of each, written, done or refused; and no page stumbles over what was written. Longer in the test below."""
    written, asked = write_all(ground, CASES, 1), ask_all(ground, CASES, 1)
    assert min(written[201], written[422]) > CASES / 10, written
    assert min(asked[one] for one in ("POST 303", "POST 422", "GET 200")) > CASES / 50 and asked["GET 422"], asked
    still_there(ground)


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_pages_forms_and_entries_take_anything_for_long(ground: Ground) -> None:
    """Of 5,000 entries and thousands of requests none finds a fault of the program; all pages are there afterwards."""
    number = random.SystemRandom().randrange(2**32)
    print(f"seed {number}")
    written, asked = write_all(ground, SOAK_CASES, number), ask_all(ground, SOAK_CASES, number)
    print(f"{written.total()} entries: {dict(written)}; {asked.total()} of pages and forms: {dict(asked)}")
    still_there(ground)


@pytest.mark.parametrize(
    ("path", "form", "status", "said"),
    [
        ("/ground/buried/9223372036854775808/strike", "a=b", 404, "found 9223372036854775808, expected the number"),
        ("/ground/place", "what=s1&tape_1=1e308&tape_2=1e308", 422, "tapes: found 1e+308 m and 1e+308 m, expected"),
        ("/ground/place", "&".join(f"a{n}=1" for n in range(101)), 413, "body: found more than 100, expected at most"),
    ],
    ids=["number", "tapes", "fields"],
)
def test_what_no_form_of_ours_sends_is_refused(ground: Ground, path: str, form: str, status: int, said: str) -> None:
    """Each of these was a fault of the program once."""
    headers = {**OWN, "content-type": "application/x-www-form-urlencoded"}
    answer = TestClient(create_app(ground.pipeline)).post(path, content=form, headers=headers)
    assert answer.status_code == status and said in answer.json()["detail"]


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ({"kind": "pass", "body": {"pass": [1], "state": "booked"}}, "pass: found [1], expected"),
        ({"kind": "cost", "body": {"pass": {"a": 1}, "amount": 5}}, "pass: found {'a': 1}, expected"),
        ({"kind": "note", "at": "9999-12-31T23:59:59Z"}, "at: found a time outside of 1970 to 2099"),
        ({"kind": "closed", "end": "2100-01-01T00:00:00Z"}, "end: found a time outside of 1970 to 2099"),
    ],
    ids=["list", "table", "at", "end"],
)
def test_an_entry_that_no_page_could_show_is_refused(ground: Ground, entry: dict[str, Any], said: str) -> None:
    """A name that is no text, and a time that the site's zone takes into the year 10000: the work page would be gone
    for good."""
    made = {"surface": "square", "body": {"text": "x"}, **entry}
    answer = TestClient(create_app(ground.pipeline)).post("/api/v1/diary", json=made, headers=OWN)
    assert answer.status_code == 422 and said in answer.json()["detail"]
