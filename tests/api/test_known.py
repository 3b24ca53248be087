"""Every stored finding is seen by a person: by its own figure on the station page, and in the data."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from api.app import create_app
from pipeline.stages.catalogue import CATALOGUE, YES_OR_NO, Of, Shown
from pipeline.store import FINDING_COLUMNS
from tests.api.served import TestClient
from tests.api.site import DAYS, HOUR_MS, NOW_MS, Ground, MakeGround

DAY_MS = 24 * HOUR_MS
CHANNEL = "s1/p1/moisture_065"
# A figure of each unit that stands out on a page, and how a reader must see it.
FIGURES = {
    "1": (0.37, "37 %"),
    "mm": (3.7, "3.7 mm"),
    "m": (0.137, "137 mm"),
    "h": (37.0, "37 h"),
    "min": (137.0, "137 min"),
    "degC": (3.7, "3.7 °C"),
    "kPa": (1370.0, "1370 kPa"),
    "m3 m-3": (0.37, "0.37 m³/m³"),
    "mm yr-1": (-1.7, "-1.7 mm a year"),
    "% yr-1": (0.37, "0.37 % a year"),
}


def stored(ground: Ground, quantity: str, *, owner: str = "s1", reason: str = "", value: float | None = None) -> None:
    """Store one finding of a quantity, an hour old, as a stage would."""
    figure = FIGURES[CATALOGUE[quantity].unit][0] if value is None else value
    at_ms = NOW_MS - HOUR_MS
    row = (owner, quantity, at_ms, at_ms, figure, figure * 0.9, figure * 1.1, 9, reason, 1)
    ground.pipeline.store.upsert_findings(pd.DataFrame([row], columns=list(FINDING_COLUMNS)))


def seen(ground: Ground) -> str:
    """The station page as a reader has it."""
    text = TestClient(create_app(ground.pipeline)).get("/stations/s1").text
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "|", text)).replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize("quantity", [q for q, entry in CATALOGUE.items() if entry.shown is Shown.GROUND])
def test_a_finding_has_its_line_on_the_station_page(make_ground: MakeGround, quantity: str) -> None:
    """Stored as the only one, it is named on the page with its value, its interval and its reason, and in the data."""
    ground, entry = make_ground(), CATALOGUE[quantity]
    owner = CHANNEL if entry.of_channel else "s1"
    assert f"|{entry.title}" not in seen(ground)
    stored(ground, quantity, owner=owner, reason="from few hours")
    page = seen(ground)
    name = entry.title + (", 65 mm" if entry.of_channel else "")
    line = page[page.index(f"|{name}: ") :].split("|")[1]
    figure = "yes" if quantity in YES_OR_NO else FIGURES[entry.unit][1]
    assert line.startswith(f"{name}: {figure}") and "From few hours." in line
    assert (" to " in line) == (quantity not in YES_OR_NO)
    (told,) = TestClient(create_app(ground.pipeline)).get("/api/v1/stations/s1/known").json()
    assert (told["quantity"], told["value"], told["unit"]) == (quantity, FIGURES[entry.unit][0], entry.unit)
    assert told["channel"] == (CHANNEL if entry.of_channel else None)


@pytest.mark.parametrize("quantity", [q for q, entry in CATALOGUE.items() if entry.shown is Shown.LAYERS])
def test_a_finding_of_a_layer_is_in_the_line_of_its_layer(make_ground: MakeGround, quantity: str) -> None:
    """Water in mm and wetness on the way to drained stand in the line of the layer."""
    ground = make_ground()
    layer = quantity.rpartition("_")[0]
    stored(ground, f"{layer}_wetness", value=0.59)
    stored(ground, f"{layer}_water", value=3.7)
    assert "59 % of the way from dry to drained" in seen(ground) and "3.7 mm of water" in seen(ground)


def test_what_is_withheld_says_why(make_ground: MakeGround) -> None:
    """A finding without a value is told with its reason in place of a figure."""
    ground = make_ground()
    stored(ground, "hold_time", value=float("nan"), reason="the wetting was too small")
    assert "|Hold time: cannot tell. The wetting was too small. |" in seen(ground)


def test_the_newest_stands_and_what_is_too_old_goes(make_ground: MakeGround) -> None:
    """Of two findings of a kind the later is shown; one older than its kind stays good is shown no more."""
    ground = make_ground()
    rows = [
        ("s1", "hold_time", NOW_MS - days * DAY_MS, NOW_MS - days * DAY_MS, hours, hours, hours, 1, "", 1)
        for days, hours in ((9, 11.0), (2, 22.0))
    ]
    rows.append(("s1", "reference_et", NOW_MS - 9 * DAY_MS, NOW_MS - 8 * DAY_MS, 3.3, 3.3, 3.3, 24, "", 1))
    ground.pipeline.store.upsert_findings(pd.DataFrame(rows, columns=list(FINDING_COLUMNS)))
    page = seen(ground)
    assert "Hold time: 22 h." in page and "11 h" not in page and CATALOGUE["reference_et"].title not in page


def test_a_day_that_is_not_over_withholds_nothing_yet(make_ground: MakeGround) -> None:
    """Too few hours of today leave yesterday's figure; as soon as today has one, it stands."""
    ground = make_ground()
    today = ("s1", "reference_et", NOW_MS - HOUR_MS, NOW_MS + 23 * HOUR_MS)
    rows = [
        ("s1", "reference_et", NOW_MS - 25 * HOUR_MS, NOW_MS - HOUR_MS, 3.3, 3.3, 3.3, 24, "", 1),
        (*today, float("nan"), float("nan"), float("nan"), 1, "only 1 of 24 hours is known", 1),
    ]
    ground.pipeline.store.upsert_findings(pd.DataFrame(rows, columns=list(FINDING_COLUMNS)))
    assert f"{CATALOGUE['reference_et'].title}: 3.3 mm." in seen(ground)
    row = (*today, 0.4, 0.4, 0.4, 20, "", 1)
    ground.pipeline.store.upsert_findings(pd.DataFrame([row], columns=list(FINDING_COLUMNS)))
    assert f"{CATALOGUE['reference_et'].title}: 0.4 mm." in seen(ground)


def test_what_is_shown_as_nought_has_no_minus(make_ground: MakeGround) -> None:
    """A gain of a hair below none is none."""
    ground = make_ground()
    stored(ground, "wetting_gain", owner=CHANNEL, value=-0.001)
    assert "65 mm: 0.00 m³/m³" in seen(ground) and "-0.00" not in seen(ground)


def test_the_catalogue_can_be_read(client: TestClient) -> None:
    """Every quantity stands in the data with unit, meaning, stage and place."""
    told = {one["quantity"]: one for one in client.get("/api/v1/findings/catalogue").json()}
    assert told.keys() == CATALOGUE.keys()
    assert told["hold_time"]["unit"] == "h" and told["hold_time"]["about"] == Of.WETTING.value


def test_a_ground_of_many_days_knows_much(client: TestClient) -> None:
    """Twenty days of real stages leave figures of the day, of the wetting and of the station's channels."""
    known = {one["quantity"] for name in ("s1", "o1") for one in client.get(f"/api/v1/stations/{name}/known").json()}
    assert DAYS == 20 and {"growth_potential", "arrival_lag", "hold_time"} <= known
