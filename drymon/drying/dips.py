"""One dip: the possible coats that it makes, drawn from its model, and what it finds in the coats below.

What differs between dips is here: the coat's number, the shelter, the air that the shell hung in, the rack. How the
water then goes is `coat`'s.
"""

import math
from dataclasses import replace

import numpy as np

from drymon.drying import curve, draws, possible
from drymon.drying.coat import steady_time
from drymon.drying.coat_model import CoatModel
from drymon.drying.ensemble import FAN_REACHES, REFERENCE_AIR, Array, PossibleCoats, Values, form_of

BURIED_BELOW = (0.02, 0.35)
"""Water that may lie under a shell begun elsewhere, as a share of the coat's own: range drawn from (assumed)."""

BURIED_USUAL = 0.01
"""Share of its own water that a later coat finds below besides what the binder there holds by the air: the one before
was dry, not bone dry, though the curve ends (assumed; runs are fitted with the same).
"""

WORST_FACE = 0.2
"""Share of its transfer that the worst of a tree's open faces lacks at most (assumed): a scale sees the mean of the
faces, a verdict is about the slowest. Half of the members hang evenly, in the others one face is worse and worse: the
likely moment stays, the cautious one comes later.
"""

SUNK_COATS = 6.0
"""Coats below over which the way of sunk water levels off (assumed): water soaks so deep and hardly deeper."""

BREATHING_COATS = 5.0
"""Coats below over which what the binder answers to the air's humidity levels off (assumed): within a day or two deep
coats follow the air only in part.
"""

LEAST_SUNK, MOST_SUNK = 0.01, 0.9
"""Bounds of the sunk share of a dip's water: there is always some, and never all."""


def soaking(model: CoatModel, soak: Array, number: int) -> Array:
    """Factor on a coat's water for its number: earlier coats soak some up, and that levels off."""
    return np.asarray(1.0 + soak * (1.0 - np.exp(-(number - 1) / model.soak_coats)))


def possible_coats(
    model: CoatModel,
    number: int,
    shelter: str,
    key: int = 0,
    below: Array | None = None,
    below_unknown: bool = False,
    rack: str = "",
    held_below: float = 0.0,
) -> PossibleCoats:
    """Draw the possible coats of a dip.

    number: 1 for the first coat. shelter: "open", "pocketed" or "deep". key: tells dips apart (any integer). below:
    water [kg/m2] that older coats still hold in their zones, (zones, members), or None. below_unknown: the shell was
    begun elsewhere. rack: where it hangs; the model may have learnt how it differs. held_below: monolayers over those
    at the reference humidity in the coats below, where nothing else is known of them: from the air before the dip.
    """
    draw, dip, extra = draws.parameter_draws(model), draws.dip_draws(model, key), draws.extra_draws()
    zones = ("open",) if shelter == "open" else ("open", shelter)
    face = 1.0 - WORST_FACE * np.maximum(2.0 * extra["face"] - 1.0, 0.0)
    place = np.stack([face if zone == "open" else np.ones_like(face) for zone in zones])
    slow = 0.0 * face if shelter == "open" else draw[f"{shelter}_share"]
    share = np.stack([1.0 - slow, slow][: len(zones)])
    pocket = np.stack([0.0 * face if zone == "open" else 1.0 / np.minimum(draw[zone], 1.0) - 1.0 for zone in zones])
    growth = soaking(model, draw["soak"], number)
    own = draw["water"] * dip["water"] * growth
    usual = BURIED_USUAL * own if number > 1 else np.zeros(possible.MEMBERS)
    if below is None:
        below = draw["sorption"] * coats_breathing(number - 1) * held_below * own
    elif len(below) != len(zones):  # now taken for another shelter: the most there is, wherever it hides
        below = below.max(axis=0)
    below = found_below(below, usual)
    if below_unknown:
        below = below + own * (BURIED_BELOW[0] * (BURIED_BELOW[1] / BURIED_BELOW[0]) ** extra["below"])
    water = own + below
    inner = draw["inner"] * dip["inner"]
    ones = np.ones_like(pocket)
    coats = PossibleCoats(
        zones=zones,
        share=share,
        water=water * ones,
        cooling=draw["cooling"],
        conductance=draw["transfer"] * dip["transfer"] * model.racks.get(rack, 1.0) * place,
        pocket=pocket,
        fan=np.array([[FAN_REACHES.get(zone, 1.0)] for zone in zones]) * ones,
        critical=draw["critical"],
        exponent=draw["exponent"],
        inner=inner * ones,
        liquid=draw["liquid"] * curve.follows_vapour(model.tail),
        sorption=draw["sorption"] * coats_breathing(number) * ones,
        sunk=np.clip(draw["sunk"] + below / water, LEAST_SUNK, MOST_SUNK) * ones,
        below=inner * coats_below(number) * ones,
        buried=(below / water) * ones,
        airflow=extra["airflow"],
        slowness=np.zeros(possible.MEMBERS),
        form=form_of(model.tail, possible.MEMBERS),
    )
    return replace(coats, slowness=possible.rank_share(steady_time(coats, 0.05, REFERENCE_AIR).max(axis=0)))


def found_below(left: Values, usual: Values) -> Array:
    """Water that a dip finds in the coats below when they hold `left` by the curve: no less than `usual` in a coat that
    is just dry, and less than nothing where dry air has taken what the binder holds at 50 %RH: it drinks that first.
    """
    left_ = np.asarray(left)
    return np.asarray(np.maximum(left_, np.minimum(usual, left_ + usual)))


def coats_below(number: int) -> float:
    """Number of coats that sunk water passes, besides its own, under coat `number`: all of a thin shell, no more than
    SUNK_COATS of a thick one.
    """
    return SUNK_COATS * (1.0 - math.exp(-(number - 1) / SUNK_COATS))


def coats_breathing(number: int) -> float:
    """Number of coats whose binder answers to the air in a shell of `number` coats; none on a bare pattern (0)."""
    return 1.0 + BREATHING_COATS * (1.0 - math.exp(-(number - 1) / BREATHING_COATS)) if number > 0 else 0.0
