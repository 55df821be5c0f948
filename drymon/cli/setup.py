"""`drymon init`: make a home."""

from argparse import Namespace, _SubParsersAction
from typing import Any


def register(commands: "_SubParsersAction[Any]") -> None:
    """Say what `init` takes."""
    commands.add_parser(
        "init",
        help="make a home folder with a commented room.toml",
        description="Makes the home folder and writes a commented room.toml with the usual recipes; never over an "
        "existing one.",
    )


def run(args: Namespace) -> int:
    """Make the home and say what comes next."""
    from drymon.cli.home import home_of
    from drymon.messages.home import make_home

    home = home_of(args)
    file = make_home(home)
    print(f"made {file}")
    print("Next: read it and set racks, sensors and broker as they are in your shop, then try")
    print(f"  drymon check --home {home}")
    print(f"  drymon serve --home {home}")
    return 0
