"""What holds of the sensors: silent, stuck, doubted; one condition per thing that somebody must see to.

Temperature, humidity and pressure with the same place and sensor name come from one device. Where every device of a
place is silent, the place is the cause; where every place is, the room's network or power.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import timedelta

from drymon.shop.alarms.alarm_book import Condition, Key, Truth
from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import SensorStatus, Standing, State
from drymon.shop.facts.sensor_state import AS_MEASURED, SensorState, is_silent
from drymon.shop.facts.setup import Rack, RoomSetup
from drymon.shop.facts.value_words import value_words

_AIR_DEVICE = {"temperature", "humidity", "pressure"}
_DRIES = ("temperature", "humidity", "airflow")
_BELIEVED = {SensorState.OK, *AS_MEASURED}

EVERY_SENSOR = "every-sensor"
"""The subject where the whole room is silent."""

Devices = Mapping[str, Mapping[str, Sequence[SensorStatus]]]
"""Place, then device, then its sensors."""


def sensor_conditions(standing: Standing, setup: RoomSetup) -> list[Condition]:
    """Conditions of the kinds sensor-silent, sensor-stuck and sensor-doubt at `standing.time`."""
    devices = _devices(standing.sensors)
    silent = {
        device
        for place in devices.values()
        for device, sensors in place.items()
        if any(_silent(sensor, standing, setup) for sensor in sensors)
    }
    return [
        *_silences(devices, silent, standing, setup),
        *(
            condition
            for place in devices.values()
            for device, sensors in place.items()
            for condition in _troubles(device, sensors, device in silent)
        ),
    ]


def _devices(sensors: Iterable[SensorStatus]) -> dict[str, dict[str, list[SensorStatus]]]:
    places: dict[str, dict[str, list[SensorStatus]]] = {}
    for sensor in sensors:
        if sensor.quantity == "surface":  # a probe is unplugged when its tree goes: its silence is no fault
            continue
        parts = [sensor.place, "" if sensor.quantity in _AIR_DEVICE else sensor.quantity, sensor.sensor]
        places.setdefault(sensor.place, {}).setdefault("/".join(filter(None, parts)), []).append(sensor)
    return places


def _silent(sensor: SensorStatus, standing: Standing, setup: RoomSetup) -> bool:
    """A retained value is the last known one: once it is old, nothing has been heard since."""
    if sensor.state is not SensorState.RETAINED:
        return sensor.state is SensorState.SILENT
    return is_silent(sensor.time, standing.time, timedelta(minutes=setup.stale_after_min))


def _silences(devices: Devices, silent: set[str], standing: Standing, setup: RoomSetup) -> Iterator[Condition]:
    """The widest cause that explains the silence holds; what lies within it is left as it was (unclear)."""
    dead_places = {place for place, inside in devices.items() if silent.issuperset(inside)}
    whole_room = len(devices) > 1 and len(dead_places) == len(devices)
    yield _silence(Key("sensor-silent", EVERY_SENSOR), whole_room, False, [], standing, setup)
    for place, inside in devices.items():
        whole_place = len(inside) > 1 and place in dead_places
        heard_of = [sensor for sensors in inside.values() for sensor in sensors]
        key = Key("sensor-silent", place, "all-sensors")
        yield _silence(key, whole_place, whole_room, heard_of, standing, setup)
        for device, sensors in inside.items():
            explained = whole_room or whole_place
            key = Key("sensor-silent", device)
            yield _silence(key, device in silent, explained, sensors, standing, setup)


def _silence(
    key: Key,
    silent: bool,
    explained: bool,
    sensors: Sequence[SensorStatus],
    standing: Standing,
    setup: RoomSetup,
) -> Condition:
    if not silent:
        return Condition(key, Truth.CLEAR)
    if explained:
        return Condition(key, Truth.UNCLEAR)
    quiet = [sensor for sensor in sensors if _silent(sensor, standing, setup)] or standing.sensors
    since = say(max(sensor.time for sensor in quiet), standing.time, setup.timezone)
    who = _who(key, quiet)
    waiting = _waiting(standing, setup, quiet)
    return Condition(
        key,
        Truth.HOLDS,
        f"Nothing heard from {who} since {since}.{waiting}",
        "Do it now if trees are drying.",
    )


def _who(key: Key, quiet: Sequence[SensorStatus]) -> str:
    if key.subject == EVERY_SENSOR:
        return "any sensor of the room"
    if key.occasion:
        return f"any sensor at {key.subject}"
    return f"{key.subject} ({', '.join(sorted({sensor.quantity for sensor in quiet}))})"


def _waiting(standing: Standing, setup: RoomSetup, quiet: Sequence[SensorStatus]) -> str:
    """How many trees go by what these sensors say."""
    racks = {rack: _goes_by(standing, setup.rack_by_name.get(rack) or Rack(rack), quiet) for rack in standing.racks}
    on_cells = {standing.on_cells.get(sensor.sensor) for sensor in quiet if sensor.quantity == "weight"}
    hanging = (verdict for verdict in standing.trees.values() if verdict.state is not State.COMPLETE)
    count = sum(racks.get(verdict.rack, False) or verdict.tree in on_cells for verdict in hanging)
    if not count:
        return ""
    return " One tree depends on it." if count == 1 else f" {count} trees depend on it."


def _goes_by(standing: Standing, rack: Rack, quiet: Sequence[SensorStatus]) -> bool:
    """Whether one of these comes before all that are heard at the places that count for the rack's air."""
    for quantity in _DRIES:
        silent = [sensor.place for sensor in quiet if sensor.quantity == quantity]
        heard = {
            sensor.place for sensor in standing.sensors if sensor.quantity == quantity and sensor.state in _BELIEVED
        }
        first = next((place for place in rack.places if place in heard or place in silent), None)
        if first is not None and first not in heard:
            return True
    return False


def _troubles(device: str, sensors: Sequence[SensorStatus], silent: bool) -> Iterator[Condition]:
    """Stuck and doubted values; while the device is silent nothing new is known of them."""
    by = "Do it before you rely on it again."
    for kind, states, verb in (
        ("sensor-stuck", {SensorState.STUCK}, "repeats"),
        ("sensor-doubt", {SensorState.OUT_OF_RANGE, SensorState.LEAPS, *AS_MEASURED}, "reports doubtful"),
    ):
        bad = [sensor for sensor in sensors if sensor.state in states]
        said = ", ".join(_said(sensor) for sensor in bad)
        known = Truth.CLEAR if all(sensor.state is SensorState.OK for sensor in sensors) else Truth.UNCLEAR
        truth = Truth.UNCLEAR if silent else Truth.HOLDS if bad else known
        yield Condition(Key(kind, device), truth, f"{device} {verb} values: {said}." if said else "", by)


def _said(sensor: SensorStatus) -> str:
    value = f"{sensor.quantity} {value_words(sensor.value, sensor.unit)}"
    reckoned = f"its trees are reckoned at {min(sensor.value + sensor.moved, 100):.0f} {sensor.unit}"
    if sensor.state is SensorState.DRIFTED:
        return (
            f"{value}, {sensor.moved:.0f} points drier against the other sensors than in the week before; {reckoned} "
            "meanwhile, for a week at the most"
        )
    if sensor.state is SensorState.DISAGREES:
        return (
            f"{value}, {sensor.moved:.0f} points drier than the other places of the room say; {reckoned} until they "
            "agree or this one is checked over a salt"
        )
    return value
