"""Sites of made-up turf in a real store, worked out once where a test only reads them."""

import warnings

import pytest

from tests.pipeline.advice.told_site import (
    MONTHS_OF_15,
)
from tests.pipeline.kept_site import (
    SITE,
    SURFACE,
    sites,
    station,
    steady,
)


@pytest.fixture
def build(tmp_path):
    warnings.simplefilter("error", RuntimeWarning)
    with sites(tmp_path) as made:
        yield made


@pytest.fixture(scope="module")
def fair(tmp_path_factory):
    """Twenty fair days without a change: thatch 0.5, root zone 0.8, soil 14, air 15, leaf 13 degC. To be read."""
    with sites(tmp_path_factory.mktemp("fair")) as made:
        site = made()
        site.keep(steady(), 24 * 20)
        yield site


@pytest.fixture(scope="module")
def dry(tmp_path_factory):
    """Nine days of roots at 0.3 under thatch at 0.5: too few for a balance to be fitted. To be read."""
    with sites(tmp_path_factory.mktemp("dry")) as made:
        site = made()
        site.keep(steady(thatch=0.5, roots=0.3), 24 * 9)
        yield site


@pytest.fixture
def brief(build):
    """Nine such days: too few for a balance to be fitted, enough to judge the hour. To be written into."""
    site = build()
    site.keep(steady(), 24 * 9)
    return site


@pytest.fixture(scope="module")
def even(fair):
    """The fair site with every month at 15 degC, so that growth is the same each day. To be read."""
    return fair.told(SITE, MONTHS_OF_15, SURFACE, station())
