"""One dip: the possible coats that it makes, drawn from its model, and what it finds in the coats below.

What differs between dips is here: the coat's number, the shelter, the air that the shell hung in, the rack. How the
water then goes is `coat`'s.
"""

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from drymon.drying import curve, draws, possible, thickness
from drymon.drying.coat import steady_time
from drymon.drying.coat_model import GROWTH, CoatModel
from drymon.drying.edges import EDGES, USUAL_EDGES, Edges
from drymon.drying.ensemble import EDGE, FAN_REACHES, REFERENCE_AIR, ZONES, Array, PossibleCoats, Values, form_of

BURIED_BELOW = (0.02, 0.35)
"""Water that may lie under a shell begun elsewhere, as a share of the coat's own: range drawn from (assumed)."""

BURIED_USUAL = 0.01
"""Share of its own water that a later coat finds below besides what the binder there holds by the air: the one before
was dry, not bone dry, though the curve ends (assumed; runs are fitted with the same).
"""

SUNK_COATS = 2.0
"""Coats below over which the way of sunk water levels off (assumed): what later coats add is learnt (`free_growth`)."""

BREATHING_COATS = 5.0
"""Coats below over which what the binder answers to the air's humidity levels off (assumed): within a day or two deep
coats follow the air only in part.
"""

GROWTH_NUMBERS = (1, 3, 5, 8, 12)
"""Coat numbers between which the growth of the time is free: `growth_3` is from coat 1 to 3, `growth_12` from 8 to 12
and as fast beyond, until `LAST_GROWN`.
"""

LAST_GROWN = 16

END_GROWS = (3, 8)
"""Coat numbers from which the end of the drying grows, and at which it has by the model's `end_growth`: deep coats give
their last water slowly, which what half of the water takes does not show (assumed straight, as in most simulated shops
of `benchmarks/accuracy`).
"""

MOST_END_SHARE = 2.0
"""The end grows no more beyond (coat 13, assumed): nobody has followed shells of so many coats."""

LEAST_SUNK, MOST_SUNK = 0.01, 0.9
"""Bounds of the sunk share of a dip's water: there is always some, and never all."""


def soaking(model: CoatModel, soak: Array, number: int) -> Array:
    """Factor on a coat's water for its number: earlier coats soak some up, and that levels off."""
    return np.asarray(1.0 + soak * (1.0 - np.exp(-(number - 1) / model.soak_coats)))


def growth_shares(number: int) -> Array:
    """How much of each step of `GROWTH_NUMBERS` a coat of this number has behind it, in the logarithm of the number,
    (steps,): 0 to 1, the last one beyond.
    """
    logs = np.log(GROWTH_NUMBERS)
    at = math.log(min(max(number, 1), LAST_GROWN))
    shares = np.clip((at - logs[:-1]) / np.diff(logs), 0.0, 1.0)
    shares[-1] = max((at - logs[-2]) / (logs[-1] - logs[-2]), 0.0)
    return np.asarray(shares)


def free_growth(draw: Mapping[str, Array], number: int) -> Array:
    """Factor on the time of a coat for its number, besides what its water does: learnt from the shop, (members,)."""
    steps = [draw[name] for name in GROWTH]
    return np.asarray(np.prod([step**share for step, share in zip(steps, growth_shares(number), strict=True)], axis=0))


def end_share(number: int) -> float:
    """How much of `CoatModel.end_growth` a coat of this number has: none up to the first of `END_GROWS`, 1 at the
    second, in a straight line to `MOST_END_SHARE`.
    """
    first, full = END_GROWS
    return min(max((number - first) / (full - first), 0.0), MOST_END_SHARE)


def zone_shares(zones: int, pocketed: Array, deep: Array) -> Array:
    """Share of the wet area in each zone, (zones, ...): pockets of a deep tree's rest as in a pocketed one."""
    nothing = np.zeros_like(pocketed)
    inner = deep if zones > 2 else nothing
    middle = (1.0 - inner) * (pocketed if zones > 1 else nothing)
    return np.stack([1.0 - inner - middle, middle, inner][:zones])


def still_air(zones: int, pocketed: Array, deep: Array) -> Array:
    """Resistance of each zone's own air over that of an open face in `ensemble.OPEN_FACE` air, (zones, ...).

    pocketed: transfer of a pocket over an open face's; deep: of a deep pocket over that, for it lies behind one.
    """
    mouth = np.minimum(pocketed, 1.0)
    speeds = [np.ones_like(mouth), mouth, mouth * np.minimum(deep, 1.0)]
    return np.stack([1.0 / speed - 1.0 for speed in speeds[:zones]])


def _worst(edges: Edges, place: Array, *, sheltered: bool) -> Array:
    """Factor on the time of each member's thickest edge; place: quantiles (members,). sheltered: it lies in a pocket,
    whose own air sets the pace: the time goes with the water alone, and not with the way through the coat as well.
    """
    rank = np.maximum(1.0 - (1.0 - place) / edges.share, 0.0)
    thick = edges.least * (place > 1.0 - edges.share) + (edges.most - edges.least) * rank
    return np.asarray(np.sqrt(1.0 + thick) if sheltered else 1.0 + thick)


