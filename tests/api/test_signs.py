"""Small pictures of the first page: what is drawn stays in its place."""

import re

import pytest

from api.signs import WIDE_PX, water


@pytest.mark.parametrize("stations", [1, 2, 3])
@pytest.mark.parametrize("goes", [1, 2, 4, 8])
def test_goes_of_a_station_are_drawn_within_its_place(stations, goes):
    """Strokes of all goes stand side by side, none in the place of the next station, and all of them are there."""
    drawn = str(water([("S", 24.0, goes)] * stations))
    places = [[float(x) for x in re.findall(r"M([\d.]+) 38v", d)] for d in re.findall(r'd="([^"]*38v-[^"]*)"', drawn)]
    assert [len(one) for one in places] == [goes] * stations
    wide = WIDE_PX / stations
    for number, one in enumerate(places):
        assert one == sorted(one) and len(set(one)) == goes
        assert number * wide <= one[0] - 1.6 and one[-1] + 1.6 <= (number + 1) * wide
