"""Made-up runs: weighings from curves that are no part of drymon, in steady air."""

from collections.abc import Callable

import numpy as np
import pytest

from drymon.learning.run import Run
from drymon.learning.runs import Weighed, make_run
from tests.learning.made_up_air import steady_air

MakeRun = Callable[..., Run]


@pytest.fixture(scope="session")
def make() -> MakeRun:
    """A factory: left(hours) -> share of water left, weighed at `hours`."""

    def run(
        left: Callable[[np.ndarray], np.ndarray],
        hours: np.ndarray,
        *,
        name: str = "t-1",
        water_kg: float = 0.1,
        dry_kg: float = 3.0,
        sd_kg: float = 0.0003,
        number: int = 1,
        shelter: str = "open",
        coat: str = "backup",
        rack: str = "rack-a",
        start_s: float = 0.0,
        seed: int = 0,
        on_cell: bool = False,
        air=None,
    ) -> Run:
        noise = np.random.default_rng(seed).normal(0.0, sd_kg, len(hours))
        masses = dry_kg + water_kg * left(hours) + noise
        weighed = Weighed(3600.0 * hours, masses, np.full(len(hours), sd_kg), on_cell)
        minutes = int(np.ceil(60 * hours[-1])) + 1
        return make_run(
            id=f"{name}.{number}", tree=name, coat=coat, number=number, shelter=shelter, rack=rack, start_s=start_s,
            weighed=weighed, air=air or steady_air(minutes),
        )  # fmt: skip

    return run
