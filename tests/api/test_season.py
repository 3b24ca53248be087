"""A year of a surface: its figures are those of diary, findings and gauge, and what is not known is left out."""

from __future__ import annotations

import datetime
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from api.app import create_app
from api.command import main
from pipeline.diary.entry import DiaryEntry
from tests.api.served import TestClient, serving
from tests.api.site import NOW_MS, SETTINGS, Ground, ground_at, readings

YEAR = datetime.datetime.fromtimestamp(NOW_MS / 1000, datetime.UTC).year
DAY_MS = 86_400_000


def ms(month: int, day: int) -> int:
    return round(datetime.datetime(YEAR, month, day, 10, tzinfo=datetime.UTC).timestamp() * 1000)


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    """Twenty days of readings, cores of two days, passes done and booked, and waterings with and without an amount."""
    made = ground_at(tmp_path_factory.mktemp("season"))
    made.hear(readings())
    write = made.pipeline.diary.add
    for month, day, hour, mm in ((1, 20, 0, 12.0), (1, 20, 1, 15.0), (1, 20, 2, 14.0), (2, 20, 0, 16.0)):
        write(DiaryEntry("core", "square", ms(month, day) + hour * 3_600_000, {"thatch_mm": mm}, "s1"))
    blades = {"pass": "scarifying", "depth_mm": 10, "spacing_mm": 25, "width_mm": 3}
    write(DiaryEntry("pass", "square", ms(2, 1), {**blades, "state": "done", "around": True}))
    write(DiaryEntry("pass", "square", ms(9, 15), {**blades, "state": "booked"}))
    write(DiaryEntry("watering", "square", NOW_MS - 2 * DAY_MS, {"water_mm": 8}, None, NOW_MS - 2 * DAY_MS + 3_600_000))
    write(DiaryEntry("watering", "square", NOW_MS - DAY_MS, {}, None, NOW_MS - DAY_MS + 3_600_000))
    for day, lasts_d in ((1, 2), (2, None)):
        end_ms = None if lasts_d is None else ms(3, day) + lasts_d * DAY_MS
        write(DiaryEntry("closed", "square", ms(3, day), {"reason": "standing water"}, None, end_ms))
    for amount, more in ((640, {"pass": "scarifying", "hours": 6}), (910.5, {})):
        write(DiaryEntry("cost", "square", ms(2, 1), {"amount": amount, "what": f"bill of {amount}", **more}))
    made.pipeline.recompute_passes("s1")
    yield made
    made.pipeline.stop()


@pytest.fixture(scope="module")
def client(ground: Ground) -> TestClient:
    return TestClient(create_app(ground.pipeline))


def test_a_booked_pass_is_told_with_what_it_may_leave(client: TestClient) -> None:
    """Blades of 3 mm each 25 mm touch 12 %; 10 mm of 16 at 0.6 to 0.8 is 0.72 to 0.96 mm (by hand): 15.04 to 15.28."""
    booked = client.get("/api/v1/surfaces/square/season").json()["passes"][-1]
    assert booked["state"] == "booked"
    left = booked["may_leave"]
    assert (left["low"], left["high"]) == (pytest.approx(15.04), pytest.approx(15.28))
    assert "It may leave 15.2 mm (15.0 to 15.3 mm) of thatch" in client.get("/season/square").text.replace("\xa0", " ")


def test_cores_of_a_day_are_told_by_the_middle_one_least_and_most(client: TestClient) -> None:
    """12, 15 and 14 mm of one morning are 14, 12 to 15; the core of the settings is among them (counted by hand)."""
    cores = client.get("/api/v1/surfaces/square/season").json()["cores"]
    assert [(c["day"][5:], c["thatch_mm"], c["low_mm"], c["high_mm"], c["cores"]) for c in cores] == [
        (
            "01-10",
            14.0,
            14.0,
            14.0,
            1,
        ),  # of the settings, dated by the site
        ("01-20", 14.0, 12.0, 15.0, 3),
        ("02-20", 16.0, 16.0, 16.0, 1),
    ]


def test_figures_are_those_stored(client: TestClient, ground: Ground) -> None:
    """What a pass took is its finding; roots are the stored fortnights; water given is that written down: 8 mm."""
    found = client.get("/api/v1/surfaces/square/season").json()
    done, booked = found["passes"]
    assert (done["state"], booked["state"], booked["figures"]) == ("done", "booked", [])
    (row,) = ground.pipeline.store.findings("s1", ["thatch_removed"], 0, 2**61).to_dict("records")
    taken = next(f["figure"] for f in done["figures"] if f["quantity"] == "thatch_removed")
    assert (taken["value"], taken["low"]) == pytest.approx((row["value"], row["low"]))
    depths = ground.pipeline.store.findings("s1", ["root_depth_90"], 0, 2**61)
    assert len(found["roots"]) == len(depths)
    assert found["so_far"]["given_mm"] == 8.0 and found["last_year"]["given_mm"] is None
    assert found["so_far"]["passes"] == 1 and found["so_far"]["thatch_mm"] == 16.0


