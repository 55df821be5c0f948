"""What a tank's check takes at a terminal; `slurry` makes a message of it."""

import argparse

from drymon.cli.parser import Commands
from drymon.drying.cups import CUPS


def register(subparsers: Commands) -> None:
    """Tell the command's arguments."""
    parser = subparsers.add_parser(
        "slurry",
        help="a tank's daily check",
        description="Log what a tank of slurry showed once water was in and it was stirred. Without a name: all tanks, "
        "their last checks, in or out of band, and what to do.",
    )
    parser.add_argument("name", metavar="NAME", nargs="?", help="a [[slurry]] of room.toml")
    parser.add_argument("--seconds", metavar="S", help="out of the flow cup")
    parser.add_argument("--temperature", metavar="T[UNIT]", help="of the slurry, such as 22, 71.6F")
    parser.add_argument("--density", metavar="D", help="kg/L, which is g/cm3")
    parser.add_argument("--ph", metavar="PH")
    parser.add_argument("--water", metavar="V[UNIT]", help="added since the last check, such as 0.2l, 200ml")
    parser.add_argument("--stirred", action="store_true", help="it was stirred before it was measured")
    parser.add_argument("--fresh", action="store_true", help="a new filling: what was before counts no more")
    parser.add_argument("--cup", choices=CUPS, metavar="CUP", help="where it is not that of room.toml")
    parser.add_argument("--coats", metavar="A,B", help="of a tank that room.toml does not have: coats dipped in it")
    parser.add_argument("--note", metavar="TEXT")
    parser.add_argument("--undo", action="store_true", help="take back what was said last of the tank")
    parser.add_argument("--entry", metavar="ID", help="with --undo: the entry of this id (`drymon export log`)")
    parser.add_argument("--at", metavar="TIME", help="when: 14:05 on the room's clock, or RFC 3339; else now")
    parser.add_argument("--by", metavar="NAME", help="who says so")


def run(args: argparse.Namespace) -> int:
    """Publish the check, or print the tanks. DrymonError where no broker takes it."""
    from drymon.cli import slurry

    return slurry.run(args)
