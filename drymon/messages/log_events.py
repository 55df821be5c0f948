"""Log events: a checked payload to one of the frozen events of the shop floor."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from pydantic import ValidationError

from drymon.drying.quantities import Quantity
from drymon.messages import log_tables as tables
from drymon.messages.complaints import as_written, complaints
from drymon.messages.message import Message
from drymon.messages.payload import read_json, read_text
from drymon.messages.times import parse_time, plausible
from drymon.messages.units import to_default
from drymon.shop.facts.events import (
    ClockChecked,
    Dip,
    FanSwitched,
    Felt,
    Leave,
    LogEvent,
    Look,
    Move,
    SlurryCheck,
    SlurryUndo,
    Undo,
    Weigh,
)

Maker = Callable[..., LogEvent]

MOST_TREES = 100
"""Of one dip: more than any rack carries."""

OF_ONE_TREE = ("tree", "cell", "probe", "label")
"""What cannot be said of several trees at once."""

MOST_UNKNOWN = 10
"""Unknown keys of an event that are told of."""


def _undo(*, tree: str | None, slurry: str | None, **said: Any) -> Undo | SlurryUndo:
    """What it takes back is a tree's or a tank's; the table has seen to it that it is one of them."""
    return Undo(tree=tree, **said) if tree is not None else SlurryUndo(slurry=str(slurry), **said)


EVENTS: Mapping[str, tuple[type[tables.EventTable], Maker]] = {
    "dip": (tables.DipTable, Dip),
    "weigh": (tables.WeighTable, Weigh),
    "felt": (tables.FeltTable, Felt),
    "look": (tables.LookTable, Look),
    "move": (tables.MoveTable, Move),
    "leave": (tables.TreeTable, Leave),
    "undo": (tables.UndoTable, _undo),
    "fan": (tables.FanTable, FanSwitched),
    "slurry": (tables.SlurryCheckTable, SlurryCheck),
    "clock": (tables.ClockTable, ClockChecked),  # the service's own word
}


def read_events(name: str, message: Message, racks: tuple[str, ...]) -> tuple[list[LogEvent], list[str]]:
    """The events that a message on `log/<name>` tells, and what of them is not understood and counts for nothing: one,
    but of a dip of several trees one for each.

    ValueError says what was received and what is allowed.
    """
    if name not in EVENTS:
        raise ValueError(f"log event: received {as_written(name)}; allowed are {', '.join(EVENTS)}")
    if message.retain:
        raise ValueError("log event: received as a retained message; allowed is a message not retained")
    data = read_json(read_text(message.payload))
    if not isinstance(data, dict):
        raise ValueError(f"payload: received {as_written(data)}; allowed is a JSON object {{…}}")
    each = _of_each_tree(data) if name == "dip" and "trees" in data else [data]
    told = [_event(name, one, message.arrived, racks) for one in each]
    return [event for event, _ in told], list(dict.fromkeys(word for _, ignored in told for word in ignored))


def _of_each_tree(data: dict[str, Any]) -> list[dict[str, Any]]:
    """A dip of several trees as one of each, with the same id and a suffix."""
    trees = data["trees"]
    if alone := [key for key in OF_ONE_TREE if key in data]:
        raise ValueError(f"{alone[0]}: received with trees; allowed is {alone[0]} only of a dip of one tree")
    if (
        not isinstance(trees, list)
        or not 1 <= len(trees) <= MOST_TREES
        or len({str(one) for one in trees}) < len(trees)
    ):
        raise ValueError(f"trees: received {as_written(trees)}; allowed is a list of 1 to {MOST_TREES} different names")
    rest = {key: value for key, value in data.items() if key != "trees"}
    given = rest.get("id")
    named = isinstance(given, str | int) and not isinstance(given, bool) and given != ""
    ids = [{"id": f"{given}-{place}"} if named else {} for place in range(1, len(trees) + 1)]
    return [{**rest, "tree": tree, **own} for tree, own in zip(trees, ids, strict=True)]


def _event(name: str, data: dict[str, Any], arrived: datetime, racks: tuple[str, ...]) -> tuple[LogEvent, list[str]]:
    table, make = EVENTS[name]
    content, ignored = _checked(table, data, lenient=name == "dip")
    if "rack" in content and content["rack"] not in racks:
        known = ", ".join(racks) or "none yet: add a [[rack]] to room.toml"
        raise ValueError(f"rack: received {as_written(content['rack'])}; allowed are the racks {known}")
    time = _time(content.pop("time"), arrived)
    return make(time=time, arrived=arrived, **_fields(name, content)), ignored


def _checked(table: type[tables.EventTable], data: dict[str, Any], lenient: bool) -> tuple[dict[str, Any], list[str]]:
    """The table's content; lenient: without its unknown keys, which are told of instead of refused."""
    data = _few(data, table)
    strange: list[str] = []
    try:
        table.model_validate(data)
    except ValidationError as error:
        unknown = {finding["loc"][0] for finding in error.errors() if finding["type"] == "extra_forbidden"}
        told = complaints(error, table, data)
        if not lenient or len(unknown) < len(told):
            raise ValueError("; ".join(told)) from None
        strange = [f"{one}: the dip is recorded without it" for one in told]
        data = {key: value for key, value in data.items() if key not in unknown}
    return table.model_validate(data).model_dump(), strange


def _few(data: dict[str, Any], table: type[tables.EventTable]) -> dict[str, Any]:
    """Without all but the first unknown keys: each costs a search for what may have been meant, and few tell it all."""
    unknown = [key for key in data if key not in table.model_fields]
    beyond = set(unknown[MOST_UNKNOWN:])
    return {key: value for key, value in data.items() if key not in beyond}


def _time(text: str | None, arrived: datetime) -> datetime:
    """What is told has happened: a clock that runs ahead must not put off the first verdict on a dip."""
    return arrived if text is None else min(plausible(parse_time(text), arrived), arrived)


def _fields(name: str, content: dict[str, Any]) -> dict[str, Any]:
    """The event's own fields; those that have a default there are "" and not None."""
    if name == "weigh":
        content["mass"] = _mass(content["mass"], content.pop("unit"))
    for key in ("id", "by", "note", "entry", "label"):
        if key in content:
            content[key] = content[key] or ""
    return content


def _mass(mass: float, unit: str | None) -> float:
    kilograms = to_default(Quantity.WEIGHT, mass, unit)
    if kilograms <= 0:
        raise ValueError(f"mass: received {mass:g}; allowed is more than nothing")
    return kilograms
