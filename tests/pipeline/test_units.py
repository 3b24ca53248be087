"""The quality flags are the published set, and stay it."""

from pipeline.units import Flag


def test_flags_are_the_primary_set_of_the_standard():
    """IOC Manuals and Guides 54, volume 3 (from memory): 1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing."""
    expected = {"GOOD": 1, "NOT_EVALUATED": 2, "SUSPECT": 3, "FAIL": 4, "MISSING": 9}
    assert {flag.name: flag.value for flag in Flag} == expected
