"""Every error is a problem document, and a reader who came for a page gets one."""

from __future__ import annotations

import pytest

from api.app import create_app
from api.problems import PROBLEM_TYPE
from pipeline.errors import StoreAway
from tests.api.served import TestClient, api_routes
from tests.api.site import MakeGround

ROWS = [
    ("GET", "/api/v1/nothing", 404),
    ("GET", "/stations/nothing", 404),
    ("GET", "/stations/nothing/chart.json", 404),
    ("GET", "/static/nothing.css", 404),
    ("POST", "/api/v1/site", 405),
    ("DELETE", "/", 405),
    ("GET", "/api/v1/observations?limit=x", 422),
    ("GET", "/api/v1/findings", 422),
    ("GET", "/api/v1/site?days=3", 400),
    ("GET", "/stations/s1?day=3", 400),
]


def is_problem(answer: object, status: int, path: str) -> dict[str, object]:
    assert answer.status_code == status  # type: ignore[attr-defined]
    assert answer.headers["content-type"] == PROBLEM_TYPE  # type: ignore[attr-defined]
    body: dict[str, object] = answer.json()  # type: ignore[attr-defined]
    assert set(body) == {"type", "title", "status", "detail", "instance"}  # RFC 9457, section 3.1
    assert body["status"] == status and body["instance"] == path.split("?")[0]
    assert body["title"] and body["detail"]
    return body


@pytest.mark.parametrize(("method", "path", "status"), ROWS, ids=lambda v: str(v))
def test_an_error_is_a_problem_document(client: TestClient, method: str, path: str, status: int) -> None:
    """Not found, not allowed, not of the form: status, media type and the five members of RFC 9457."""
    is_problem(client.request(method, path), status, path)


def test_every_address_refuses_a_query_parameter_it_does_not_have(client: TestClient) -> None:
    """400, before anything is looked up or written; the addresses are those of the application itself."""
    seen = 0
    for route in api_routes(client.app.routes):  # type: ignore[attr-defined]
        for method in route.methods:
            answer = client.request(method, f"{route.path}?colour=green", json={} if method == "POST" else None)
            assert "'colour'" in str(is_problem(answer, 400, answer.url.path)["detail"]), f"{method} {route.path}"
            seen += 1
    assert seen >= 30


@pytest.mark.parametrize(
    ("query", "found", "near"),
    [
        (
            "station=s1&start=2024-03-01&end=2024-03-02",
            ["start", "end"],
            ["from", "to"],
        ),  # what our arguments are called
        ("station=s1&quantty=thatch_water", ["quantty"], ["quantity"]),
        ("statoin=s1", ["statoin"], ["station"]),  # named before the missing `station` is asked for
    ],
)
def test_an_unknown_query_parameter_is_told_with_the_nearest(
    client: TestClient, query: str, found: list[str], near: list[str]
) -> None:
    """A misspelt parameter is not passed over: another span would be answered than was asked."""
    answer = client.get(f"/api/v1/findings?{query}")
    assert answer.status_code == 400
    faults = answer.json()["detail"].split("; ")
    known = "Known: station, quantity, from, to, limit, after"
    assert faults == [f"found {a!r}, expected {b!r}? {known}" for a, b in zip(found, near, strict=True)]


def test_a_refusal_of_many_parameters_stays_short(client: TestClient) -> None:
    """A thousand long parameters are refused with the first few of them, cut."""
    query = "&".join(f"{i}{'x' * 1000}=1" for i in range(20))
    answer = client.get(f"/api/v1/site?{query}")
    assert answer.status_code == 400 and len(answer.content) < 4000


def test_a_method_that_is_not_allowed_names_those_that_are(client: TestClient) -> None:
    """405 comes with `Allow`, as RFC 9110 section 15.5.6 asks."""
    assert "GET" in client.post("/api/v1/site").headers["allow"]


@pytest.mark.parametrize("path", ["/api/v1/now", "/api/v1/observations", "/api/v1/summary.txt", "/stations/s1"])
def test_a_store_that_is_away_is_said_and_asked_again_later(
    make_ground: MakeGround, monkeypatch: pytest.MonkeyPatch, path: str
) -> None:
    """503 with the reason and when to ask again; when the store is back the answer is."""
    ground = make_ground()
    client = TestClient(create_app(ground.pipeline), raise_server_exceptions=False)

    def away(*_: object, **__: object) -> None:
        raise StoreAway("the disk has gone")

    with monkeypatch.context() as patch:
        for name in ("latest", "last_answers", "observations", "findings", "steps"):
            patch.setattr(ground.pipeline.store, name, away)
        answer = client.get(path)
    assert "the disk has gone" in str(is_problem(answer, 503, path)["detail"])
    assert int(answer.headers["retry-after"]) > 0
    assert client.get(path).status_code == 200


def test_a_bug_tells_nothing_of_the_inside(make_ground: MakeGround, monkeypatch: pytest.MonkeyPatch) -> None:
    """500 says that there is a fault in the program; what it is stands in the log."""
    ground = make_ground()

    def bug() -> None:
        raise ZeroDivisionError("secret inside")

    monkeypatch.setattr(ground.pipeline, "alerts", bug)
    client = TestClient(create_app(ground.pipeline), raise_server_exceptions=False)
    assert "secret" not in str(is_problem(client.get("/api/v1/alerts"), 500, "/api/v1/alerts"))


def test_a_reader_who_came_for_a_page_gets_one(client: TestClient) -> None:
    """A browser is answered in words with a way back, and the interface in JSON whatever is asked."""
    html = {"accept": "text/html,application/xhtml+xml"}
    page = client.get("/stations/nothing", headers=html)
    assert page.status_code == 404 and page.headers["content-type"].startswith("text/html")
    assert "No such station" in page.text and 'href="/"' in page.text
    is_problem(client.get("/api/v1/stations/nothing", headers=html), 404, "/api/v1/stations/nothing")


def test_what_was_asked_is_not_run_as_a_script(client: TestClient) -> None:
    """A name with markup in it comes back as text."""
    page = client.get("/stations/%3Cscript%3Ealert(1)%3C%2Fscript%3E", headers={"accept": "text/html"})
    assert "<script>alert" not in page.text and "&lt;script&gt;" in page.text
