"""The door: a message to readings and log events, or to the reason why not."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from drymon.drying.quantities import Quantity
from drymon.errors import RefusedMessage
from drymon.messages import topics
from drymon.messages.complaints import as_written, gathered
from drymon.messages.log_events import read_events
from drymon.messages.message import Message
from drymon.messages.names import NAME_RULE, ROOM_PLACE, is_name
from drymon.messages.payload import Number, number_in, numbering_of, read_json, read_measured, read_number, read_text
from drymon.messages.senml import Record, resolve
from drymon.messages.settings import HomeConfig, Source
from drymon.messages.times import plausible
from drymon.messages.units import to_default
from drymon.shop.facts.events import LogEvent, SlurryCheck, SlurryUndo
from drymon.shop.facts.reading import Reading

SENML = "senml"
NAMED = {Quantity.WEIGHT: "cell", Quantity.SURFACE: "probe"}
"""Quantities that mean nothing without the name of what they were measured with."""


@dataclass(frozen=True, slots=True)
class Parsed:
    """What a message told, which parts of it could not be used and why, and the node's number for what is refused."""

    items: tuple[Reading | LogEvent, ...] = ()
    refusals: tuple[str, ...] = ()
    number: Number | None = None


class Parser:
    """Understands the messages of one room."""

    def __init__(self, config: HomeConfig) -> None:
        self._room = config.room.name
        self._racks = tuple(rack.name for rack in config.room.racks)
        self._named = {
            "cell": (tuple(cell.name for cell in config.room.cells), "no cell of the room weighs the tree"),
            "recipe": (tuple(recipe.name for recipe in config.room.recipes), "its next coat is not known"),
            "slurry": (tuple(config.room.tank_by_name), "no tank of the room goes with it"),
        }
        self._sources: dict[str, list[Source]] = {}
        for source in config.sources:
            self._sources.setdefault(source.topic, []).append(source)

    def parse(self, message: Message) -> Parsed:
        """What the message tells (nothing on our own topics); RefusedMessage where none of it can be used."""
        if topics.is_own(self._room, message.topic):
            return Parsed()
        try:
            parsed = self._parse(message)
        except ValueError as error:
            raise RefusedMessage(str(error)) from None
        if not parsed.items:
            raise RefusedMessage(gathered(parsed.refusals))
        return parsed

    def refused(self, message: Message, why: str) -> Parsed:
        """The message as one that cannot be used. Its number counts all the same: nothing else covers it, ever."""
        foreign = message.topic in self._sources
        return Parsed(refusals=(why,), number=None if foreign else numbering_of(message.payload))

    def _parse(self, message: Message) -> Parsed:
        if sources := self._sources.get(message.topic):
            return _foreign(sources, message)
        place, *rest = self._levels(message.topic)
        match rest:
            case [event] if place == topics.LOG:
                told, ignored = read_events(event, message, self._racks)
                strange = dict.fromkeys(word for one in told for word in self._strangers(event, one))
                return Parsed(tuple(told), (*ignored, *strange))
            case _ if place == topics.LOG:
                pass
            case _ if place != ROOM_PLACE and place not in self._racks:
                places = ", ".join((*self._racks, ROOM_PLACE, topics.LOG))
                raise ValueError(f"topic: received the place {as_written(place)}; allowed are {places}")
            case ["senml"]:
                return _from_senml(place, message)
            case [quantity]:
                return Parsed((_reading(place, quantity, "", message),))
            case [quantity, sensor] if sensor:
                return Parsed((_reading(place, quantity, sensor, message),))
        raise ValueError(self._unknown(message.topic))

    def _strangers(self, name: str, told: LogEvent) -> Iterator[str]:
        """What the event names that room.toml does not have: a fact all the same, so it is kept, and this is told."""
        if isinstance(told, SlurryUndo) or (isinstance(told, SlurryCheck) and told.coats):
            return  # told of where it takes nothing back; a tank that says itself which coats are dipped in it
        for key, (known, then) in self._named.items():
            said = getattr(told, key, None)
            if said is not None and said not in known:
                there = f"in room.toml are {', '.join(known) or 'none yet'}"
                yield f"{key}: received {as_written(said)}; {there}: the {name} is recorded, but {then}"

    def _levels(self, topic: str) -> list[str]:
        """What follows drymon/<room>/."""
        if problem := topics.topic_problem(topic):
            raise ValueError(f"topic: received {as_written(topic)}; {problem}")
        prefix, *rest = topic.split("/")
        if prefix != topics.PREFIX or len(rest) < 3:
            raise ValueError(self._unknown(topic))
        if rest[0] != self._room:
            room = as_written(rest[0])
            raise ValueError(f"topic: received the room {room}; allowed is this room, {self._room}")
        return rest[1:]

    def _unknown(self, topic: str) -> str:
        base = topics.room_prefix(self._room)
        return (
            f"topic: received {as_written(topic)}; allowed are {base}<place>/<quantity>, "
            f"{base}<place>/<quantity>/<sensor>, {base}<place>/senml, {base}log/<event> "
            "and those of a [[source]]"
        )


