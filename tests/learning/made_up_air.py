"""Air that does not change, for made-up runs."""

import numpy as np

from drymon.learning.run import RunAir
from drymon.learning.runs import air_by_minute


def steady_air(minutes: int, temperature: float = 21.0, humidity: float = 47.5, speed: float = 0.6) -> RunAir:
    """Air that does not change."""
    ones = np.ones(minutes)
    found = air_by_minute(temperature * ones, humidity * ones, speed * ones, 101_325.0 * ones, 0.5 * ones)
    assert found is not None
    return found
