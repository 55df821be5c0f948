"""A wet cloth at a rack: from what people say of it to what is told and kept."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from drymon.drying.air import standard_pressure
from drymon.drying.coat_model import CoatModel
from drymon.drying.quantities import Quantity
from drymon.drying.wet_cloth import AirThere, Cloth
from drymon.errors import LearningError, SetupError
from drymon.learning.by_cloth import ClothFound, StripsWeighed, check_weighings, judge_cloth
from drymon.messages.times import stamp
from drymon.messages.typed import Mass, mass_of, quantity_of, sides_of, whole_of
from drymon.readback.cloth_air import air_seen, anemometer_said, fans_off
from drymon.shop.facts.measured import CLOTH, InItsPlace, Measured, cloth_name
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.facts.slips import did_you_mean
from drymon.store import Store
from drymon.views.by_scale import narrowed
from drymon.views.by_scale.weighed import Told

PART_WORDS = {
    "loss": "the scale's step",
    "time": "the minute",
    "temperature": "the thermometer",
    "humidity": "the humidity sensor",
    "size": "the cloth's size",
    "shape": "its shape and how it moves",
}


@dataclass(frozen=True, slots=True)
class ClothEntry:
    """What was said of a cloth: weighings by time, of all strips together. air: (degC, % RH, Pa or None) where it is
    given; fans: whether they ran, where that is said.
    """

    rack: str
    cloth: Cloth
    weighings: tuple[tuple[datetime, Mass], ...]
    dry: Mass | None = None
    air: tuple[float, float, float | None] | None = None
    fans: bool | None = None


HOW = (
    "Cut plain cotton (an old sheet, a towel) into strips a hand wide, 10 cm: wider cloth dries less than a branch "
    "does, and tells less. With a scale of 1 g take four of 60 cm; with one of 0.1 g one is enough.",
    "Wet them through, wring them until nothing drips, and hang them free among the trees, as the trees hang: not "
    "folded, not over one another, not at a wall. The fans stay as they are.",
    "Weigh all strips together, in a bowl that was set to nothing, and hang them back at once. Weigh again after a "
    "quarter of an hour or more, while they are plainly wet.",
    "Keep wet hands, drips and loose ends away from fans, plugs and cables. Hang nothing over a cable, nor from one. "
    "Switch a fan off before you move it; mains in wet rooms is an electrician's work.",
)
"""What to do, step by step."""

WORDS = ("size", "strips", "dry", "temperature", "humidity", "pressure", "fans")
"""What may be said of a cloth beside its rack and its weighings, as text."""

AIR_GIVEN = {
    Quantity.TEMPERATURE: (0.0, 50.0, "°C"),
    Quantity.HUMIDITY: (1.0, 100.0, "%RH"),
    Quantity.PRESSURE: (50_000.0, 110_000.0, "Pa"),
}
"""What is believed of an air that is typed."""

MOST_STRIPS = 50


def entry_of(rack: str, words: Mapping[str, str], weighings: Iterable[tuple[datetime, str]]) -> ClothEntry:
    """What was said, by `WORDS`, and masses as typed by time. LearningError for what cannot be read."""
    said = {name: words.get(name, "").strip() for name in WORDS}
    if not said["size"]:
        raise LearningError("size: received none; needed is that of one strip, width x length in cm, such as 10x60")
    width, length = sorted(sides_of(said["size"], 2))
    if said["fans"] not in ("", "on", "off"):
        raise LearningError(f"fans: received {said['fans']!r}; allowed are on and off")
    return ClothEntry(
        rack,
        Cloth(width, length, whole_of(said["strips"] or "1", "strips", MOST_STRIPS)),
        tuple((time, mass_of(mass)) for time, mass in weighings),
        mass_of(said["dry"]) if said["dry"] else None,
        _given(said),
        {"on": True, "off": False}.get(said["fans"]),
    )


def _given(said: Mapping[str, str]) -> tuple[float, float, float | None] | None:
    """The air as it was typed; None where it was not."""
    if bool(said["temperature"]) != bool(said["humidity"]) or (said["pressure"] and not said["temperature"]):
        raise LearningError("temperature, humidity: received one without the other; allowed are both, or neither")
    values = [_air_value(quantity, said[quantity.value]) for quantity in AIR_GIVEN]
    return None if values[0] is None or values[1] is None else (values[0], values[1], values[2])


def _air_value(quantity: Quantity, text: str) -> float | None:
    if not text:
        return None
    (low, high, unit), value = AIR_GIVEN[quantity], quantity_of(quantity, text)
    if not low <= value <= high:
        raise LearningError(f"{quantity.value}: received {text!r}; allowed is {low:g} to {high:g} {unit}")
    return value


def check_rack(room: RoomSetup, name: str) -> None:
    """SetupError, with those that there are, where room.toml has no rack of that name."""
    if name not in room.rack_by_name:
        raise SetupError(f"rack: received {name!r}; in room.toml are {did_you_mean(name, room.rack_by_name)}")


def weighed_cloth(store: Store | None, room: RoomSetup, models: Mapping[str, CoatModel], entry: ClothEntry) -> Told:
    """What a cloth tells of its rack; store None: nothing is on record. LearningError where it tells nothing, with why
    and what to do; SetupError for a rack that there is not.
    """
    check_rack(room, entry.rack)
    series = sorted(entry.weighings, key=lambda one: one[0])
    taken = [StripsWeighed((time - series[0][0]).total_seconds(), mass.kg, mass.step_kg) for time, mass in series]
    check_weighings(taken)
    begin, end = series[0][0], series[-1][0]
    still = _still(store, entry, begin, end)
    air = _air(store, room, entry, begin, end)
    found = judge_cloth(entry.cloth, taken, air, entry.dry.kg if entry.dry else None)
    told, name = found.drying, cloth_name(entry.rack, still)
    speeds = f"{told.best:.2g} m/s ({told.low:.2g} to {told.high:.2g})"
    verdict = f"the air at {entry.rack} dries like {speeds}{', fans off' if still else ''}"
    lines = _lines(entry, found, air)
    reads = anemometer_said(store, room, entry.rack, begin, end) if store is not None else None
    if reads is not None:
        return Told(verdict, (*lines, _compared(reads, told.low, told.high)), (), name, CLOTH, None)
    stands = Measured.of(store.calibrations()) if store is not None else Measured()
    lines += (_narrowed(room, models, stands, entry.rack, still, air, (told.low, told.high)),)
    strange = (*found.strange, *_far_from_assumed(room, entry.rack, still, told.low, told.high))
    return Told(verdict, lines, strange, name, CLOTH, _document(entry, found, air, still))


def _air(store: Store | None, room: RoomSetup, entry: ClothEntry, begin: datetime, end: datetime) -> AirThere:
    """The air while the cloth hung: as given, else as on record."""
    if entry.air is not None:
        temperature, humidity, pressure = entry.air
        pressure = float(standard_pressure(room.altitude_m)) if pressure is None else pressure
        return AirThere.steady(temperature, humidity, pressure)
    if store is None:
        raise LearningError("nothing is on record here yet: give temperature and humidity yourself")
    return air_seen(store, room, entry.rack, begin, end)


def _still(store: Store | None, entry: ClothEntry, begin: datetime, end: datetime) -> bool:
    """Whether the fans were off: as said, else as on record."""
    if entry.fans is not None:
        return not entry.fans
    return store is not None and fans_off(store, entry.rack, begin, end)


def _lines(entry: ClothEntry, found: ClothFound, air: AirThere) -> tuple[str, ...]:
    told, there = found.drying, _mean(air)
    parts = sorted(told.parts.items(), key=lambda part: -part[1])[:3]
    doubts = ", ".join(f"{PART_WORDS[name]} {100 * size:.0f} %" for name, size in parts)
    return (
        f"lost {1000 * found.loss_kg:.3g} g in {found.seconds / 60:.0f} min from {entry.cloth.area_m2:.2g} m2, both "
        f"faces: {3.6e6 * told.rate:.0f} g/m2 an hour, a mass transfer of {1000 * told.mass_transfer:.1f} mm/s",
        f"in air of {there.temperature_c:.1f} °C, {there.humidity_pct:.0f} %RH, "
        f"{'as given' if entry.air else 'by the sensors on record'}",
        f"most of the doubt, in the speed: {doubts}",
    )


def _compared(reads: float, low: float, high: float) -> str:
    """What an anemometer says beside the cloth."""
    if low <= reads <= high:
        how = "the two agree"
    elif reads < low:
        how = "less: the air of a room is unsteady, and dries more than its mean speed says; or it hangs in a lee"
    else:
        how = "more: it may hang where the draught is, and the trees not"
    return f"the anemometer here reads {reads:.2g} m/s, {how}; it counts for the trees, so the cloth is told, not kept"


def _narrowed(  # noqa: PLR0913, what stands, and what was measured beside it
    room: RoomSetup,
    models: Mapping[str, CoatModel],
    stands: Measured,
    rack: str,
    still: bool,
    air: AirThere,
    speeds: tuple[float, float],
) -> str:
    usual = narrowed.usual_coat(room, models)
    if usual is None:
        return "all coats here have weighed runs and go by them: this changes nothing for them"
    old, water, there = stands.cloths.get(rack, {}).get(not still), stands.waters.get(usual.kind.name), _mean(air)
    assumed = room.rack_by_name[rack].speeds_assumed(fans_off=still)
    before = InItsPlace(assumed, (old.low, old.high)) if old else assumed
    return narrowed.words(
        usual,
        narrowed.wait(usual, room, there, InItsPlace(assumed, speeds), water),
        narrowed.wait(usual, room, there, before, water),
    )


def _far_from_assumed(room: RoomSetup, rack: str, still: bool, low: float, high: float) -> tuple[str, ...]:
    least, most = room.rack_by_name[rack].speeds_assumed(fans_off=still)
    if low <= 2.0 * most and high >= 0.5 * least:
        return ()
    return (
        f"{low:.2g} to {high:.2g} m/s is far from the {least:g} to {most:g} that was assumed: look at the size, how "
        "many strips, the scale's unit and the times",
    )


def _document(entry: ClothEntry, found: ClothFound, air: AirThere, still: bool) -> dict[str, Any]:
    told, there = found.drying, _mean(air)
    return {
        "low": told.low,
        "best": told.best,
        "high": told.high,
        "rate_kg_per_m2_h": 3600.0 * told.rate,
        "mass_transfer_m_per_s": told.mass_transfer,
        "fans": "off" if still else "on",
        "width_m": entry.cloth.width_m,
        "length_m": entry.cloth.length_m,
        "strips": entry.cloth.strips,
        "temperature_c": there.temperature_c,
        "humidity_pct": there.humidity_pct,
        "pressure_pa": there.pressure_pa,
        "air": "given" if entry.air else "recorded",
        "dry_kg": entry.dry.kg if entry.dry else None,
        "weighings": [{"time": stamp(time), "mass_kg": mass.kg} for time, mass in sorted(entry.weighings)],
    }


def _mean(air: AirThere) -> narrowed.PresentAir:
    return narrowed.PresentAir(*(float(each.mean()) for each in (air.temperature_c, air.humidity_pct, air.pressure_pa)))
