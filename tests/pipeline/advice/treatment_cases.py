"""Boundary cases of every bound, typed by hand from the table of common practice, apart from the data file.

A line reads: pass, variants (empty for every one), condition, hours it looks over, cases, source mark. A case is O
(open), W (wait) or C (closed) and a value: inside, at and just outside each edge, and far out where no bound holds. CP
is common practice, no source; M from memory; R read in the source named in the data file, its bound CP; D worked out.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.advice.conditions import Verdict, verdicts_of
from pipeline.site.passes import Bounds

VERDICTS = {"O": Verdict.OPEN, "W": Verdict.WAIT, "C": Verdict.CLOSED}

LINES = """
light_raking      |            | thatch_wetness   | 0 | W-9 W.095 O.1 O.5 O.9 W.905 W1 C1.005 | CP
verticutting      |            | thatch_wetness   | 0 | C.095 W.1 W.195 O.2 O.5 O.8 W.805 W1 C1.005 | CP
scarifying        |            | thatch_wetness   | 0 | C.145 W.15 W.295 O.3 O.5 O.7 W.705 W1 C1.005 | R
heavy_dethatching |            | thatch_wetness   | 0 | C.195 W.2 W.295 O.3 O.5 O.7 W.705 W.9 C.905 | R
hollow_coring     |            | thatch_wetness   | 0 | W-9 W.295 O.3 O.6 O1 W1.005 W1.1 C1.105 | CP
solid_tining      |            | thatch_wetness   | 0 | W-9 W.295 O.3 O.6 O1 W1.005 W1.1 C1.105 | CP
slitting          |            | thatch_wetness   | 0 | W-9 W.295 O.3 O.6 O1.05 W1.055 W1.15 C1.155 | CP
topdressing       |            | thatch_wetness   | 0 | W-9 W.195 O.2 O.5 O.8 W.805 W1 C1.005 | CP
overseeding       |            | thatch_wetness   | 0 | W-9 W.295 W.3 W.495 O.5 O.7 O1 W1.005 W1.1 C1.105 | CP
overseeding       |            | thatch_wetness_no_water | 0 | C.295 W.3 W.495 O.5 O9 | CP
light_raking      |            | root_zone_wetness | 0 | C.145 W.15 W.295 O.3 O.7 O1.05 C1.055 | CP
verticutting      |            | root_zone_wetness | 0 | C.295 W.3 W.495 O.5 O.7 O1 W1.005 W1.05 C1.055 | CP
scarifying        |            | root_zone_wetness | 0 | C.295 W.3 W.495 O.5 O.7 O.95 W.955 W1.05 C1.055 | R
heavy_dethatching |            | root_zone_wetness | 0 | C.395 W.4 W.495 O.5 O.7 O.85 W.855 W1 C1.005 | CP
hollow_coring     |            | root_zone_wetness | 0 | C.395 W.4 W.595 O.6 O.8 O.95 W.955 W1.05 C1.055 | R
solid_tining      |            | root_zone_wetness | 0 | C.395 W.4 W.595 O.6 O.8 O1 W1.005 W1.05 C1.055 | R
slitting          |            | root_zone_wetness | 0 | W-9 W.495 W.695 O.7 O.9 O1.05 W1.055 W1.1 C1.105 | CP
slitting          |            | root_zone_wetness_clay | 0 | C.495 W.5 W.695 O.7 O9 | CP
topdressing       |            | root_zone_wetness | 0 | C.245 W.25 W.395 O.4 O.7 O1 W1.005 W1.05 C1.055 | CP
overseeding       |            | root_zone_wetness | 0 | W-9 W.395 W.595 O.6 O.8 O1.05 W1.055 W9 | CP
overseeding       |            | root_zone_wetness_no_water | 0 | C.395 W.4 W.595 O.6 O9 | CP
light_raking      |            | soil_temperature_cool | 24 | C-.05 W0 W2 W4.95 O5 O40 | CP
verticutting      |            | soil_temperature_cool | 24 | C5.95 W6 W7.95 O8 O15 O21 W21.05 W25 C25.05 | R
scarifying        |            | soil_temperature_cool | 24 | C7.95 W8 W9.95 O10 O15 O20 W20.05 W23 C23.05 | R
heavy_dethatching |            | soil_temperature_cool | 24 | C9.95 W10 W11.95 O12 O15 O19 W19.05 W21 C21.05 | R
hollow_coring     |            | soil_temperature_cool | 24 | C7.95 W8 W9.95 O10 O15 O21 W21.05 W24 C24.05 | R
solid_tining      |            | soil_temperature_cool | 24 | C-.05 W0 W2 W3.95 O4 O15 O24 W24.05 W60 | CP
slitting          |            | soil_temperature_cool | 24 | C-.05 W0 W1.95 O2 O40 | CP
topdressing       | light      | soil_temperature_cool | 24 | C7.95 W8 W9.95 O10 O15 O22 W22.05 W24 C24.05 | CP
topdressing       | heavy      | soil_temperature_cool | 24 | C7.95 W8 W9.95 O10 O15 O20 W20.05 W24 C24.05 | CP
overseeding       | rye        | soil_temperature_cool | 24 | C7.95 W8 W9.95 O10 O15 O25 C25.05 | R
overseeding       | bent_fescue | soil_temperature_cool | 24 | C9.95 W10 W11.95 O12 O15 O25 C25.05 | R
light_raking      |            | soil_temperature_warm | 24 | C-.05 W0 W8 W11.95 O12 O60 | CP
verticutting      |            | soil_temperature_warm | 24 | C14.95 W15 W17.95 O18 O60 | CP
scarifying        |            | soil_temperature_warm | 24 | C17.95 W18 W19.95 O20 O60 | R
heavy_dethatching |            | soil_temperature_warm | 24 | C19.95 W20 W21.95 O22 O60 | R
heavy_dethatching |            | days_to_frost_warm | 0 | C59.95 O60 O999 | CP
hollow_coring     |            | soil_temperature_warm | 24 | C17.95 W18 W19.95 O20 O60 | CP
solid_tining      |            | soil_temperature_warm | 24 | C-.05 W0 W8 W11.95 O12 O60 | CP
slitting          |            | soil_temperature_warm | 24 | C-.05 W0 W4 W7.95 O8 O60 | CP
topdressing       |            | soil_temperature_warm | 24 | C14.95 W15 W17.95 O18 O60 | CP
overseeding       | warm       | soil_temperature_warm | 24 | C17.95 W18 W19.95 O20 O60 | CP
overseeding       | rye        | soil_temperature_warm | 24 | C7.95 W8 W9.95 O10 O15 O23 W23.05 W25 C25.05 | R
overseeding       | rye        | soil_temperature_change_warm | 168 | O-9 O0 W.05 W60 | R
overseeding       | rye        | seedbed_temperature | 504 | C7.95 W8 W9.95 O10 O60 | CP
overseeding       | bent_fescue | seedbed_temperature | 504 | C9.95 W10 W11.95 O12 O60 | CP
verticutting      |            | air_heat_ahead_cool | 72 | O-9 O25 O30 C30.05 | CP
verticutting      |            | leaf_heat_ahead_cool | 72 | O-9 O30 O35 C35.05 | CP
scarifying        |            | air_heat_ahead_cool | 72 | O-9 O25 O30 C30.05 | CP
scarifying        |            | leaf_heat_ahead_cool | 72 | O-9 O30 O35 C35.05 | CP
heavy_dethatching |            | air_heat_ahead_cool | 72 | O-9 O25 O30 C30.05 | CP
heavy_dethatching |            | leaf_heat_ahead_cool | 72 | O-9 O30 O35 C35.05 | CP
hollow_coring     |            | air_heat_ahead_cool | 72 | O-9 O25 O30 C30.05 | CP
hollow_coring     |            | leaf_heat_ahead_cool | 72 | O-9 O30 O35 C35.05 | CP
topdressing       |            | air_heat_ahead_cool | 72 | O-9 O25 O30 C30.05 | CP
topdressing       |            | leaf_heat_ahead_cool | 72 | O-9 O30 O35 C35.05 | CP
light_raking      |            | growth_to_come | 0 | W0 W.95 O1 O99 | CP
verticutting      |            | growth_to_come | 0 | C1.95 W2 W2.95 O3 O99 | D
scarifying        |            | growth_to_come | 0 | C9.95 W10 W15.95 O16 O99 | D
heavy_dethatching |            | growth_to_come | 0 | C21.95 W22 W29.95 O30 O99 | D
hollow_coring     | 6mm        | growth_to_come | 0 | C8.95 W9 W11.95 O12 O99 | D
hollow_coring     | 13mm       | growth_to_come | 0 | C11.95 W12 W15.95 O16 O99 | D
hollow_coring     | 18mm       | growth_to_come | 0 | C16.45 W16.5 W21.95 O22 O99 | D
solid_tining      |            | growth_to_come | 0 | W0 W1 W1.95 O2 O99 | D
slitting          |            | growth_to_come | 0 | W0 W1 W1.95 O2 O99 | D
topdressing       | light      | growth_to_come | 0 | C1.45 W1.5 W1.95 O2 O99 | D
topdressing       | heavy      | growth_to_come | 0 | C5.95 W6 W7.95 O8 O99 | D
overseeding       |            | growth_to_come | 0 | C14.95 W15 W21.95 O22 O99 | D
light_raking      |            | growth_now | 168 | W0 W.045 O.05 O1 | CP
verticutting      |            | growth_now | 168 | C.095 W.1 W.145 O.15 O.2 O1 | CP
scarifying        |            | growth_now | 168 | C.245 W.25 W.395 O.4 O1 | CP
heavy_dethatching |            | growth_now | 168 | C.345 W.35 W.495 O.5 O1 | CP
hollow_coring     |            | growth_now | 168 | C.245 W.25 W.395 O.4 O1 | CP
topdressing       | light      | growth_now | 168 | C.095 W.1 W.145 O.15 O.2 O1 | CP
topdressing       | heavy      | growth_now | 168 | C.195 W.2 W.35 W.495 O.5 O1 | CP
overseeding       |            | growth_now | 168 | C.195 W.2 W.345 O.35 O1 | CP
light_raking      |            | surface_temperature | 0 | C-9 C.45 W.5 W1.95 O2 O60 | R
verticutting      |            | surface_temperature | 0 | C-9 C.45 O.5 O60 | R
topdressing       |            | surface_temperature | 0 | C-9 C.45 O.5 O60 | R
heavy_dethatching |            | surface_temperature | 0 | W-30 W.45 O.5 O60 | CP
hollow_coring     |            | surface_temperature | 0 | W-30 W.45 O.5 O60 | CP
overseeding       |            | surface_temperature | 0 | W-30 W.45 O.5 O60 | CP
verticutting      |            | ground_top_temperature | 0 | C-.05 W0 W.45 O.5 O60 | CP
scarifying        |            | ground_top_temperature | 0 | C-.05 W0 W.45 O.5 O60 | CP
heavy_dethatching |            | ground_top_temperature | 0 | C-.05 W0 W.45 O.5 O60 | CP
hollow_coring     |            | ground_top_temperature | 0 | C-.05 W0 W.45 O.5 O60 | CP
solid_tining      |            | ground_top_temperature | 0 | C-.05 W0 W.45 O.5 O60 | CP
slitting          |            | ground_top_temperature | 0 | C-.05 W0 W.45 O.5 O60 | CP
overseeding       |            | ground_top_temperature | 0 | C-.05 W0 W.45 O.5 O60 | CP
solid_tining      |            | ground_depth_temperature | 0 | W-30 W.45 O.5 O60 | CP
slitting          |            | ground_depth_temperature | 0 | W-30 W.45 O.5 O60 | CP
verticutting      |            | surface_minimum_back | 24 | W-30 W.45 O.5 O60 | CP
scarifying        |            | surface_minimum_back | 48 | W-30 W.45 O.5 O60 | CP
verticutting      |            | surface_minimum_ahead | 48 | W-30 W.45 O.5 O60 | CP
scarifying        |            | surface_minimum_ahead | 168 | W-30 W.45 O.5 O60 | CP
heavy_dethatching |            | surface_minimum_ahead | 504 | W-30 W.45 O.5 O60 | CP
hollow_coring     |            | surface_minimum_ahead | 168 | W-30 W.45 O.5 O60 | CP
topdressing       |            | surface_minimum_ahead | 48 | W-30 W.45 O.5 O60 | CP
overseeding       |            | surface_minimum_ahead | 504 | W-30 W.45 O.5 O60 | CP
scarifying        |            | hard_frost_ahead | 168 | C-4.05 O-4 O60 | M
heavy_dethatching |            | hard_frost_ahead | 168 | C-4.05 O-4 O60 | M
hollow_coring     |            | hard_frost_ahead | 168 | C-4.05 O-4 O60 | M
overseeding       |            | hard_frost_ahead | 168 | C-4.05 O-4 O60 | M
verticutting      |            | frost_chance | 48 | O0 O.1 W.105 W.333 C.338 | CP
scarifying        |            | frost_chance | 168 | O0 O.1 W.105 W.333 C.338 | CP
heavy_dethatching |            | frost_chance | 504 | O0 O.1 W.105 W.333 C.338 | CP
hollow_coring     |            | frost_chance | 168 | O0 O.1 W.105 W.333 C.338 | CP
topdressing       |            | frost_chance | 48 | O0 O.1 W.105 W.333 C.338 | CP
overseeding       |            | frost_chance | 504 | O0 O.1 W.105 W.333 C.338 | CP
topdressing       |            | leaf_wetness | 0 | O0 W1 C2 | CP
light_raking      |            | rain_ahead | 3 | O0 O1 W1.05 W5 C5.05 | CP
verticutting      |            | rain_ahead | 24 | O0 O3 W3.05 W8 C8.05 | CP
scarifying        |            | rain_on_day | 12 | O0 O2 W2.05 W5 C5.05 | CP
scarifying        |            | rain_ahead | 48 | O0 O10 W10.05 W20 C20.05 | CP
heavy_dethatching |            | rain_on_day | 12 | O0 O1 W1.05 W3 C3.05 | CP
heavy_dethatching |            | rain_ahead | 72 | O0 O8 W8.05 W15 C15.05 | CP
hollow_coring     |            | rain_on_day | 12 | O0 O2 W2.05 W5 C5.05 | CP
hollow_coring     |            | rain_ahead | 48 | O0 O8 W8.05 W20 C20.05 | CP
solid_tining      |            | rain_on_day | 12 | O0 O3 W3.05 W8 C8.05 | CP
slitting          |            | rain_on_day | 12 | O0 O3 W3.05 W8 C8.05 | CP
topdressing       |            | rain_on_day | 12 | O0 W.05 W1 C1.05 | R
topdressing       |            | rain_working | 3 | O0 C.05 | R
topdressing       |            | rain_ahead | 24 | O0 O3 W3.05 W500 | CP
overseeding       |            | rain_ahead | 48 | O0 O5 O8 W8.05 W15 W500 | CP
overseeding       |            | rain_next_day | 24 | O0 O15 C15.05 | CP
overseeding       |            | rain_ahead_no_water | 48 | C0 C.15 W.2 W1.95 O2 O500 | CP
verticutting      |            | lead_time | 0 | C0 C1.95 W2 W2.95 O3 O999 | CP
scarifying        |            | lead_time | 0 | C13.95 W14 W20.95 O21 O999 | R
heavy_dethatching |            | lead_time | 0 | C41.95 W42 W55.95 O56 O999 | CP
hollow_coring     | 6mm        | lead_time | 0 | C9.95 W10 W13.95 O14 O999 | R
hollow_coring     | 13mm 18mm  | lead_time | 0 | C13.95 W14 W20.95 O21 O999 | R
solid_tining      | needle     | lead_time | 0 | C1.95 W2 W2.95 O3 O999 | CP
solid_tining      | 12mm       | lead_time | 0 | C6.95 W7 W9.95 O10 O999 | CP
slitting          |            | lead_time | 0 | C0 C.95 W1 W1.95 O2 O999 | CP
topdressing       | light      | lead_time | 0 | C1.95 W2 W2.95 O3 O999 | CP
topdressing       | heavy      | lead_time | 0 | C9.95 W10 W13.95 O14 O999 | CP
overseeding       |            | lead_time | 0 | C27.95 W28 W34.95 O35 O999 | CP
light_raking      |            | interval | 0 | C.95 W1 W1.95 O2 O999 | CP
verticutting      |            | interval | 0 | C6.95 W7 W13.95 O14 O999 | CP
verticutting      |            | interval_strong_growth | 0 | C6.95 O7 O999 | CP
scarifying        |            | interval | 0 | C27.95 W28 W41.95 O42 O999 | CP
scarifying        |            | times_this_year | 0 | O0 O1 C2 C3 | CP
heavy_dethatching |            | interval | 0 | C329.95 O330 O999 | CP
hollow_coring     |            | interval | 0 | C89.95 W90 W149.95 O150 O999 | CP
solid_tining      | needle     | interval | 0 | C13.95 O14 O999 | CP
solid_tining      | 12mm       | interval | 0 | C13.95 W14 W27.95 O28 O999 | CP
slitting          |            | interval | 0 | C13.95 W14 W20.95 O21 O999 | CP
topdressing       | light      | interval | 0 | C6.95 O7 O999 | R
topdressing       | heavy      | interval | 0 | C6.95 W7 W13.95 O14 O999 | R
overseeding       |            | interval | 0 | C27.95 W28 W41.95 O42 O999 | CP
light_raking      |            | firmness | 24 | O0 W1 W2 C3 | R
verticutting      |            | firmness | 24 | O0 W1 C2 C4 | R
scarifying        |            | firmness | 24 | O0 W1 C2 C4 | R
heavy_dethatching |            | firmness | 24 | O0 W1 C2 C4 | R
hollow_coring     |            | firmness | 24 | O0 W1 C2 C4 | R
solid_tining      |            | firmness | 24 | O0 W1 C2 C4 | R
slitting          |            | firmness | 24 | O0 W1 C2 C4 | R
topdressing       |            | firmness | 24 | O0 W1 C2 C4 | R
overseeding       |            | firmness | 24 | O0 W1 C2 C4 | R
heavy_dethatching |            | tug | 24 | O0 C1 | CP
light_raking      |            | disease | 168 | O0 W1 C2 | CP
verticutting      |            | disease | 168 | O0 W1 C2 | CP
scarifying        |            | disease | 168 | O0 W1 C2 | CP
heavy_dethatching |            | disease | 168 | O0 W1 C2 | CP
hollow_coring     |            | disease | 168 | O0 W1 C2 | CP
solid_tining      |            | disease | 168 | O0 O1 W2 | CP
slitting          |            | disease | 168 | O0 W1 W2 | CP
topdressing       |            | disease | 168 | O0 W1 C2 | CP
overseeding       |            | disease | 168 | O0 W1 C2 | CP
solid_tining      |            | disease_in_wet | 168 | O0 O1 C2 | CP
slitting          |            | disease_in_wet | 168 | O0 O1 C2 | CP
verticutting      |            | days_since_wilt | 168 | C0 C2.95 O3 O999 | CP
scarifying        |            | days_since_wilt | 168 | C0 C6.95 O7 O999 | CP
heavy_dethatching |            | days_since_wilt | 168 | C0 C13.95 O14 O999 | CP
hollow_coring     |            | days_since_wilt | 168 | C0 C6.95 O7 O999 | CP
solid_tining      |            | days_since_wilt | 168 | W0 W.95 O1 O999 | CP
topdressing       |            | days_since_wilt | 168 | C0 C.95 O1 O999 | CP
rolling           |            | thatch_wetness   | 0 | O-9 O.5 O1 W1.005 W1.1 C1.105 | CP
rolling           |            | root_zone_wetness | 0 | C.495 W.5 W.695 O.7 O.8 O.95 W.955 W1.05 C1.055 | CP
rolling           |            | growth_now | 168 | W-9 W.045 O.05 O.5 O9 | CP
rolling           |            | surface_temperature | 0 | C.45 O.5 O9 | R
rolling           |            | ground_top_temperature | 0 | C-.05 W0 W.45 O.5 O9 | CP
rolling           |            | ground_depth_temperature | 0 | W-9 W.45 O.5 O9 | CP
rolling           |            | rain_on_day | 12 | O0 O2 W2.05 W5 C5.05 | CP
rolling           |            | interval | 0 | C.45 W.5 W.95 O1 O99 | CP
rolling           |            | firmness | 24 | O0 W1 C2 | R
rolling           |            | disease | 168 | O0 W1 C2 | CP
"""


def judge(value: float | None, bounds: Bounds) -> Verdict:
    """The verdict on one value; None and NaN are not known."""
    return Verdict(int(verdicts_of(np.array([math.nan if value is None else value]), bounds)[0]))


def typed() -> dict[tuple[str, str, str], tuple[int, list[tuple[float, Verdict]]]]:
    """By pass, variants and condition as typed: the window and the cases."""
    table = {}
    for line in filter(None, LINES.splitlines()):
        kind, variants, condition, window, cases, _ = (part.strip() for part in line.split("|"))
        key = (kind, variants, condition)
        assert key not in table, f"typed twice: {key}"
        table[key] = (int(window), [(float(case[1:]), VERDICTS[case[0]]) for case in cases.split()])
    return table


def step(condition: str) -> float:
    """How far a bound is moved: more than the distance of the nearest case outside it."""
    if condition in ("firmness", "tug", "disease", "disease_in_wet", "leaf_wetness", "times_this_year"):
        return 1.0
    if condition.startswith(("thatch_", "root_zone_")) or condition in ("growth_now", "frost_chance"):
        return 0.01
    return 0.1
