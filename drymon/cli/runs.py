"""`drymon runs`: the weighed runs that models are learnt from; a person may leave one out, with a reason."""

import getpass
from argparse import Namespace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from drymon.cli.parser import Commands

if TYPE_CHECKING:
    from drymon.learning.run import Run
    from drymon.messages.settings import HomeConfig


def register(commands: Commands) -> None:
    """Say what `runs` takes."""
    parser = commands.add_parser(
        "runs",
        help="the weighed runs that models are learnt from",
        description="Lists every weighed drying between a dip and the next: who, what, how long, and why it is not "
        "used where it is not. A run that went wrong can be left out; the reason is kept.",
    )
    parser.add_argument("--coat", help="only runs of this coat")
    change = parser.add_mutually_exclusive_group()
    change.add_argument("--leave-out", metavar="RUN", help="keep this run out of fits (needs --reason)")
    change.add_argument("--take-back", metavar="RUN", help="let a run that was left out count again")
    parser.add_argument("--reason", help="why the run is left out")
    parser.add_argument("--by", help="who says so (else the name of this account)")
    parser.set_defaults(usage_error=parser.error)


def run(args: Namespace) -> int:
    """List the runs, or leave one out, or take it back."""
    from drymon.cli.home import check_coat, config_of, record_of
    from drymon.readback.weighed_runs import weighed_runs

    config = config_of(args)
    if args.leave_out and not (args.reason or "").strip():
        args.usage_error("--leave-out needs --reason with the reason in words")
    if args.leave_out or args.take_back:
        return _change(args, config)
    if args.coat:
        check_coat(config, args.coat)
    with record_of(config) as record:
        found = weighed_runs(config, record, coats=[args.coat] if args.coat else None)
    if not found:
        print("no tree has been weighed yet: `drymon weigh TREE MASS` after a dip and on, or hang it on a load cell")
        return 0
    for line in listing(found):
        print(line)
    return 0


def _change(args: Namespace, config: "HomeConfig") -> int:
    from drymon.cli.door import keep
    from drymon.cli.home import record_of
    from drymon.errors import LearningError
    from drymon.readback.weighed_runs import weighed_runs
    from drymon.store.decisions import change_run

    name = args.leave_out or args.take_back
    with record_of(config) as record:
        known = {one.id for one in weighed_runs(config, record)}
    if name not in known:
        raise LearningError(f"received run {name!r}; no run has this name, `drymon runs` lists them")
    act = "leave-out" if args.leave_out else "take-back"
    wanted = {"act": act, "run": name, "reason": (args.reason or "").strip(), "by": args.by or getpass.getuser()}
    print(keep(config, "run", change_run, wanted))
    print("`drymon fit` makes it felt")
    return 0


def listing(runs: "list[Run]") -> list[str]:
    """A table, a line a run."""
    width = max(len(one.id) for one in runs)
    lines = [
        f"{'run':<{width}}  {'coat':<18} {'no.':>3} {'shelter':<9} {'dipped (UTC)':<16} {'weighed':>8} {'hours':>6}"
    ]
    for one in runs:
        dipped = datetime.fromtimestamp(one.start_s, UTC)
        lines.append(
            f"{one.id:<{width}}  {one.coat:<18} {one.number:>3} {one.shelter:<9} {dipped:%Y-%m-%d %H:%M}"
            f" {len(one.times_s):>5} {'c' if one.on_cell else 'b':>2} {one.hours:>6.1f}  {_standing(one)}"
        )
    used = sum(one.used for one in runs)
    lines.append(f"{len(runs)} {'run' if len(runs) == 1 else 'runs'}, {used} used (c: load cell, b: bench scale)")
    return lines


def _standing(one: "Run") -> str:
    if one.left_out:
        return f"left out: {one.left_out}"
    if one.problem:
        return f"not used: {one.problem}"
    return "; ".join(one.notes)
