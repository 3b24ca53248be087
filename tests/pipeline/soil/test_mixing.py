"""The mixing law and the permittivity of water."""

import numpy as np
import pytest

from pipeline.soil import permittivity as mixing


def test_mixing_law_at_its_ends():
    """Dry soil holds nothing and a full one its porosity, whatever the grains (algebra of the law)."""
    porosity, solid, water = 0.5, 4.0, 81.0
    dry = ((1.0 - porosity) * np.sqrt(solid) + porosity) ** 2
    full = ((1.0 - porosity) * np.sqrt(solid) + porosity * np.sqrt(water)) ** 2
    found = mixing.crim([dry, full], porosity, solid_permittivity=solid, water_permittivity=water)
    assert found == pytest.approx([0.0, 0.5], abs=1e-12)
    assert np.isnan(mixing.crim(20.0, 0.99))


def test_water_permittivity_falls_with_temperature():
    """Free water reads about 80 at 20 degC and 78.5 at 25 degC (handbook formula from memory, loose)."""
    assert mixing.water_permittivity([20.0, 25.0]) == pytest.approx([80.1, 78.5], abs=0.5)
    assert mixing.water_permittivity(0.0) == pytest.approx(87.9, abs=0.5)
    assert np.isnan(mixing.water_permittivity([-1.0, 51.0])).all()
