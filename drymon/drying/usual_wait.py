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
from drymon.drying.edges import EDGES, USUAL_EDGES
from drymon.drying.informed import MANY, informed
from drymon.drying.possible import Array


@dataclass(frozen=True, slots=True)
class WayOfWaiting:
    """One way of waiting: its share of all answers, how many times the coat's true time is waited in the middle, and
    the factor by which two thirds of them differ from that either way.
    """

    share: float
    times: float
    factor: float


RIGHT = WayOfWaiting(0.5, 1.7, 1.25)
TOO_EARLY = WayOfWaiting(0.4, 0.45, 1.35)
"""Who waits right waits mostly 1.3 to 2.2 times the true time, who waits too early 0.3 to 0.6 of it. Set so that trees
of shops that wait half the true time are called early hardly more often than without their answer (assumed; tried on
truths drawn from starting models). So "surely" gains little: a bound that is safe for them lies at twice their wait.
"""

SAYS_NOTHING, ANY_FACTOR = 0.1, 100.0
"""Share of answers that say nothing, and over what factor they are spread evenly on the log scale (assumed)."""

_NOTHING = SAYS_NOTHING / math.log(ANY_FACTOR)
_LEAST_H, _MOST_H = 1e-3, 1e5


@dataclass(frozen=True, slots=True)
class UsualDip:
    """An open tree as it usually hangs: number of the coat; share of the water that may be left; temperature_c,
    humidity_pct, pressure_pa of the air; slowest, fastest: air speeds [m/s] that are assumed; edges: a name in
    `edges.EDGES`.
    """

    number: int
    left: float
    temperature_c: float
    humidity_pct: float
    pressure_pa: float
    slowest: float
    fastest: float
    edges: str = USUAL_EDGES


def hours_to_dry(model: CoatModel, usual: UsualDip, members: int = MANY) -> Array:
    """Hours until the slowest part of such a tree is dry, (members,); infinite where its air never dries it."""
    coats = dips.possible_coats(model, usual.number, "open", edges=EDGES[usual.edges], members=members)
    speeds = draws.assumed_speeds(usual.slowest, usual.fastest, members)
    coefficients = surface.transfer_coefficients(speeds, usual.temperature_c, usual.pressure_pa)
    air = ensemble.air_step(usual.temperature_c, usual.humidity_pct, coefficients, usual.pressure_pa)
    return coat.steady_seconds(coats, usual.left, air) / 3600.0


def log_likelihood(wait_h: float, hours: Array) -> Array:
    """Log of how likely each member, dry after `hours` (members,), makes a usual wait of `wait_h` hours, above 0."""
    times = np.log(wait_h / np.clip(hours, _LEAST_H, _MOST_H))
    likely = sum((_density(waits, times) for waits in (RIGHT, TOO_EARLY)), np.zeros_like(times))
    return np.asarray(np.log(likely + _NOTHING))


def chance_it_says_nothing(wait_h: float, hours: Array) -> float:
    """How likely a usual wait of `wait_h` hours, above 0, says nothing of a coat whose members take `hours` (members,):
    near 1 where it is far from all of them, and moves the model little.
    """
    return float(_NOTHING / np.exp(log_likelihood(wait_h, hours)).mean())


def _density(waits: WayOfWaiting, log_times: Array) -> Array:
    sd = math.log(waits.factor)
    apart = (log_times - math.log(waits.times)) / sd
    return np.asarray(waits.share / (sd * math.sqrt(2.0 * math.pi)) * np.exp(-0.5 * apart * apart))


def counted(model: CoatModel, wait_h: float, usual: UsualDip) -> CoatModel:
    """The model once the shop's usual wait of `wait_h` hours, above 0, is counted."""
    return informed(model, log_likelihood(wait_h, hours_to_dry(model, usual)), f"the usual wait of {wait_h:g} h")
