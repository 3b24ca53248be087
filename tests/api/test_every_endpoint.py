"""Every endpoint of the description, asked at random as the description allows and as it does not, over a real server,
by somebody signed in.

What is expected comes from the OpenAPI document: schemathesis makes the requests from it and holds the answers against
it. The stream of live updates has no end and is left out here: `test_live.py` has it.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from hypothesis.errors import Unsatisfiable

from api.people import add_person, new_session
from api.who import SESSION_COOKIE
from tests.api.advice_by_hand import advice
from tests.api.at_random import entries, still_there
from tests.api.served import serving
from tests.api.site import Ground, ground_at, readings

ENDLESS = ("/api/v1/live",)
UNREADY = ("/readyz",)  # says 503, as it should: no broker runs here
NAMES: dict[str, object] = {
    "name": "s1", "station": "s1", "surface": "square", "channel": "o1/w1/rain",
    "quantity": "thatch_water", "kind": "note",
}  # fmt: skip
SOAK_CASES, A_ROUND = 5000, 40
PATIENCE_S = 120.0  # a crowded machine is no fault of the program


@pytest.fixture
def ground(tmp_path: Path) -> Iterator[Ground]:
    """A filled ground of its own, for entries are written in it."""
    made = ground_at(tmp_path)
    made.hear(readings(100))
    made.advise(advice())
    yield made
    made.pipeline.stop()


def known(case: Any, entry: dict[str, Any], there: dict[str, object]) -> None:
    """Put what is there in place of a name that nothing has, where the case has one, and an entry for an entry."""
    of_surface = "/surfaces/" in case.path
    for told in (case.path_parameters, case.query):
        for key in set(there) & set(told or {}):
            told[key] = "square" if key == "name" and of_surface else there[key]
    if isinstance(case.body, dict) and "kind" in case.body:
        case.body = entry


def ask_all(
    address: str, alert: str, cases: int, number: int, headers: dict[str, str]
) -> tuple[Counter[str], list[str]]:
    """Ask every endpoint with these headers; return how many answers there were of each status, and what the document
    does not allow."""
    import schemathesis
    from schemathesis.core.failures import FailureGroup
    from schemathesis.specs.openapi.checks import (
        content_type_conformance,
        response_headers_conformance,
        response_schema_conformance,
        status_code_conformance,
    )

    checks = [
        status_code_conformance, content_type_conformance, response_headers_conformance,
        response_schema_conformance,
    ]  # fmt: skip
    schema = schemathesis.openapi.from_url(f"{address}/openapi.json", timeout=PATIENCE_S)
    operations = [found.ok() for found in schema.get_all_operations()]
    asked = [one for one in operations if one.path not in ENDLESS]
    assert len(asked) == len(operations) - len(ENDLESS) and len(asked) >= 25
    statuses, faults, rounds = Counter[str](), list[str](), 0
    while statuses.total() < cases:  # an address without parameters can be asked in one way only
        for operation, mode in product(asked, schemathesis.GenerationMode):

            @seed(number + rounds)
            @settings(
                max_examples=A_ROUND, database=None, deadline=None, suppress_health_check=list(HealthCheck),
                phases=[Phase.generate],
            )  # fmt: skip
            @given(
                case=operation.as_strategy(generation_mode=mode), entry=entries(), entry_id=st.integers(1, 30),
                by_name=st.booleans(),
            )  # fmt: skip
            def one(case: schemathesis.Case, entry: dict[str, Any], entry_id: int, *, by_name: bool) -> None:
                if by_name:
                    known(case, entry, NAMES | {"alert_id": alert, "entry_id": entry_id})
                answer = case.call(timeout=PATIENCE_S, headers=headers)
                statuses[f"{case.method} {answer.status_code}"] += 1
                assert answer.status_code < 500 or case.operation.path in UNREADY, answer.text
                case.validate_response(answer, checks=checks)

            try:
                one()
            except Unsatisfiable:
                pass  # nothing can be wrong where nothing can be said
            except (AssertionError, FailureGroup) as err:
                faults.append(f"{operation.label}: {getattr(err, 'exceptions', ())} {err}")
        rounds += 1
    return statuses, faults


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_every_endpoint_keeps_to_its_description(ground: Ground) -> None:
    """Of 5,000 requests of a head from elsewhere none finds a fault of the program or is not let in, no answer is one
    that the document does not name, and all is still there after what was written."""
    number = random.SystemRandom().randrange(2**32)
    print(f"seed {number}")
    with serving(ground.pipeline) as address:
        now_ms, people = ground.clock.now_ms(), ground.pipeline.people
        secret = new_session(people, add_person(people, "Ann", "head", now_ms, by="a test"), now_ms)
        headers = {"Host": "192.0.2.10", "Cookie": f"{SESSION_COOKIE}={secret}", "Sec-Fetch-Site": "same-origin"}
        statuses, faults = ask_all(address, ground.pipeline.alerts()[0].alert_id, SOAK_CASES, number, headers)
    print(f"{statuses.total()} requests: {dict(statuses)}; {len(faults)} faults")
    assert faults == [] and not [one for one in statuses if one.endswith(("401", "403"))]
    assert statuses.total() >= SOAK_CASES
    assert min(statuses[one] for one in ("POST 201", "PUT 200", "DELETE 204")) > 0, "each way of writing was gone"
    still_there(ground)
