"""`drymon slurry`: a tank's check, typed and published to the broker; without a name what holds of all tanks."""

import argparse
import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from drymon.cli.events import say, typed_message
from drymon.cli.home import config_of, record_of, wall
from drymon.cli.slips import WrongUse
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
