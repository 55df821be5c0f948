"""What a fit costs: six and sixty runs of six hundred weighings each, side by side in one run. Processor seconds.

    python benchmarks/fits.py

The runs are plain exponentials of 1.2 h, on two racks, of coats one to nine. Sixty of them in half a minute on a quiet
desktop is the aim: `drymon fit` is waited for.
"""

from __future__ import annotations

import time

import numpy as np

from drymon.learning.fit import fit_all
from drymon.learning.run import Run
from drymon.learning.runs import Weighed, air_by_minute, make_run
from drymon.messages.coat_models import load_models

WEIGHINGS, HOURS, DRY_KG, WATER_KG, SD_KG = 600, 7.0, 3.0, 0.1, 0.0003


def main() -> None:
    starts = load_models(None)
    few_s = 0.0
    print(f"{'runs':>6}{'seconds':>10}{'of six':>9}")
    for count in (6, 60):
        runs = made_up(count)
        began = time.process_time()
        fit = fit_all(runs, starts)[0]
        taken_s = time.process_time() - began
        few_s = few_s or taken_s
        print(f"{fit.model.runs:>6}{taken_s:>10.1f}{taken_s / few_s:>9.1f}")


def made_up(count: int) -> list[Run]:
    """Runs that differ from dip to dip by 5 %."""
    draw = np.random.default_rng(0)
    taus = 1.2 * np.exp(0.05 * draw.standard_normal(count))
    return [_run(place, float(tau), draw) for place, tau in enumerate(taus)]


def _run(place: int, tau: float, draw: np.random.Generator) -> Run:
    hours = np.linspace(0.05, HOURS, WEIGHINGS)
    masses = DRY_KG + WATER_KG * np.exp(-hours / tau) + draw.normal(0.0, SD_KG, WEIGHINGS)
    ones = np.ones(int(60 * HOURS) + 1)
    air = air_by_minute(21.0 * ones, 47.5 * ones, 0.6 * ones, 101_325.0 * ones, 0.5 * ones)
    tree, number = f"t-{place // 3}", 1 + place % 9
    return make_run(
        id=f"{tree}.{number}.{place}",
        tree=tree,
        coat="backup",
        number=number,
        shelter="open",
        rack=f"rack-{'ab'[place % 2]}",
        start_s=4e4 * place,
        weighed=Weighed(3600.0 * hours, masses, np.full(WEIGHINGS, SD_KG), True),
        air=air,
    )


if __name__ == "__main__":
    main()