def possible_coats(  # noqa: PLR0913, what is known of a dip; most is left out of most calls
    model: CoatModel,
    number: int,
    shelter: str,
    below: Array | None = None,
    below_unknown: bool = False,
    rack: str = "",
    held_below: float = 0.0,
    edges: Edges = EDGES[USUAL_EDGES],
    thick: float = 0.0,
    members: int = possible.MEMBERS,
) -> PossibleCoats:
    """Draw the possible coats of a dip.

    number: 1 for the first coat. shelter: "open", "pocketed" or "deep". below: water [kg/m2] that older coats still
    hold in their zones, (zones, members), or None. below_unknown: the shell was begun elsewhere. rack: where it hangs;
    the model may have learnt how it differs. held_below: monolayers over those at the reference humidity in the coats
    below, where nothing else is known of them: from the air before the dip. edges: how thick the tree's edges are.
    thick: its slurry, as `thickness.of_cup` tells it; 0: as usual, or not known.
    members: how many; a verdict goes by `possible.MEMBERS`.
    Equal dips have equal members, whatever tree they are of. The last zone is `EDGE`.
    """
    draw, dip = draws.parameter_draws(model, members), draws.dip_draws(thickness.scattered(model, thick), members)
    extra = draws.extra_draws(members)
    zones = (*ZONES[shelter], EDGE)
    more = thickness.factor(model, thick)
    own = more * draw["water"] * dip["water"] * soaking(model, draw["soak"], number)
    below = _buried(below, len(zones), number, own, draw["sorption"] * held_below)
    if below_unknown:
        below = below + own * (BURIED_BELOW[0] * (BURIED_BELOW[1] / BURIED_BELOW[0]) ** extra["below"])
    water = own + below
    inner = more * draw["inner"] * dip["inner"]
    ones = np.ones((len(zones), members))
    growth = free_growth(draw, number)
    lag = draw["pace"] * growth * ones
    lag[-1] *= _worst(edges, extra["face"], sheltered=shelter != "open")
    pocket = still_air(len(zones) - 1, draw["pocketed"], draw["deep"])
    if model.growth_is_the_shells:
        pocket = pocket / growth
    share = zone_shares(len(zones) - 1, draw["pocketed_share"], draw["deep_share"])
    own_parts = {
        "water": water * ones,
        "transfer": draw["transfer"] * dip["transfer"] * model.racks.get(rack, 1.0) * ones,
        "inner": inner * ones,
        "sorption": draw["sorption"] * coats_breathing(number) * ones,
        "sunk": np.clip(draw["sunk"] + below / water, LEAST_SUNK, MOST_SUNK) * ones,
        "buried": (below / water) * ones,
        "lag": lag,
        "slowing": end_share(number) * draws.end_growth_draws(model, members),
        "airflow": extra["airflow"],
    }
    coats = coats_of(
        {**draw, **own_parts},
        model.tail,
        zones=zones,
        share=np.vstack([share, 0.0 * ones[-1:]]),
        pocket=np.vstack([pocket, pocket[-1:]]),
        fan=np.array([[FAN_REACHES[zone]] for zone in (*zones[:-1], zones[-2])]) * ones,
        coats_under=coats_below(number),
        form=form_of(model.tail, members),
    )
    return replace(coats, slowness=possible.rank_share(steady_time(coats, 0.05, REFERENCE_AIR).max(axis=0)))


def coats_of(  # noqa: PLR0913, a shell's parts by their names
    parts: Mapping[str, Array],
    tail: str,
    *,
    zones: tuple[str, ...],
    share: Array,
    pocket: Array,
    fan: Array,
    coats_under: Values,
    form: npt.NDArray[np.int64] | None,
) -> PossibleCoats:
    """The possible coats of these parameters, drawn or being fitted, each by its name in a model.

    parts: also `lag`; `buried` and `airflow` where they are known, else 0; shapes as in `PossibleCoats`. coats_under:
    `coats_below` of the dip. All are equally slow, for nobody has ranked them.
    """
    nothing = np.zeros((1, 1))
    named = (
        "water",
        "cooling",
        "critical",
        "exponent",
        "end",
        "inner",
        "sorption",
        "sunk",
        "lag",
        "slowing",
        "damp",
        "warm",
        "wind",
    )
    return PossibleCoats(
        zones=zones,
        share=share,
        pocket=pocket,
        fan=fan,
        conductance=parts["transfer"],
        liquid=parts["liquid"] * curve.follows_vapour(tail),
        below=parts["inner"] * coats_under,
        buried=parts.get("buried", nothing),
        airflow=parts.get("airflow", nothing),
        slowness=np.zeros_like(parts.get("airflow", nothing)),
        form=form,
        **{name: parts[name] for name in named},
    )


def _buried(below: Array | None, zones: int, number: int, own: Array, held: Array) -> Array:
    """Water [kg/m2] that a dip finds in the coats below. held: per coat's own water, by the air before the dip."""
    usual = BURIED_USUAL * own if number > 1 else np.zeros_like(own)
    if below is None:
        below = held * coats_breathing(number - 1) * own
    elif len(below) != zones:  # now taken for another shelter: the most there is, wherever it hides
        below = below.max(axis=0)
    return np.asarray(found_below(below, usual))


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