def test_days_closed_and_costs_are_summed(client: TestClient) -> None:
    """1 to 3 March, and 2 March again, are three days; 640 and 910.50 are 1550.50, with 6 hours (counted by hand)."""
    found = client.get("/api/v1/surfaces/square/season").json()
    sums = found["so_far"]
    assert (sums["closed_days"], sums["cost"], sums["hours"]) == (3, 1550.5, 6.0)
    assert (found["last_year"]["closed_days"], found["last_year"]["cost"]) == (0, None)
    assert [(one["amount"], one["hours"], one["pass"]) for one in found["costs"]] == [
        (640.0, 6.0, "scarifying"), (910.5, None, None)
    ]  # fmt: skip
    for path in ("/season/square", "/sheet/square"):
        page = " ".join(client.get(path).text.split())
        assert "1 Mar to 3 Mar" in page and "standing water" in page and "1,550" in page


def test_a_month_of_few_days_has_no_sum(client: TestClient) -> None:
    """Twenty days cannot stand for a month, nor months to come for anything; nothing is nought that is not known."""
    months = client.get("/api/v1/surfaces/square/season").json()["months"]
    assert len(months) == 12 and months[11]["rain_mm"] is None and months[11]["growth_days"] is None


def test_page_and_sheet_say_what_the_data_say(client: TestClient) -> None:
    """Both name the last cores and the pass with what it took, and load nothing from elsewhere; each plot has words."""
    found = client.get("/api/v1/surfaces/square/season").json()
    taken = next(f["figure"] for f in found["passes"][0]["figures"] if f["quantity"] == "thatch_removed")
    for address in ("/season/square", "/sheet/square"):
        text = client.get(address).text
        assert "Thatch 16 mm" in text and f"Thatch taken out: {taken['value']:.1f}" in text.replace("\u00a0", " ")
        assert len(re.findall(r'role="img" aria-label="[^"]+"', text)) == len(re.findall(r'class="plot"', text)) >= 5
    sheet = client.get("/sheet/square").text
    assert "<script" not in sheet and not re.findall(r'(src|href)="(?!/api|data:)[^"]*"', sheet)


@pytest.mark.parametrize("address", ["/season/outfield", "/season/outfield?year=1999", "/sheet/outfield?year=1999"])
def test_a_year_of_nothing_is_said_to_be_one(client: TestClient, address: str) -> None:
    """No core, no pass: the page says so and stays whole."""
    text = client.get(address).text
    assert "No core of" in text and "is in the diary" in text


def test_what_is_not_there_is_refused_by_name(client: TestClient) -> None:
    """An unknown surface is 404 with the names there are, a year beyond all sense 422."""
    assert "square, outfield" in client.get("/api/v1/surfaces/green/season").json()["detail"]
    assert client.get("/season/square?year=20250").status_code == 422


@pytest.fixture
def settings(tmp_path: Path, ground: Ground) -> Callable[[str], Path]:
    def written(address: str) -> Path:
        file = tmp_path / "underturf.toml"
        file.write_text(f"{SETTINGS}\n[pages]\nport = {address.rpartition(':')[2]}\n", encoding="utf-8")
        return file

    return written


def test_the_sheet_is_one_page_of_paper(
    ground: Ground, settings: Callable[[str], Path], tmp_path: Path, need_program: Callable[[str], str]
) -> None:
    """The command asks the running service; the PDF that a real Chromium prints has one page of A4."""
    need_program("chromium")
    file = tmp_path / "sheet.pdf"
    with serving(ground.pipeline) as address:
        assert main(["sheet", "square", "--config", str(settings(address)), "--pdf", "--out", str(file)]) == 0
    data = file.read_bytes()
    assert data.startswith(b"%PDF") and len(re.findall(rb"/Type\s*/Page\b", data)) == 1
    assert re.search(rb"/MediaBox\s*\[0 0 59[45]\.?\d* 84[12]", data)  # 210 by 297 mm in points


def test_without_a_chromium_the_command_says_so(
    ground: Ground, settings: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing is written, and what to do instead is told; an unknown surface is named."""
    monkeypatch.setenv("PATH", "/nowhere")
    assert shutil.which("chromium") is None
    with serving(ground.pipeline) as address:
        config = str(settings(address))
        assert main(["sheet", "--config", config, "--pdf"]) == 1
        assert "found no Chromium" in capsys.readouterr().err
        assert main(["sheet", "green", "--config", config]) == 1
    assert "expected one of: square, outfield" in capsys.readouterr().err
