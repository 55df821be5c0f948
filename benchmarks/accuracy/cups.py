"""A daily cup in shops whose record has none. It tells a part of the slurry's luck, by a power that is the shop's own.

The pick-up of a day's slurry over the usual goes partly with its viscosity, partly with what no cup sees. A power for
each shop is drawn from what films do and a slurry may (`POWERS`); the cup's seconds are read with an error.
"""

from dataclasses import replace
from math import log

import numpy as np

from benchmarks.accuracy.quick import Quick

POWERS = (0.3, 0.7)
READ_LOG_SD = 0.05
"""Of the viscosity by the cup: some 3 % of its seconds (common practice, no source)."""


def with_cups(shop: Quick, told: float, seed: int) -> Quick:
    """The shop with a cup before each dip. told: share of the variance of the slurry's luck that goes by viscosity."""
    rng = np.random.default_rng([seed, 9177])
    power = float(rng.uniform(*POWERS))
    days = sorted(
        {*((run.coat, shop.slurries[run.id]) for run in shop.runs), *((dip.coat, dip.slurry) for dip in shop.dips)}
    )
    luck = np.array([log(slurry) for _, slurry in days])
    hidden = float(np.sqrt(told * (1.0 - told)) * luck.std())
    seen = (told * luck + hidden * rng.standard_normal(len(days))) / power
    cup = dict(zip(days, seen + READ_LOG_SD * rng.standard_normal(len(days)), strict=True))
    return replace(
        shop,
        runs=[replace(run, thick=float(cup[run.coat, shop.slurries[run.id]])) for run in shop.runs],
        dips=[replace(dip, thick=float(cup[dip.coat, dip.slurry])) for dip in shop.dips],
    )
