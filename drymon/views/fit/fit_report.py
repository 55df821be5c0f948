"""The report of a fit: one page that a shop person can read, with its pictures beside it."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from drymon.drying.coat_model import USUAL_POWER, from_working, to_working
from drymon.learning.fit import TypeFit
from drymon.learning.run import Run
from drymon.learning.run_checks import advice, run_checks
from drymon.readback.coat_basis import FEWEST_TO_SAY, runs_words
from drymon.readback.promises import on_record, tally_words
from drymon.readback.thick_words import power_words
from drymon.shop.facts.setup import RoomSetup
from drymon.store import Store
from drymon.views.fit.fit_words import (
    WHOLE_TREE,
    cautions,
    end_words,
    headline,
    left_out_words,
    scatter_words,
    standing,
)
from drymon.views.fit.overruns import Row, coat_rows, overrun_rows
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
    "deep": "air in a deep pocket over that in its mouth",
    "pocketed_share": "share of a pocketed tree's area that is its slow part",
    "deep_share": "share of a deep tree's area that is its slow part",
    "end": "share of water left from which on an equal part of the rest goes each hour",
    "pace": "how much longer it takes here than all of this says",
    "growth_3": "how much longer coat 3 takes than coat 1, besides its water",
    "growth_5": "coat 5 over coat 3",
    "growth_8": "coat 8 over coat 5",
    "growth_12": "coat 12 over coat 8, and so on beyond",
    "damp": "how strongly dry air hurries it: 1 as physics says, less is less",
    "warm": "how strongly warmth hurries it: 1 as physics says",
    "wind": "how strongly wind hurries it: 1 as the textbook says",
}
"""Of every parameter, for people."""


@dataclass(frozen=True, slots=True)
class Promised:
    """What became of "surely by": in words, by coat, and each that was overrun (`views.overruns`)."""

    words: str
    coats: Sequence[Row]
    overrun: Sequence[Row]


def promised(store: Store, room: RoomSetup) -> Promised | None:
    """Of the home's record; None where nothing was told yet."""
    tally = on_record(store)
    if not tally.promises:
        return None
    return Promised(tally_words(tally), list(coat_rows(tally)), list(overrun_rows(store, room, tally)))


def write_report(
    fits: Sequence[TypeFit], runs: Sequence[Run], room: RoomSetup, folder: Path, kept: Promised | None = None
) -> Path:
    """Write page and pictures into `folder` (made where missing); returns the page."""
    folder.mkdir(parents=True, exist_ok=True)
    environment = Environment(
        loader=PackageLoader("drymon.views.fit"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    labels = {coat.name: coat.label or coat.name for coat in room.coats}
    text = environment.get_template("fit_report.html").render(
        room=room.label or room.name,
        used=sum(len(fit.runs) for fit in fits),
        known=runs_words(len(runs)),
        coats=[_coat(fit, labels.get(fit.model.name, fit.model.name), folder, runs, room) for fit in fits],
        runs=[_row(run) for run in runs],
        promised=kept,
    )
    page = folder / PAGE
    page.write_text(text, encoding="utf-8")
    return page


def _coat(fit: TypeFit, label: str, folder: Path, runs: Sequence[Run], room: RoomSetup) -> dict[str, Any]:
    model = fit.model
    return {
        "name": model.name,
        "label": label,
        "headline": _sentence(headline(fit, room)),
        "doubted": bool(model.doubt),
        "standing": [_sentence(line) for line in standing(fit, runs)],
        "errors": _errors(fit),
        "cautions": cautions(fit),
        "advice": advice(fit),
        "pictures": _pictures(fit, folder),
        "parameters": [_parameter(fit, name) for name in model.parameters],
        "tail": model.tail,
        "scatter": scatter_words(model),
        "ends": _sentence(end_words(model)) if model.end_growth else "",
        "by_cup": _sentence(power_words(model)) if model.slurry_power != USUAL_POWER else "",
    }


def _errors(fit: TypeFit) -> list[str]:
    lines = [_sentence(words) for words in left_out_words(fit.runs, fit.left_out)]
    return [*lines, WHOLE_TREE] if any(run.shelter != "open" for run in fit.runs) else lines


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."


def _pictures(fit: TypeFit, folder: Path) -> list[dict[str, str]]:
    if not fit.runs:
        return []
    told = run_checks(fit)
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
    elif run.problem and run.felt:
        standing = f"{run.problem}: what was felt counts"
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
