"""Thresholds of the quality tests, in one place, each with what it rests on.

They are arguments of the tests in `quality`, never read there: a site may have others. Nothing is computed here.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class QualityBounds:
    """Thresholds of every test, all common practice without a source unless one is named.

    Lengths of time are in hours, water contents in m3 m-3, temperatures in degC, rain in mm.
    """

    full_margin: float = 0.10  # above the porosity of the layer by so much: cannot be, even with a poor calibration
    moisture_spike: float = 0.05
    soil_fall: float = 0.10  # from one reading to the next; sand right after rain loses less in a sampled volume
    thatch_fall: float = 0.40  # raw thatch empties with a time constant of half an hour
    soil_rise: float = 0.10  # without water about
    temperature_spike_degc: float = 4.0
    temperature_step_degc: float = 8.0
    temperature_likely_degc: tuple[float, float] = (-20.0, 45.0)
    flat_h: float = 24.0
    flat_tolerance: float = 0.0005  # half the last digit of a probe that reports to 0.001
    flat_rain_mm: float = 5.0
    flat_deepest_m: float = 0.10  # rain of a day should move what lies above this
    temperature_flat_h: float = 72.0
    temperature_flat_tolerance_degc: float = 0.001
    temperature_flat_deepest_m: float = 0.30  # at a metre the ground keeps its temperature for days
    frost_degc: float = 0.5  # ice reads as dry
    frost_reach_m: float = 0.05  # a thermometer further off in depth says nothing
    rise: float = 0.03  # in an hour, or from one hourly reading to the next
    rise_rain_mm: float = 0.5  # of the last day
    wetted_above: float = 0.01  # the layer above rose by so much in the last day
    air_gap_excursion: float = 0.10
    air_gap_rain_mm: float = 2.0
    fall_alone: float = 0.08
    neighbour_still: float = 0.005
    water_about_h: float = 2.0  # after rain or watering a quick rise is no surprise
    water_about_mm: float = 0.2  # one tick of a gauge
    settle_d: float = 14.0  # after a probe is put back its hole closes and fills
