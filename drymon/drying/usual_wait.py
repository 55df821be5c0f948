"""How long a shop has been waiting between dips, with shells that came out sound, as evidence of how long a coat takes.

People answer in three ways, and which one is not known: the wait is right, and then somewhat longer than the coat
takes; it is too early, and nobody has noticed yet; or it says nothing, being a habit of the shift or far too long. So
the likelihood is a mixture of three. Too early is given more than its likely share: an hour too late costs an hour, a
dip into a wet coat the shell.
"""

import math
from dataclasses import dataclass

import numpy as np

from drymon.drying import coat, dips, draws, ensemble, surface
from drymon.drying.coat_model import CoatModel
from drymon.drying.informed import MANY, informed
from drymon.drying.possible import Array


@dataclass(frozen=True, slots=True)
class Waits:
    """One way of waiting: its share of all answers, how many times the coat's true time is waited in the middle, and
    the factor by which two thirds of them differ from that either way.
    """

    share: float
    times: float
    factor: float


RIGHT = Waits(0.38, 1.6, 1.25)
TOO_EARLY = Waits(0.5, 0.53, 1.5)
"""Waits that are right are mostly 1 to 2 times the true time, those that are too early a fifth to two thirds of it.
Shares and factors are set so that shops that wait half the true time are called early about as often as without their
answer (assumed; tried on truths drawn from the starting models).
"""

SAYS_NOTHING, ANY_FACTOR = 0.12, 100.0
"""Share of answers that say nothing, and over what factor they are spread evenly on the log scale (assumed)."""

EXTREME = (0.01, 0.99)
"""Quantiles of the model's own hours beyond which a wait plainly disagrees with it."""

_LEAST_H, _MOST_H = 1e-3, 1e5


@dataclass(frozen=True, slots=True)
class UsualDip:
    """An open tree as it usually hangs: number of the coat; share of the water that may be left; temperature_c,
    humidity_pct, pressure_pa of the air; slowest, fastest: air speeds [m/s] that are assumed; edges: a name in
    `dips.EDGES`.
    """

    number: int
    left: float
    temperature_c: float
    humidity_pct: float
    pressure_pa: float
    slowest: float
    fastest: float
    edges: str = dips.USUAL_EDGES


def hours_to_dry(model: CoatModel, usual: UsualDip, members: int = MANY) -> Array:
    """Hours until the slowest part of such a tree is dry, (members,); infinite where its air never dries it."""
    coats = dips.possible_coats(model, usual.number, "open", edges=dips.EDGES[usual.edges], members=members)
    speeds = draws.assumed_speeds(usual.slowest, usual.fastest, members)
    coefficients = surface.transfer_coefficients(speeds, usual.temperature_c, usual.pressure_pa)
    air = ensemble.air_step(usual.temperature_c, usual.humidity_pct, coefficients, usual.pressure_pa)
    return coat.steady_seconds(coats, usual.left, air) / 3600.0


def log_likelihood(wait_h: float, hours: Array) -> Array:
    """Log of how likely each member, dry after `hours` (members,), makes a usual wait of `wait_h` hours, above 0."""
    times = np.log(wait_h / np.clip(hours, _LEAST_H, _MOST_H))
    likely = sum((_density(waits, times) for waits in (RIGHT, TOO_EARLY)), np.zeros_like(times))
    return np.asarray(np.log(likely + SAYS_NOTHING / math.log(ANY_FACTOR)))


def _density(waits: Waits, log_times: Array) -> Array:
    sd = math.log(waits.factor)
    apart = (log_times - math.log(waits.times)) / sd
    return np.asarray(waits.share / (sd * math.sqrt(2.0 * math.pi)) * np.exp(-0.5 * apart * apart))


def counted(model: CoatModel, wait_h: float, usual: UsualDip) -> CoatModel:
    """The model once the shop's usual wait of `wait_h` hours, above 0, is counted."""
    return informed(model, log_likelihood(wait_h, hours_to_dry(model, usual)), f"the usual wait of {wait_h:g} h")


def expected_hours(model: CoatModel, usual: UsualDip) -> tuple[float, float, float]:
    """What such a tree takes by the model: hours at the low end of `EXTREME`, in the middle, at the high end."""
    low, middle, high = np.quantile(hours_to_dry(model, usual), (EXTREME[0], 0.5, EXTREME[1]), method="lower")
    return float(low), float(middle), float(high)
