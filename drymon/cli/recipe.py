"""`drymon recipe`: what is to be said of the recipes in room.toml, and which coats a piece asks for."""

import sys
from argparse import Namespace

from drymon.cli.parser import Commands
from drymon.errors import LearningError
from drymon.shop.facts.stack import Metal, Piece, suggest

WRONG_USE = 2


def register(subparsers: Commands) -> None:
    """Tell the command's arguments."""
    parser = subparsers.add_parser(
        "recipe",
        help="recipes checked, and one suggested for a piece",
        description="Without any more words: what is to be said of the recipes in room.toml. `suggest`: the coats that "
        "a piece asks for, each with its reason, and the lines for room.toml. Nothing is changed.",
    )
    kinds = parser.add_subparsers(dest="what", metavar="WHAT")
    asked = kinds.add_parser("suggest", help="the coats that a piece asks for")
    asked.add_argument("--metal", required=True, choices=[metal.value for metal in Metal])
    asked.add_argument("--weight", metavar="W[UNIT]", help="of the metal with its gates, such as 12, 12kg, 40lb")
    asked.add_argument("--plain", action="store_true", help="no fine detail")
    asked.add_argument("--sharp-edges", action="store_true", help="sharp straight edges")
    asked.add_argument("--heavy-parts", action="store_true", help="parts much thicker than the rest")
    asked.add_argument("--slurry-first", action="store_true", help="a first coat of bare slurry")
    asked.add_argument("--name", metavar="NAME", default="new", help="of the recipe (new)")


def run(args: Namespace) -> int:
    """Print; 2 where a word makes no sense."""
    from drymon.cli.home import config_of
    from drymon.messages.names import NAME_RULE, is_name
    from drymon.messages.typed import metal_of
    from drymon.views.recipe_words import check_text, suggestion_text

    room = config_of(args).room
    if args.what != "suggest":
        sys.stdout.write(check_text(room, room.recipes))
        return 0
    try:
        kg = None if args.weight is None else metal_of(args.weight)
    except LearningError as error:
        print(f"drymon recipe: --weight: {error}", file=sys.stderr)
        return WRONG_USE
    if not is_name(args.name):
        print(f"drymon recipe: --name: received {args.name!r}; allowed are {NAME_RULE}", file=sys.stderr)
        return WRONG_USE
    piece = Piece(Metal(args.metal), kg, not args.plain, args.sharp_edges, args.heavy_parts, args.slurry_first)
    sys.stdout.write(suggestion_text(suggest(piece), piece, room, args.name))
    return 0
