"""`drymon init`: make a home, and ask what a shop knows of its own drying."""

import sys
from argparse import Namespace

from drymon.cli.parser import Commands

ASKED = ("prime", "backup")
"""Families of coats whose usual wait is asked for; a seal coat is the last one, and nobody waits to dip again."""

INTRODUCTION = (
    "Two questions; an empty answer leaves it open. Say what you have been waiting in your usual air,\n"
    "on open trees without deep pockets, with shells that came out sound.\n"
)


def register(commands: Commands) -> None:
    """Say what `init` takes."""
    parser = commands.add_parser(
        "init",
        help="make a home folder with a commented room.toml",
        description="Makes the home folder and writes a commented room.toml with the usual recipes; never over an "
        "existing one. At a terminal it asks how long you usually wait between dips, unless the options say it: "
        "evidence that narrows the first verdicts.",
    )
    for family in ASKED:
        parser.add_argument(
            f"--usual-wait-{family}",
            metavar="H",
            help=f"hours that you usually wait after a {family} coat before the next dip; empty: leave it open",
        )


def run(args: Namespace) -> int:
    """Make the home and say what comes next."""
    from drymon.cli.home import home_of
    from drymon.messages.home import make_home, refuse_existing, template

    home = home_of(args)
    refuse_existing(home)
    waits = _usual_waits(args)
    file = make_home(home, template(waits))
    print(f"made {file}")
    if waits:
        told = ", ".join(f"{hours:g} h after a {family} coat" for family, hours in waits.items())
        print(f"usual_wait_h in it: {told}")
    print("Next: read it and set racks, sensors and broker as they are in your shop, then try")
    print(f"  drymon check --home {home}")
    print(f"  drymon serve --home {home}")
    return 0


def _usual_waits(args: Namespace) -> dict[str, float]:
    """Hours by family, of those that are said: by an option, else by who sits at the terminal."""
    options = {family: getattr(args, f"usual_wait_{family}") for family in ASKED}
    answers = {family: _of_option(family, said) for family, said in options.items() if said is not None}
    unsaid = [family for family in ASKED if family not in answers]
    if unsaid and sys.stdin.isatty():
        _say(INTRODUCTION)
        answers |= {family: _asked(family) for family in unsaid}
    return {family: hours for family in ASKED if (hours := answers.get(family)) is not None}


def _of_option(family: str, said: str) -> float | None:
    """SetupError where it cannot be hours."""
    from drymon.errors import SetupError
    from drymon.messages.home import usual_wait_of

    try:
        return usual_wait_of(said)
    except ValueError as error:
        raise SetupError(f"--usual-wait-{family}: {error}") from error


def _asked(family: str) -> float | None:
    """The answer, asked for until it can be one; None: it is left open, or nobody answers any more."""
    from drymon.messages.home import usual_wait_of

    while True:
        _say(f"How many hours do you usually wait after a {family} coat before the next dip? ")
        answer = sys.stdin.readline()
        if not answer:
            _say("\n")
            return None
        try:
            return usual_wait_of(answer)
        except ValueError as error:
            _say(f"  {error}\n")


def _say(words: str) -> None:
    """To whoever sits there, wherever stdout goes."""
    print(words, end="", file=sys.stderr, flush=True)
