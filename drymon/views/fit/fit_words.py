"""What a fit has found, in a caster's words: for the command and for the report. Pure."""

import math
from collections.abc import Sequence

from drymon.drying.coat_model import CoatModel
from drymon.drying.dips import END_GROWS
from drymon.drying.edges import EDGES
from drymon.learning.blind_spots import always_damp, coarse_scale
from drymon.learning.fit import TypeFit
from drymon.learning.forecast_scores import Judgement, summary
from drymon.learning.run import Run
from drymon.learning.run_checks import advice
from drymon.learning.usual import LONGEST_H, Usual, usual
from drymon.readback.coat_basis import FEWEST_TO_SAY, runs_words
from drymon.shop.facts.events import SHELTERS
from drymon.shop.facts.setup import CoatType, RoomSetup


def headline(fit: TypeFit, room: RoomSetup) -> str:
    """The one line to go by: how long in the usual air, how long to be sure, what to weigh next; of a doubted model why
    not to go by it.
    """
    name = fit.model.name
    if fit.model.doubt:
        return f"{name}: do not go by this model: {fit.model.doubt}"
    parts = [_hours(fit, room) if fit.runs else f"{name}: no weighed run yet, only what was felt of trees"]
    if wanted := advice(fit):
        parts.append(f"weigh next: {wanted[0].words.split(':')[0]}")
    return "; ".join(parts)


def _hours(fit: TypeFit, room: RoomSetup) -> str:
    kind = room.coat_by_name[fit.model.name]
    found = usual(fit.model, fit.runs, kind.dry_at, EDGES[room.edges])
    return f"{kind.name} no. {found.number}{_shelter(found)} in your usual air ({_air(found)}): {_waits(found, kind)}"


def _shelter(found: Usual) -> str:
    return "" if found.shelter == "open" else f", {found.shelter} trees,"


def _air(found: Usual) -> str:
    return f"{found.temperature_c:.0f} °C, {found.humidity_pct:.0f} %RH, {found.speed:.1f} m/s"


def _waits(found: Usual, kind: CoatType) -> str:
    if found.best_h > LONGEST_H:
        return "not dry within 14 days in that air"
    likely = f"about {found.best_h:.1f} h"
    if found.sure_h > LONGEST_H:
        return f"{likely}; in no time that can be said to be sure: check each tree"
    return f"{likely}; wait {max(found.sure_h, kind.shortest_wait_h or 0.0):.1f} h to be sure"


def standing(fit: TypeFit, runs: Sequence[Run]) -> list[str]:
    """Which runs are behind a model and which are not, a line each."""
    others = sum(one.coat == fit.model.name and not (one.used or one.felt) for one in runs)
    lines = [fit.model.origin + (f"; {runs_words(others)} not used (drymon runs says why)" if others else "")]
    lines += [
        f"doubted, not used: {one.id} contradicts the other runs; look at it, then leave it out or weigh again"
        for one in fit.doubted
    ]
    if fit.missed:
        lines.append(f"missed by the curve: {', '.join(one.id for one in fit.missed)}")
    return lines


def cautions(fit: TypeFit) -> list[str]:
    """What must be known before a model is gone by, a sentence each."""
    found = []
    if fit.groups:
        found.append(
            f"{fit.groups[:1].upper()}{fit.groups[1:]}: are these two coats? Then give each a name of its own."
        )
    if not fit.model.tail_learned:
        found.append(
            "The last part of the drying is not learnt: drymon will not say ready by this model alone. Weigh a tree "
            "until hardly anything is lost."
        )
    if untold := [name for name in SHELTERS if name not in ("open", *fit.model.shelters_learned)]:
        found.append(f"No run has told how {' and '.join(untold)} trees dry: for these the cautious start holds.")
    if coarse := coarse_scale(fit):
        found.append(
            f"A weighing is off by about {_grams(coarse.error_g)} of the {_grams(coarse.lost_g)} that a run lost, "
            f"and much of what is not sure comes from that. A scale good to {_grams(0.01 * coarse.lost_g)}, read at "
            "rest, tells the end far better."
        )
    if damp := always_damp(fit):
        found.append(
            f"All runs hung in air of {damp[0]:.0f} to {damp[1]:.0f} %RH. What the binder of several coats holds there "
            "beyond 50 %RH does not leave, so no scale sees it: late coats may be damper than told. Touch them, or "
            "weigh some in a drier week."
        )
    return found


def _grams(value: float) -> str:
    return f"{value:.0f} g" if value >= 1.0 else f"{value:.1g} g"


WHOLE_TREE = (
    "A scale feels the whole tree: these errors are of the moment at which the whole tree had lost so much, not of "
    "when its slowest pocket was dry. A finger in the pocket says more of that: drymon felt TREE dry --where pocket."
)


def scatter_words(model: CoatModel) -> str:
    """How dips of a coat differ, and how far another week's slurry is allowed for."""
    dips = ", ".join(f"{name} {100 * sd:.0f} %" for name, sd in model.dip_sd.items())
    return f"{dips}; thickness of another week's slurry {100 * model.slurry_sd:.0f} %"


def end_words(model: CoatModel) -> str:
    """How much more slowly late coats lose their last water; "" where the model says nothing of it."""
    if model.end_growth is None:
        return ""
    first, full = END_GROWS
    best, low, high = (
        math.exp(model.end_growth.centre * math.exp(z * model.end_growth.sd)) for z in (0.0, -1.645, 1.645)
    )
    return (
        f"coat {full} loses its last tenth of water {best:.2f} times as slowly as coat {first} "
        f"({low:.2f} to {high:.2f})"
    )


def left_out_words(runs: Sequence[Run], left_out: Sequence[Judgement]) -> list[str]:
    """How far off forecasts of runs that the model had not seen were, a line for each shelter weighed; below
    `FEWEST_TO_SAY` that it cannot be said.
    """
    shelters = {run.id: run.shelter for run in runs}
    found = [(name, [one for one in left_out if shelters.get(one.run) == name]) for name in SHELTERS]
    return [f"{name} trees: {_errors(own)}" for name, own in found if own]


def _errors(judged: Sequence[Judgement]) -> str:
    count = f"{len(judged)} run{'' if len(judged) == 1 else 's'}"
    if len(judged) < FEWEST_TO_SAY:
        return f"{count} only, too few to say how far off the next one will be"
    said = summary(judged)
    in_order = sorted(judged, key=lambda one: one.error)
    return (
        f"of {count}, half were forecast within {said['median_pct']:.0f} % of the time by their own weighings, nine in "
        f"ten within {said['p90_pct']:.0f} %, the farthest off {_error(in_order[0])} and {_error(in_order[-1])}; "
        f"{100 * said['coverage']:.0f} % fell into the interval that promises 90 %"
    )


def _error(one: Judgement) -> str:
    return f"{abs(one.error):.0%} {'late' if one.error > 0 else 'early'}".replace("%", " %")
