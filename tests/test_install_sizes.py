"""What an install brings: every package is in the table with what it is for, and none compiles loops."""

from importlib.metadata import distribution

from api.demo import FINE_DAYS
from simulator.__main__ import DEMO_FINE_DAYS
from tests.install_sizes import PAGE, WHAT_FOR, WHAT_FOR_POSTGRES, direct, needed, size_mb


def test_every_package_that_is_asked_for_has_a_row_that_says_what_for() -> None:
    """A dependency that is added or dropped turns this red until `python tests/install_sizes.py` has been run."""
    page = PAGE.read_text(encoding="utf-8")
    assert direct("server") == set(WHAT_FOR)
    assert direct("postgresql") == {*WHAT_FOR_POSTGRES, "paho-mqtt", "pyserial"}
    assert [name for name in WHAT_FOR if f"| {name} | " not in page] == []
    assert [name for name in WHAT_FOR_POSTGRES if f"| {name} (`postgresql`) | " not in page] == []


def test_nothing_that_a_server_needs_brings_a_compiler() -> None:
    """numba and llvmlite, a third of an install, come with the simulator's extra alone."""
    assert not {"numba", "llvmlite"} & needed("underturf", "server")
    assert {"numba", "llvmlite"} <= needed("underturf", "simulator")


def test_size_of_a_package_is_that_of_its_files() -> None:
    """Held against the sizes that the package's own list of files names; compiled files come on top."""
    listed = sum(file.size or 0 for file in distribution("tomli-w").files or []) / 1e6
    assert listed <= size_mb("tomli-w") < 10 * listed


def test_demo_and_record_agree_on_the_fine_days() -> None:
    """The record that comes with the package is of the history that the demo asks for."""
    assert FINE_DAYS == DEMO_FINE_DAYS
