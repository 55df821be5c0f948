"""`drymon check`: what is wrong with a home, and what to do about it."""

import textwrap
from argparse import Namespace
from collections.abc import Iterable
from typing import TYPE_CHECKING

from drymon.cli.parser import Commands

if TYPE_CHECKING:
    from drymon.cli.checks import CheckLine


def register(commands: Commands) -> None:
    """Say what `check` takes."""
    commands.add_parser(
        "check",
        help="what is wrong with this home and what to do about it",
        description="Looks at configuration, broker, database, sensors, calibrations, models, page and clock, and says "
        "of each: ok, look (works, but see), or wrong, with what to do. Exit 1 where anything is wrong.",
    )


def run(args: Namespace) -> int:
    """Print the findings; 1 where anything is wrong."""
    from drymon.cli.checks import examine
    from drymon.cli.home import home_of

    findings = list(_shown(examine(home_of(args))))
    wrong, look = (sum(finding.verdict == word for finding in findings) for word in ("wrong", "look"))
    print(f"\n{wrong} wrong, {look} to look at" if wrong or look else "\nall is well")
    return 1 if wrong else 0


def _shown(findings: "Iterable[CheckLine]") -> "Iterable[CheckLine]":
    """Each finding is printed as it is made: some take seconds."""
    for finding in findings:
        lines = textwrap.wrap(finding.words, 84) or [""]
        print(f"{finding.verdict:<6} {finding.subject:<14} {lines[0]}", flush=True)
        for line in lines[1:]:
            print(" " * 22 + line)
        if finding.remedy:
            print(textwrap.indent(textwrap.fill(f"→ {finding.remedy}", 84, subsequent_indent="  "), " " * 22))
        yield finding
