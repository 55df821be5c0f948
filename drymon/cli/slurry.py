"""`drymon slurry`: a tank's check, typed and published to the broker; without a name what holds of all tanks."""

import argparse
import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from drymon.cli.events import say, typed_message
from drymon.cli.home import config_of, record_of, wall
from drymon.cli.slips import WrongUse
from drymon.drying.cups import CUPS
from drymon.drying.quantities import Quantity
from drymon.errors import LearningError
from drymon.messages.message import Message
from drymon.messages.names import name_of
from drymon.messages.settings import HomeConfig
from drymon.messages.typed import quantity_of

WRONG_USE = 2
_LITRES: Mapping[str, float] = {"": 1.0, "l": 1.0, "ml": 0.001, "gal": 3.785411784}
"""The gallon is the US liquid one (231 cubic inches)."""
_NUMBER = r"([0-9]{1,6}(?:[.,][0-9]{1,6})?)"
_SAID = ("seconds", "temperature", "density", "ph", "water", "stirred", "fresh", "cup", "coats", "note")


def register(subparsers: Any) -> None:
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
    if args.name is None and not any(getattr(args, key) for key in (*_SAID, "undo", "entry")):
        return _show(config_of(args))
    return say(args, slurry_message)


def slurry_message(config: HomeConfig, words: Mapping[str, Any], now: datetime) -> Message:
    """The log event that the words tell. WrongUse or RefusedMessage say what is allowed."""
    if words["name"] is None:
        known = ", ".join(config.room.tank_by_name) or "none yet: add a [[slurry]] to room.toml"
        raise WrongUse(f"say which tank; in room.toml are {known}")
    try:
        name = name_of(words["name"])
        said = {} if words["undo"] else _check(words)
    except (ValueError, LearningError) as error:
        raise WrongUse(str(error)) from None
    if words["undo"]:
        if any(words[key] for key in _SAID):
            raise WrongUse("--undo: received with what was measured; allowed is one after the other")
        return typed_message(config, "undo", {"slurry": name, "entry": words["entry"]}, words, now)
    if words["entry"]:
        raise WrongUse("--entry: received without --undo; allowed is only --undo --entry ID")
    return typed_message(config, "slurry", {"slurry": name, **said}, words, now)


def _check(words: Mapping[str, Any]) -> dict[str, Any]:
    warm = words["temperature"]
    said: dict[str, Any] = {
        "seconds": number_of(words["seconds"], "seconds", "s"),
        "temperature": None if warm is None else round(quantity_of(Quantity.SURFACE, warm), 2),
        "density": number_of(words["density"], "density"),
        "ph": number_of(words["ph"], "ph"),
        "water_added": litres_of(words["water"]),
        "cup": words["cup"],
        "note": words["note"],
    }
    coats = [name.strip() for name in (words["coats"] or "").split(",") if name.strip()]
    flags = {key: True for key in ("stirred", "fresh") if words[key]}
    return said | flags | ({"coats": coats} if coats else {})


def number_of(text: str | None, what: str, unit: str = "") -> float | None:
    """A typed number, with its unit behind it or without; None stays None."""
    if text is None:
        return None
    match = re.fullmatch(rf"\s*{_NUMBER}\s*({unit})?\s*", text)
    if match is None:
        raise LearningError(f"{what}: received {text!r}; allowed is a number, such as 32 or 1.82")
    return float(match[1].replace(",", "."))


def litres_of(text: str | None) -> float | None:
    """`0.2`, `0.2l`, `200 ml` in litres; None stays None."""
    if text is None:
        return None
    match = re.fullmatch(rf"\s*{_NUMBER}\s*([A-Za-z]*)\s*", text)
    if match is None or match[2].casefold() not in _LITRES:
        raise LearningError(f"water: received {text!r}; allowed is a number and a unit, such as 0.2l, 200ml or 0.05gal")
    return round(float(match[1].replace(",", ".")) * _LITRES[match[2].casefold()], 6)


def _show(config: HomeConfig) -> int:
    from drymon.views.tank_words import tank_lines

    with record_of(config) as record:
        print("\n".join(tank_lines(record, config.room, wall())))
    return 0
