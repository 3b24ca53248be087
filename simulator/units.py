"""Lengths of time and the array type that the whole simulator shares."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

QUARTER_S, HOUR_S, DAY_S = 900, 3600, 86_400
HOUR_MS, DAY_MS = 1000 * HOUR_S, 1000 * DAY_S