def _reading(place: str, quantity_name: str, sensor: str, message: Message) -> Reading:
    quantity = _quantity(quantity_name)
    _check_sensor(quantity, sensor)
    measured = read_measured(message.payload)
    time = message.arrived if measured.time is None else plausible(measured.time, message.arrived)
    return Reading(
        time=time,
        arrived=message.arrived,
        place=place,
        quantity=quantity,
        value=to_default(quantity, measured.value, measured.unit),
        sensor=sensor,
        timed=measured.time is not None,
        device=measured.device,
        boot=measured.boot,
        seq=measured.seq,
        retained=message.retain,
    )


def _quantity(name: str) -> Quantity:
    try:
        return Quantity(name)
    except ValueError:
        allowed = ", ".join(Quantity)
        raise ValueError(f"quantity: received {as_written(name)}; allowed are {allowed}") from None


def _check_sensor(quantity: Quantity, sensor: str) -> None:
    if sensor == "" and quantity in NAMED:
        raise ValueError(f"{quantity}: received without its {NAMED[quantity]}; it must be named last")
    if sensor != "" and not is_name(sensor):
        raise ValueError(f"sensor: received {as_written(sensor)}; allowed are {NAME_RULE}")


def _from_senml(place: str, message: Message) -> Parsed:
    pack = resolve(read_json(read_text(message.payload)), message.arrived)
    items, refusals = list[Reading](), list(pack.refusals)
    for record in pack.records:
        try:
            items.append(_senml_reading(place, record, message))
        except ValueError as error:
            refusals.append(f"SenML {record.name}: {error}")
    return Parsed(tuple(items), tuple(refusals))


def _senml_reading(place: str, record: Record, message: Message) -> Reading:
    *before, last = re.split("[/:]", record.name)
    quantity, sensor = _quantity(last), before[-1] if before else ""
    _check_sensor(quantity, sensor)
    return Reading(
        time=plausible(record.time, message.arrived),
        arrived=message.arrived,
        place=place,
        quantity=quantity,
        value=to_default(quantity, record.value, record.unit),
        sensor=sensor,
        timed=record.absolute,
        retained=message.retain,
    )


def _foreign(sources: list[Source], message: Message) -> Parsed:
    """One payload may carry the values of several sources."""
    text = read_text(message.payload)
    items, refusals = list[Reading](), list[str]()
    for source in sources:
        try:
            items.append(_foreign_reading(source, text, message))
        except ValueError as error:
            refusals.append(f"[[source]] {source.quantity} of {source.place}: {error}")
    return Parsed(tuple(items), tuple(refusals))


def _foreign_reading(source: Source, text: str, message: Message) -> Reading:
    value = read_number(text) if source.field is None else _field(read_json(text), source.field)
    return Reading(
        time=message.arrived,
        arrived=message.arrived,
        place=source.place,
        quantity=source.quantity,
        value=to_default(source.quantity, value, source.unit),
        sensor=source.sensor,
        retained=message.retain,
    )


def _field(data: Any, path: str) -> float:
    """The number at a dotted path; foreign devices are fond of numbers in quotes."""
    for found in _walks(data, path):
        return read_number(found.strip()) if isinstance(found, str) else number_in({path: found}, path)
    raise ValueError(f"field: {as_written(path)} is not in the payload {as_written(data)}")


def _walks(data: Any, path: str) -> Iterator[Any]:
    """The whole path as one key, else level by level; a level of a list is its index from 0."""
    if isinstance(data, dict) and path in data:
        yield data[path]
        return
    for level in path.split("."):
        if isinstance(data, list) and level.isdecimal() and int(level) < len(data):
            data = data[int(level)]
        elif isinstance(data, dict) and level in data:
            data = data[level]
        else:
            return
    yield data
