"""What the trade knows of the hours that coats take, as evidence that narrows a starting model.

A starting model believes each parameter in a wide range, so that any shop's runs can move it; fits begin from it as it
is. Taken all together such ranges allow coats that nobody has met: much water, a lame transfer and an endless tail at
once. A verdict of the first day would wait for them. So before any run, members are weighed until the hours of an open
coat, their growth with the coat's number and the patience that pockets ask for spread as people in the trade tell of
them, and parameters that belong together stay together in the model's correlation.

The figures are the trade's. How wide they are taken was chosen on one seed of the open worlds in `benchmarks.accuracy`
(steady air, seed 1) and looked at on others since: its README has both.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from drymon.drying import coat, dips, ensemble, surface
from drymon.drying.air import standard_pressure
from drymon.drying.coat_model import CoatModel
from drymon.drying.ensemble import AirStep
from drymon.drying.informed import informed
from drymon.drying.possible import Array

NEARLY_DRY = 0.05
"""Share of the water left in the slowest part."""

TEMPERATURE_C, HUMIDITY_PCT, SPEED_M_PER_S = 22.0, 50.0, 0.6
"""Air of a usual drying room (common practice, no source), in which the trade's hours are counted."""


@dataclass(frozen=True, slots=True)
class ToldRange:
    """What nine of ten shops see: between `middle` / `factor` and `middle` x `factor`."""

    middle: float
    factor: float


HOURS: Mapping[str, tuple[int, ToldRange]] = MappingProxyType(
    {"backup": (6, ToldRange(3.5, 1.73)), "prime": (1, ToldRange(3.6, 2.0)), "seal": (10, ToldRange(3.3, 1.9))}
)
"""By family: of which coat number, and the hours until an open tree is dry, its usual edges too: people wait for the
slowest place. For a backup coat they wait 2 to 6 h (common practice, no source), a factor of 1.73 about the middle; the
one published bar takes 3 h (Guerra and Dooley, INCAST, June 2020). Of primes and seals less is told: wider.
"""

EARLY_NUMBER, LATE_NUMBER, LATER = 4, 10, ToldRange(1.25, 1.6)
"""The time of a late coat over that of an early one: from hardly less to twice (common practice, no source)."""

POCKETED, DEEP = ToldRange(2.4, 2.4), ToldRange(4.0, 3.2)
"""The time of a pocketed and of a deep tree over an open one's: from hardly slower to six and to thirteen times
(common practice, no source).
"""

MEMBERS = 1024
"""Weighed for what the trade tells, which is vague: twice as many move no bound by more than some percent, and take
twice the time at each start.
"""

DROPPED = (
    " Before any run here, mixtures of these ranges are left out in which an open coat takes longer or shorter than"
    " nine of ten shops tell of (backup {low:.1f} to {high:.1f} h in usual air), its late coats far longer than its"
    " early ones, or its pockets beyond six and thirteen times an open tree. Honest still: the bounds are wider"
    " than what is told, all parameters keep nearly their whole ranges, and touches and weighings move a shop that lies"
    " outside; fits begin from the wide ranges."
)
"""What the width of a starting model lost, for its `origin`."""


def counted(model: CoatModel) -> CoatModel:
    """A starting model of all shops once the trade's hours are counted; any other as it is."""
    if not (model.is_starting_model and model.trade_hours):
        return model
    narrowed = informed(model, _of_open_trees(model))
    narrowed = informed(narrowed, _of_pockets(narrowed))  # in two steps: each leaves many members counting
    told = HOURS["backup"][1]
    dropped = DROPPED.format(low=told.middle / told.factor, high=told.middle * told.factor)
    return replace(narrowed, origin=narrowed.origin + dropped)


def _of_open_trees(model: CoatModel) -> Array:
    number, hours = HOURS[model.family]
    likely = _as_told(_log_hours(model, number, "open"), hours)
    if model.family != "backup":
        return likely
    return likely + _as_told(_log_hours(model, LATE_NUMBER, "open") - _log_hours(model, EARLY_NUMBER, "open"), LATER)


def _of_pockets(model: CoatModel) -> Array:
    number, _ = HOURS[model.family]
    open_, pocketed, deep = (_log_hours(model, number, shelter) for shelter in ("open", "pocketed", "deep"))
    return _as_told(pocketed - open_, POCKETED) + _as_told(deep - open_, DEEP)


def _as_told(logs: Array, told: ToldRange) -> Array:
    """Log weights (members,) that make values whose logarithms are `logs` spread as told: its density over theirs."""
    known = np.isfinite(logs)
    own = (logs - logs[known].mean()) / logs[known].std()
    wanted = (logs - np.log(told.middle)) / (np.log(told.factor) / _NINE_OF_TEN)
    return np.where(known, 0.5 * np.minimum(own**2, _FAR) - 0.5 * wanted**2, -np.inf)


_NINE_OF_TEN = 1.645
"""Standard deviations from the middle of a normal spread to either end of nine tenths of it."""

_FAR = 9.0
"""Square beyond which a member is not made likelier for being rare."""


def _log_hours(model: CoatModel, number: int, shelter: str) -> Array:
    """Logarithm of the hours until the slowest place is dry in usual air, (members,)."""
    coats = dips.possible_coats(model, number, shelter, members=MEMBERS)
    return np.asarray(np.log(coat.steady_seconds(coats, NEARLY_DRY, _usual_air()) / 3600.0))


def _usual_air() -> AirStep:
    pressure = float(standard_pressure(0.0))
    coefficients = surface.transfer_coefficients(np.array(SPEED_M_PER_S), TEMPERATURE_C, pressure)
    return ensemble.air_step(TEMPERATURE_C, HUMIDITY_PCT, coefficients, pressure)
