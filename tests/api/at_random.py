"""What a hand or a program may put into a form, a query or an entry: good, nearly good, and anything."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from api.app import create_app
from pipeline.diary.entry import KINDS
from tests.api.served import TestClient, api_routes
from tests.api.site import Ground

KNOWN = (
    *("s1", "o1", "square", "outfield", "s1/p1", "p1", "t1", "d1", "1", "2", "3", "4", "booked", "begun", "done"),
    *("scarifying", "scarifying.standard", "solid_tining", "drain", "cable", "seen", "snoozed", "wrong", "left"),
    *("2024-03-22", "10:00", "2024-03-22T10:00", "2099-12-31", "2024", "10", "0 0\n20; 0", "4 to 6, 9", "12.5", "200"),
)
ODD = (
    *("", " ", "0", "-1", "-0.0", "nan", "inf", "-inf", "1e400", "1e308", "1e-400", "9" * 400, str(2**63), "٣", "½"),
    *("0001-01-01", "9999-12-31", "9999-12-31T23:59", "24:00", "2024-02-30", "\x00", "\n" * 50, "a/b/c", "..", "%s"),
    *("<script>", "é🌧", "x" * 3000, "1 2 3", "nan inf", "1e308 -1e308\n-1e308 1e308", "\ufffd", "//evil.example/"),
)
TEXT = st.one_of(st.sampled_from(KNOWN), st.sampled_from(KNOWN), st.sampled_from(ODD), st.text(max_size=20))
TIMES = (None, "2024-03-10T06:00:00Z", "2024-03-20T06:00:00+02:00", "2024-04-01T06:00:00Z", "1970-01-01T00:00:00Z")
ODD_TIMES = ("2099-12-31T23:59:59Z", "9999-12-31T23:59:59Z", "0001-01-01T00:00:00+14:00", "yesterday", "", "24")
VALUES: st.SearchStrategy[Any] = st.one_of(
    TEXT,
    st.sampled_from((None, True, 0, 1, -1, 0.5, 8, 300, 2**63, 10**400, 1e308, [], {}, [[]], [1], {"a": 1}, [[1, 2]])),
)
FITTING: dict[str, tuple[object, ...]] = {
    "pass": ("scarifying", "solid_tining", "hollow_coring", "topdressing"), "variant": ("standard",),
    "state": ("booked", "begun", "done"), "probe": ("t1", "p1"), "channel": ("s1/p1/moisture_035",),
    "entry": (1, 2), "follows": (1, 2), "alert": ("x",), "mark": ("seen", "wrong"), "path_m": ([[0, 0], [9, 9]],),
    "what": ("drain", "cable", "firmness", "disease"), "title": ("old drain",), "text": ("dry",), "why": ("seen",),
    "strips": ("4 to 6",), "around": (True,), "reason": ("rain",), "medium": ("sand",),
}  # fmt: skip
"""Values that a field of this name may take; of another name a small number is tried."""


# not ready without a broker; made by a command; of a demo alone
OFTEN_AWAY = ("/readyz", "/trust/authority.crt", "/tour", "/api/v1/tour", "/photos/s1")  # there is no such photograph


@st.composite
def entries(draw: st.DrawFn) -> dict[str, Any]:
    """An entry of the diary as it is sent: of each kind, with what fits its fields, but for those that do not."""
    kind = draw(st.sampled_from(sorted(KINDS)))
    body = {
        name: draw(st.sampled_from(FITTING.get(name, (1, 2.5, 8))))
        for name, field in KINDS[kind].model_fields.items()
        if field.is_required() or draw(st.booleans())
    }
    wrong = draw(st.dictionaries(st.sampled_from([*KINDS[kind].model_fields, "other"]), VALUES, max_size=2))
    odd = draw(st.booleans())
    return {
        "kind": kind, "surface": draw(TEXT if odd else st.just("square")), "author": "a",
        "station": draw(st.one_of(st.none(), TEXT) if odd else st.sampled_from((None, "s1"))),
        "at": draw(st.sampled_from(TIMES + ODD_TIMES if odd else TIMES)), "body": body | (wrong if odd else {}),
        "end": draw(st.sampled_from(TIMES + ODD_TIMES if odd else TIMES)),
    }  # fmt: skip


def still_there(ground: Ground) -> None:
    """Hold that every page and answer is there, of things that are there, after all that was written."""
    app = create_app(ground.pipeline)
    client = TestClient(app)
    for route in api_routes(app.routes):
        path = route.path.replace("{surface}", "square").replace("{station}", "s1").replace("{probe}", "p1")
        path = path.replace("{name}", "square" if "/surfaces/" in path else "s1")
        if "GET" in route.methods and "{" not in path and "/live" not in path and path not in OFTEN_AWAY:
            answer = client.get(path, headers={"Accept": "*/*"})
            assert answer.status_code in (200, 422), f"{path}: {answer.status_code} {answer.text[:400]}"
