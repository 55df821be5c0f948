"""`drymon fit`: learn coat models from this home's weighed drying."""

import sys
from argparse import Namespace
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from drymon.cli.parser import Commands
from drymon.views.fit.line_marks import DOUBTED, STEP

if TYPE_CHECKING:
    from drymon.drying.coat_model import CoatModel, Spread
    from drymon.learning.fit import TypeFit
    from drymon.learning.run import Run
    from drymon.messages.settings import HomeConfig
    from drymon.shop.facts.setup import RoomSetup

ELSEWHERE = 1.5
"""Models learnt in another home are a start here, this much less sure."""


def register(commands: Commands) -> None:
    """Say what `fit` takes."""
    parser = commands.add_parser(
        "fit",
        help="learn coat models from this home's weighed drying",
        description="Fits a model to every coat that was weighed, says how long it takes and how sure that is, and "
        "writes models/*.toml in the home. A running service takes them up when it is restarted. Ends with 1 where "
        "a fitted curve does not explain its runs: that coat's trees are then held for a look.",
    )
    parser.add_argument("--coat", help="only this coat")
    parser.add_argument("--details", action="store_true", help="also the parameters, the scatter and each run left out")
    parser.add_argument("--steps", action="store_true", help="also say on stderr what is being done, step by step")
    parser.add_argument("--report", metavar="DIR", help="write a page with pictures into this folder")


def run(args: Namespace) -> int:
    """Fit, print, write."""
    from drymon.cli.home import check_coat, config_of
    from drymon.store.lock import FitLock

    config = config_of(args)
    if args.coat:
        check_coat(config, args.coat)
    if args.report:
        _writable(Path(args.report))
    with FitLock(config.path):
        return _fit(args, config)


def _fit(args: Namespace, config: "HomeConfig") -> int:
    from drymon.cli.home import warn_of_models

    runs = runs_to_fit(config, args.coat)
    fits = []
    for fit, path in learn(config, runs, args.coat, _say_step if args.steps else _say_nothing):
        fits.append(fit)
        print("\n  ".join([*told(fit, runs, config.room), *(details(fit) if args.details else [])]))
        print(f"  written: {path}\n")
    _tell_promises(config)
    warn_of_models(config)  # of the files that nothing was fitted for
    if args.report:
        _report(fits, runs, config, Path(args.report))
    return _doubts(fits)


def runs_to_fit(config: "HomeConfig", coat: str | None = None) -> "list[Run]":
    """All weighed runs of the home; LearningError where none of them (of that coat) can be used."""
    from drymon.cli.home import record_of
    from drymon.errors import LearningError
    from drymon.readback.weighed_runs import weighed_runs

    with record_of(config) as record:
        runs = weighed_runs(config, record)
    if not any(one.used or one.felt for one in runs if coat in (None, one.coat)):
        raise LearningError("no weighed run can be used yet; `drymon runs` says what there is and what is missing")
    return runs


def _say_step(words: str) -> None:
    print(f"{STEP}{words}", file=sys.stderr, flush=True)


def _say_nothing(_: str) -> None:
    return None


def learn(
    config: "HomeConfig",
    runs: "Sequence[Run]",
    coat: str | None = None,
    step: Callable[[str], None] = _say_nothing,
) -> "Iterator[tuple[TypeFit, Path]]":
    """Fit every coat that was weighed (or the one that is named) and write its model; each with the file written."""
    from drymon.learning.fit import fit_all

    yield from keep(config, runs, fit_all(runs, starts_of(config, runs), [coat] if coat else None, step))


def keep(config: "HomeConfig", runs: "Sequence[Run]", fits: "Sequence[TypeFit]") -> "Iterator[tuple[TypeFit, Path]]":
    """Write the models that were fitted to these runs, one by one; each with the file written."""
    from drymon.messages.coat_models import keep_from_elsewhere, write_model

    elsewhere = _learnt_elsewhere(config, runs)
    for fit in fits:
        if fit.model.name in elsewhere:
            keep_from_elsewhere(elsewhere[fit.model.name], config.path)
        path = config.path / "models" / f"{fit.model.name}.toml"
        write_model(fit.model, path)
        yield fit, path


def _tell_promises(config: "HomeConfig") -> None:
    """Whether what was told by the models so far was kept."""
    from drymon.cli.home import record_of
    from drymon.readback.promises import on_record, tally_words

    with record_of(config) as record:
        tally = on_record(record)
    if tally.promises:
        print(f'"surely by": {tally_words(tally)}\n')


def _doubts(fits: "Sequence[TypeFit]") -> int:
    """Say which of the written models are not to be gone by; the exit status."""
    doubted = [fit.model.name for fit in fits if fit.model.doubt]
    if doubted:
        print(
            f"{DOUBTED}{', '.join(doubted)}: the curve misses its runs; trees with such a coat are held for a look. "
            "Look at the runs (--report DIR draws them), leave out what was no drying, weigh again",
            file=sys.stderr,
        )
    return 1 if doubted else 0


def _writable(folder: Path) -> None:
    """Before minutes of work, whether their report can be kept; LearningError where not."""
    from drymon.errors import LearningError

    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / ".drymon").touch()
        (folder / ".drymon").unlink()
    except OSError as error:
        told = f"--report: received {str(folder)!r}; it is no folder that can be written ({error.strerror})"
        raise LearningError(f"{told}: name another, or give yourself the right to write there") from error


