"""Passwords guessed at a real encrypted server, from many addresses and at many names: none gets in, the pages go on,
and the owner is told. Figures are printed; the bound of a page's wait is ours, as whoever waits longer asks again.
"""

from __future__ import annotations

import ssl
import statistics
import threading
import time
from collections import Counter
from pathlib import Path

import httpx
import pytest

from api.access import FREE_OF_ADDRESS, FREE_OF_NAME
from api.certificate import make_certificate, server_context
from api.passwords import hashed
from api.people import add_person, new_session
from api.who import SESSION_COOKIE
from pipeline.run.clock import SystemClock
from pipeline.service import Pipeline, load_settings
from tests.api.served import serving
from tests.api.site import SETTINGS

NAMES, ADDRESSES, GUESSERS = 20, 200, 8
PAGE_WITHIN_S = 3.0  # in the median of ten; this machine runs the guessers too
OWN = {"Sec-Fetch-Site": "same-origin", "X-Forwarded-Proto": "https"}


def guess(at: str, trusted: ssl.SSLContext, first: int, count: int, seen: Counter[str]) -> None:
    """Guess so many times, each time from another address at another name."""
    with httpx.Client(base_url=at, verify=trusted, headers=OWN, timeout=60) as client:
        for number in range(first, first + count):
            address = f"198.51.{number % ADDRESSES // 100}.{number % 100}"
            told = {"name": f"Person {number % NAMES}", "password": f"guess number {number}"}
            answer = client.post("/sign-in", data=told, headers={"X-Forwarded-For": address})
            seen[f"{answer.status_code}{' in' if 'set-cookie' in answer.headers else ''}"] += 1
            if answer.status_code == 429:
                assert int(answer.headers["retry-after"]) >= 1


@pytest.mark.parametrize("guesses", [100, pytest.param(10_000, marks=pytest.mark.soak)])
@pytest.mark.timeout(900)
def test_guesses_get_nobody_in_and_the_pages_go_on(
    tmp_path: Path, guesses: int, caplog: pytest.LogCaptureFixture
) -> None:
    """Few are looked at, the others refused at once with a time to wait; a page is served all the while, and its owner
    reads of it there, in the log and in the audit log."""
    (tmp_path / "underturf.toml").write_text(SETTINGS + '[pages]\nproxy = "127.0.0.1"\n')
    pipeline = Pipeline(load_settings(tmp_path / "underturf.toml"), clock=SystemClock(), mosquitto=None)
    try:
        now_ms = pipeline.clock.now_ms()
        made = [add_person(pipeline.people, f"Person {n}", "keeper", now_ms, by="a test") for n in range(NAMES)]
        known = hashed("the right three words")
        for person in made:
            pipeline.people.set_password(person, known, now_ms, by="a test")
        owner = add_person(pipeline.people, "Ann", "head", now_ms, by="a test")
        session = new_session(pipeline.people, owner, now_ms)
        make_certificate(pipeline.config, now_ms)
        trusted = ssl.create_default_context(cafile=str(pipeline.config.data.certificate_dir / "authority.crt"))
        seen, waits, page = Counter[str](), list[float](), ""
        with serving(pipeline, context=server_context(pipeline.config)) as at:
            share = guesses // GUESSERS
            threads = [
                threading.Thread(target=guess, args=(at, trusted, n * share, share, seen)) for n in range(GUESSERS)
            ]
            begun = time.monotonic()
            for thread in threads:
                thread.start()
            with httpx.Client(base_url=at, verify=trusted, timeout=60) as reader:
                headers = {"Cookie": f"{SESSION_COOKIE}={session}", "X-Forwarded-For": "192.0.2.7"}
                while any(thread.is_alive() for thread in threads) or len(waits) < 10:
                    asked = time.monotonic()
                    answer = reader.get("/work", headers=headers)
                    waits.append(time.monotonic() - asked)
                    assert answer.status_code == 200
                    page = answer.text
                    time.sleep(0.2)
            took_s = time.monotonic() - begun
            for thread in threads:
                thread.join()
        print(
            f"{seen.total()} guesses, {GUESSERS} at once, of {ADDRESSES} addresses at {NAMES} names in {took_s:.0f} s: "
            f"{dict(seen)}; a page {len(waits)} times beside them, {1000 * statistics.median(waits):.0f} ms in the "
            f"median, {1000 * max(waits):.0f} at most"
        )
        assert seen.total() == share * GUESSERS and set(seen) == {"401", "429"}
        # A name is tried ten times, then ever more rarely; what is looked at is bounded by the time it took.
        assert seen["401"] <= NAMES * (FREE_OF_NAME + 8 + took_s / 60) and seen["401"] >= FREE_OF_ADDRESS
        assert statistics.median(waits[:10]) < PAGE_WITHIN_S
        assert "Somebody guesses at passwords" in page
        assert "passwords_guessed" in caplog.text
        assert any("passwords guessed from" in line.what for line in pipeline.people.audit(9))
    finally:
        pipeline.stop()
