"""The report of a fit: one page that a shop person can read, with its pictures beside it."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from drymon.drying.coat_model import from_working, to_working
from drymon.learning.account import accounts, advice
from drymon.learning.fit import TypeFit
from drymon.learning.judge import Judgement, summary
from drymon.learning.run import Run
from drymon.shop.events import SHELTERS
from drymon.shop.setup import RoomSetup
from drymon.views.coat_basis import FEWEST_TO_SAY, runs_words
from drymon.views.plots.model_fit import draw_coverage, draw_residuals, draw_runs, draw_truth
from drymon.views.plots.style import save

PAGE = "index.html"

MEANINGS = {
    "water": "water that one dip brings, kg/m²",
    "cooling": "water that a fresh tree's heat takes, m",
    "transfer": "how much faster than the textbook the air takes it",
    "critical": "share of water left at which the rate begins to fall",
    "exponent": "how the rate falls",
    "inner": "resistance of the dried layer, s/m",
    "liquid": "share of it that holds back liquid, not vapour",
    "sorption": "water the binder holds in damp air",
    "soak": "growth of the water in later coats",
    "sunk": "share of the water that sinks into the coats below",
    "pocketed": "air in a pocketed tree's slow part over that outside",
    "deep": "air in a deep tree's slow part over that outside",
    "pocketed_share": "share of a pocketed tree's area that is its slow part",
    "deep_share": "share of a deep tree's area that is its slow part",
}


def write_report(fits: Sequence[TypeFit], runs: Sequence[Run], room: RoomSetup, folder: Path) -> Path:
    """Write page and pictures into `folder` (made where missing); returns the page."""
    folder.mkdir(parents=True, exist_ok=True)
    environment = Environment(
        loader=PackageLoader("drymon.views"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    labels = {coat.name: coat.label or coat.name for coat in room.coats}
    text = environment.get_template("fit_report.html").render(
        room=room.label or room.name,
        used=sum(len(fit.runs) for fit in fits),
        known=runs_words(len(runs)),
        coats=[_coat(fit, labels.get(fit.model.name, fit.model.name), folder) for fit in fits],
        runs=[_row(run) for run in runs],
    )
    page = folder / PAGE
    page.write_text(text, encoding="utf-8")
    return page


def _coat(fit: TypeFit, label: str, folder: Path) -> dict[str, Any]:
    model = fit.model
    return {
        "name": model.name,
        "label": label,
        "origin": model.origin[:1].upper() + model.origin[1:],
        "errors": left_out_words(fit.runs, fit.left_out),
        "cautions": _cautions(fit),
        "advice": advice(fit),
        "pictures": _pictures(fit, folder),
        "parameters": [_parameter(fit, name) for name in model.parameters],
        "tail": model.tail,
        "scatter": ", ".join(f"{name} {100 * sd:.0f} %" for name, sd in model.dip_sd.items()),
    }


def left_out_words(runs: Sequence[Run], left_out: Sequence[Judgement]) -> list[str]:
    """How far off forecasts of runs that the model had not seen were, a line for each shelter weighed.

    Shares and quantiles only from `FEWEST_TO_SAY` runs on: below, each run's own error.
    """
    shelters = {run.id: run.shelter for run in runs}
    found = [(name, [one for one in left_out if shelters.get(one.run) == name]) for name in SHELTERS]
    lines = [f"{name} trees: {_errors(own)}" for name, own in found if own]
    if any(own for name, own in found if name != "open"):
        lines.append(
            "A scale feels the whole tree: when a slow pocket was dry is read off the run's own curve, not weighed. "
            "Such a run can say that the curve is wrong, hardly that it is right."
        )
    return lines


def _errors(judged: Sequence[Judgement]) -> str:
    count = f"{len(judged)} run{'' if len(judged) == 1 else 's'}"
    if len(judged) < FEWEST_TO_SAY:
        each = ", ".join(
            f"{abs(one.error):.0%} {'late' if one.error > 0 else 'early'}".replace("%", " %") for one in judged
        )
        return f"{count} only, forecast {each}; too few to say how far off the next one will be"
    said = summary(judged)
    return (
        f"of {count}, half were forecast within {said['median_pct']:.0f} % of the time by their own weighings, nine in "
        f"ten within {said['p90_pct']:.0f} %; {100 * said['coverage']:.0f} % fell into the interval that promises 90 %"
    )


def _cautions(fit: TypeFit) -> list[str]:
    found = [f"Run {one.id} contradicts the others and was not used: look at it." for one in fit.doubted]
    if not fit.model.tail_learned:
        found.append("The last part of the drying is not learnt: drymon will not say ready by this model alone.")
    if 0 < len(fit.left_out) < FEWEST_TO_SAY:
        found.append("Too few runs to say whether the forecast's intervals keep their word.")
    for name in ("pocketed", "deep"):
        if name not in fit.model.shelters_learned:
            found.append(f"No run has told how {name} trees dry: for these the cautious start holds.")
    return found


def _pictures(fit: TypeFit, folder: Path) -> list[dict[str, str]]:
    told = accounts(fit)
    name = fit.model.name
    drawn = [
        ("runs", draw_runs(name, told), "Weighed runs with the curve and the forecast's band"),
        ("residuals", draw_residuals(name, told), "Weighings less curve over the water gone"),
    ]
    if fit.left_out:
        drawn.append(("truth", draw_truth(name, fit.left_out, fit.revealed), "Forecast against the time weighed"))
    if len(fit.left_out) >= FEWEST_TO_SAY:
        drawn.append(("coverage", draw_coverage(name, fit.left_out), "Promised against kept intervals"))
    return [
        {"file": save(figure, folder / f"{name}-{kind}.svg").name, "alt": f"{name}: {alt}"}
        for kind, figure, alt in drawn
    ]


def _parameter(fit: TypeFit, name: str) -> dict[str, str]:
    spread, start = fit.model.parameters[name], fit.start.parameters[name]
    middle = to_working(name, spread.centre)
    low, high = (from_working(name, middle + z * spread.sd) for z in (-1.645, 1.645))
    numbers = {"value": spread.centre, "low": low, "high": high, "start": start.centre}
    return {"name": name, "meaning": MEANINGS[name], **{key: f"{value:.3g}" for key, value in numbers.items()}}


def _row(run: Run) -> dict[str, str]:
    if run.left_out:
        standing = f"left out: {run.left_out}"
    elif run.problem:
        standing = f"not used: {run.problem}"
    else:
        standing = "; ".join(("used", *run.notes))
    return {
        "id": run.id,
        "coat": run.coat,
        "number": str(run.number),
        "shelter": run.shelter,
        "count": str(len(run.times_s)),
        "hours": f"{run.hours:.1f}",
        "standing": standing,
    }