def _report(fits: "Sequence[TypeFit]", runs: "Sequence[Run]", config: "HomeConfig", folder: Path) -> None:
    from drymon.cli.home import record_of
    from drymon.views.fit.fit_report import promised, write_report

    with record_of(config) as record:
        kept = promised(record, config.room)
    print(f"report: {write_report(fits, runs, config.room, folder, kept)}")


def starts_of(config: "HomeConfig", runs: "Sequence[Run]") -> "dict[str, CoatModel]":
    """The model each coat's fit begins from: one from another home if there is or was such, a starting model of the
    home's own, else the packaged one. No usual wait is counted in it: the weighed runs say more.
    """
    from drymon.messages.coat_models import load_models, models_from_elsewhere
    from drymon.shop.tree.starting import start_of

    packaged, home = load_models(None), load_models(config.path)
    elsewhere = {**models_from_elsewhere(config.path), **_learnt_elsewhere(config, runs)}
    found = {}
    for coat in config.room.coats:
        start = start_of(coat, packaged)
        kept = home.get(coat.name)
        if coat.name in elsewhere:
            start = _less_sure(elsewhere[coat.name])
        elif kept is not None and kept.is_starting_model and not kept.run_ids:
            start = kept
        if start is not None:
            found[coat.name] = replace(start, name=coat.name, family=coat.family)
    return found


def _learnt_elsewhere(config: "HomeConfig", runs: "Sequence[Run]") -> "dict[str, CoatModel]":
    """By coat, fitted models in this home behind which none of its own runs are: they were copied here."""
    from drymon.messages.coat_models import load_models

    own_runs = {one.id for one in runs}
    fitted = {name: model for name, model in load_models(config.path).items() if not model.is_starting_model}
    return {name: model for name, model in fitted.items() if not own_runs & set(model.run_ids)}


def _less_sure(model: "CoatModel") -> "CoatModel":
    def wider(spread: "Spread") -> "Spread":
        return replace(spread, sd=ELSEWHERE * spread.sd)

    ends = None if model.end_growth is None else wider(model.end_growth)
    return replace(model, end_growth=ends, parameters={name: wider(one) for name, one in model.parameters.items()})


def told(fit: "TypeFit", runs: "Sequence[Run]", room: "RoomSetup") -> list[str]:
    """What was learnt, in lines for a caster: the one to go by first."""
    from drymon.readback.weighed_runs import UNTOLD
    from drymon.views.fit.fit_words import cautions, headline, left_out_words, standing

    lines = [headline(fit, room), *standing(fit, runs)]
    if untold := sum(UNTOLD in one.notes for one in fit.runs):
        lines.append(f"{UNTOLD} in {untold} of them; where trees are open say so: drymon dip TREE --shelter open")
    lines += [f"left out and forecast, {words}" for words in left_out_words(fit.runs, fit.left_out)]
    return lines + cautions(fit)


def details(fit: "TypeFit") -> list[str]:
    """The numbers behind it, in lines."""
    from drymon.views.fit.fit_words import end_words, scatter_words

    model = fit.model
    lines = [f"{'parameter':<16}{'value':>9}      90 % interval          start"]
    lines += [_parameter_line(name, model, fit.start) for name in model.parameters]
    lines.append(f"from dip to dip: {scatter_words(model)}")
    if ends := end_words(model):
        lines.append(f"late coats: {ends}")
    scores = ", ".join(f"{name} {score:.1f}" for name, score in fit.tails.items())
    lines.append(f"falling rate: {model.tail} (log probability per run: {scores})")
    return lines + _left_out_lines(fit)


def _parameter_line(name: str, model: "CoatModel", start: "CoatModel") -> str:
    from drymon.drying.coat_model import from_working, to_working

    own, before = model.parameters[name], start.parameters[name]
    middle = to_working(name, own.centre)
    low, high = (from_working(name, middle + z * own.sd) for z in (-1.645, 1.645))
    return f"{name:<16}{own.centre:>9.4g}   {low:>9.4g} to {high:<9.4g} {before.centre:>9.4g}"


def _left_out_lines(fit: "TypeFit") -> list[str]:
    from drymon.learning.forecast_scores import summary
    from drymon.readback.coat_basis import FEWEST_TO_SAY

    lines = [f"{'run left out':<28} {'left':>5} {'took h':>7} {'forecast h (5 to 95 %)':>24} {'error':>7}"]
    for one in fit.left_out:
        interval = f"{one.best_h:.1f} ({one.early_h:.1f} to {one.late_h:.1f})"
        mark = "" if one.covered else "  outside"
        lines.append(
            f"{one.run:<28} {100 * one.left:>4.0f}% {one.true_h:>7.2f} {interval:>24} {100 * one.error:>+6.0f}%{mark}"
        )
    lines.append("(left: of the whole tree's water, at the weighing it is judged by; took: by its weighings, smoothed)")
    for label, judged in (("left out", fit.left_out), ("revealed later", fit.revealed)):
        if 0 < len(judged) < FEWEST_TO_SAY:
            lines.append(f"{label}: {len(judged)} of {FEWEST_TO_SAY}, too few to say how often it is right")
        elif found := summary(judged):
            lines.append(
                f"{label}: error median {found['median_pct']:.0f} %, 90th percentile {found['p90_pct']:.0f} %,"
                f" {100 * found['coverage']:.0f} % within the 90 % interval, its width {100 * found['width']:.0f} %"
            )
    return lines
