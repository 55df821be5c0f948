"""The contract between node and service is the message: what the one says is exactly what the other understands."""

from __future__ import annotations

import json
from datetime import datetime, timezone
from pathlib import Path
from typing import Literal

import pytest
from drymon.drying.quantities import LIMITS
from drymon.messages import outgoing, topics
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.names import RESERVED_RACKS, is_name
from drymon.messages.parse import Parsed, Parser
from drymon.messages.payload import numbering_of
from drymon.messages.units import IMPOSSIBLE, UNITS
from drymon.shop.facts.events import Weigh
from drymon.shop.facts.reading import Reading

from drymon_sensors import payload, quantities, tables
from drymon_sensors.buffer.ring import new_boot
from drymon_sensors.clock import stamp
from drymon_sensors.config import NO_PLACES
from drymon_sensors.payload import NEVER, Number

from .conftest import make_home

MOMENT = datetime(2031, 3, 2, 6, 40, 0, 250_000, tzinfo=timezone.utc)
ARRIVED = datetime(2031, 3, 2, 6, 45, tzinfo=timezone.utc)
BOOT = new_boot()


@pytest.fixture
def door(tmp_path: Path) -> Parser:
    """The service's own door."""
    return Parser(load_home(make_home(tmp_path / "home", 1883)))


def heard(said: payload.Message) -> Message:
    """As it arrives there."""
    return Message(ARRIVED, said.topic, said.payload, said.retain, 1)


@pytest.mark.parametrize("quantity", sorted(quantities.QUANTITIES))
def test_a_reading_of_every_quantity_arrives_as_it_was_taken(door: Parser, quantity: str) -> None:
    rule = quantities.QUANTITIES[quantity]
    name = {"weight": "cell-1", "surface": "tip"}.get(quantity, "")
    value = (rule.low + rule.high) / 2.0 + 0.123
    tail = "/".join(filter(None, ("rack-a", quantity, name)))
    said = payload.reading("shop", tail, value, stamp(MOMENT.timestamp()), Number("node-1", BOOT, 412))
    (reading,) = door.parse(heard(said)).items
    assert isinstance(reading, Reading)
    assert reading.value == pytest.approx(value)
    assert (reading.place, reading.quantity.value, reading.sensor) == ("rack-a", quantity, name)
    assert (reading.time, reading.timed, reading.retained) == (MOMENT, True, False)
    assert (reading.device, reading.boot, reading.seq) == ("node-1", BOOT, 412)


def test_a_reading_without_a_time_counts_at_its_arrival(door: Parser) -> None:
    said = payload.reading("shop", "room/humidity", 52.06, None, Number("node-1", BOOT, 1))
    (reading,) = door.parse(heard(said)).items
    assert isinstance(reading, Reading)
    assert (reading.time, reading.timed) == (ARRIVED, False)


@pytest.mark.parametrize(
    "said",
    [
        payload.reading("shop", "room/humidity", 52.06, NEVER, Number("node-1", BOOT, 7)),
        payload.lost("shop", "room/humidity", Number("node-1", BOOT, 7), "its record on the node's disk was damaged"),
    ],
    ids=["undated", "lost"],
)
def test_what_cannot_be_evidence_is_refused_there_but_its_number_counts(door: Parser, said: payload.Message) -> None:
    """So it is kept with the reason, and nobody waits for it."""
    message = heard(said)
    with pytest.raises(ValueError, match=r"time: received|value: is missing"):
        door.parse(message)
    refused: Parsed = door.refused(message, "why")
    assert refused.number is not None
    assert tuple(refused.number) == ("node-1", BOOT, 7)
    assert numbering_of(message.payload) == refused.number


def test_a_weighing_arrives_in_kilograms_with_its_time_and_who(door: Parser) -> None:
    said = payload.weighing("shop", "t-7", "1.1280", "lb", MOMENT.timestamp(), "7f3a", "Maria")
    (event,) = door.parse(heard(said)).items
    assert isinstance(event, Weigh)
    assert event.mass == pytest.approx(1.1280 * 0.45359237)
    assert (event.tree, event.time, event.id, event.by) == ("t-7", MOMENT, "7f3a", "Maria")


@pytest.mark.parametrize(("text", "unit", "celsius"), [("19.40", "Cel", 19.4), ("66.92", "degF", 19.4)])
def test_a_spot_temperature_arrives_in_celsius(door: Parser, text: str, unit: str, celsius: float) -> None:
    (reading,) = door.parse(heard(payload.spot("shop", "rack-a/surface/tip", text, unit, MOMENT.timestamp()))).items
    assert isinstance(reading, Reading)
    assert reading.value == pytest.approx(celsius)
    assert (reading.sensor, reading.time) == ("tip", MOMENT)


def test_the_services_receipt_is_understood() -> None:
    said = outgoing.received("shop", "node-1", BOOT, 412, ARRIVED)
    assert said.topic == payload.received_topic("shop", "node-1")
    assert payload.read_receipt(said.payload) == (BOOT, 412)


def test_the_services_word_on_itself_is_understood() -> None:
    states: tuple[Literal["online", "offline"], ...] = ("online", "offline")
    for state in states:
        said = outgoing.service_state("shop", state, ARRIVED)
        assert said.topic == payload.service_topic("shop")
        assert payload.read_service(said.payload) == (state == "online", ARRIVED.timestamp())


def test_a_nodes_status_is_nothing_that_the_service_would_refuse() -> None:
    said = payload.status("node-1", {"state": "online"})
    assert not said.topic.startswith(topics.room_prefix("shop"))


def test_quantities_units_and_bounds_are_the_services_own() -> None:
    known = {quantity.value: quantity for quantity in LIMITS}
    for name, mine in quantities.QUANTITIES.items():
        assert mine.unit == LIMITS[known[name]].unit
        assert (mine.low, mine.high) == IMPOSSIBLE[known[name]]
    for unit, kilograms in quantities.MASS_UNITS.items():
        assert UNITS[known["weight"]][unit].factor == kilograms
    for unit in quantities.TEMPERATURE_UNITS.values():
        assert unit in UNITS[known["surface"]]


@pytest.mark.parametrize("name", ["rack-a", "x" * 40, "x" * 41, "", "Rack", "a/b", "ä", "a_b", "-", "a\n"])
def test_names_are_the_same_on_both_sides(name: str) -> None:
    assert tables.is_name(name) == is_name(name)


def test_no_sensor_hangs_where_the_service_has_no_place() -> None:
    assert set(NO_PLACES) | {"room"} == set(RESERVED_RACKS)


def test_a_nodes_name_may_be_any_that_the_service_takes() -> None:
    said = payload.reading("shop", "room/humidity", 52.0, None, Number("x" * 40, BOOT, 1))
    assert numbering_of(said.payload) is not None
    assert json.loads(said.payload)["device"] == "x" * 40
