"""What the log events take at a terminal; `events` makes messages of it."""

import argparse

from drymon.cli.parser import CommandParser, Commands
from drymon.shop.facts.events import SHELTERS


def register(subparsers: Commands) -> None:
    """Tell the commands' arguments."""
    dip = _command(subparsers, "dip", "a coat was put on a tree", "TREE")
    dip.add_argument("coat", metavar="COAT", nargs="?", help="else the next one of its recipe")
    dip.add_argument("--rack", metavar="R", help="else the rack where it hangs")
    dip.add_argument("--shelter", choices=SHELTERS, help="how the air reaches its slowest part; else as before")
    dip.add_argument("--number", metavar="N", type=int, help="the coat's number; else one more than the last")
    for name, what in (
        ("cell", "the load cell that carries it"),
        ("probe", "a probe in it"),
        ("recipe", "its recipe"),
        ("slurry", "the tank"),
    ):
        dip.add_argument(f"--{name}", metavar=name[0].upper(), help=what)
    # A mass below nothing is a mass all the same, which `_mass` says what is wrong with, not an option.
    weigh = _command(subparsers, "weigh", "a tree was weighed on a bench scale", "TREE", below_nothing=True)
    weigh.add_argument("mass", metavar="MASS[UNIT]", nargs="+", help="such as 12.4, 12.4kg, 27.3lb; kg without a unit")
    weigh.add_argument("--sure", action="store_true", help="it is right, though far from the tree's last weighing")
    felt = _command(subparsers, "felt", "a tree felt wet or dry to the touch", "TREE")
    felt.add_argument("finding", choices=("wet", "dry"))
    felt.add_argument("--where", choices=("face", "pocket"), help="where the finger was; on a face without a word")
    look = _command(subparsers, "look", "somebody looked at a tree that is on hold", "TREE")
    look.add_argument("finding", choices=("sound", "repaired", "scrap"), help="scrap takes it out of the room")
    look.add_argument("--note", metavar="TEXT", help="what was seen")
    move = _command(subparsers, "move", "a tree hangs on another rack now", "TREE")
    move.add_argument("rack", metavar="RACK")
    move.add_argument("--cell", metavar="C", help="the load cell that carries it there")
    _command(subparsers, "leave", "a tree left the room", "TREE")
    _command(subparsers, "undo", "take back what was said last of a tree", "TREE").add_argument(
        "--entry", metavar="ID", help="the entry of this id (`drymon export log`), else what was said last"
    )
    fan = _command(subparsers, "fan", "a rack's fans were switched", "RACK")
    fan.add_argument("switch", choices=("on", "off"))


def run(args: argparse.Namespace) -> int:
    """Publish the event; DrymonError where no broker takes it."""
    from drymon.cli import events

    return events.run(args)


def _command(subparsers: Commands, name: str, summary: str, subject: str, below_nothing: bool = False) -> CommandParser:
    parser = subparsers.add_parser(
        name,
        help=summary,
        description=f"Log that {summary}." if name != "undo" else f"{summary.capitalize()}.",
        below_nothing=below_nothing,
    )
    parser.add_argument("subject", metavar=subject)
    parser.add_argument("--at", metavar="TIME", help="when: 14:05 on the room's clock, or RFC 3339; else now")
    parser.add_argument("--by", metavar="NAME", help="who says so")
    return parser
