"""A piece weighed before and after a dip: from what people say of it to what is told and kept."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from drymon.drying.air import standard_pressure
from drymon.drying.coat_model import CoatModel
from drymon.drying.conditioned import Evidence
from drymon.drying.pickup import (
    NORMAL_90,
    WaterShare,
    box_area,
    share_by_family,
    share_of_gravity,
    share_of_solids,
)
from drymon.errors import LearningError, SetupError
from drymon.learning.by_dip import judge_dip
from drymon.messages.typed import Mass, area_of, gravity_of, mass_of, percent_of, sides_of, whole_of
from drymon.shop.facts.measured import PICKUP, InItsPlace, Measured, pickup_name, pooled
from drymon.shop.facts.setup import CoatType, RoomSetup
from drymon.shop.facts.slips import did_you_mean
from drymon.shop.tree.starting import model_of
from drymon.store import Store
from drymon.views.by_scale import narrowed
from drymon.views.by_scale.weighed import Told

USUAL_AIR = narrowed.PresentAir(22.0, 50.0, 101_325.0)
"""To tell hours in where nothing is on record (as the starting models' reference air)."""


@dataclass(frozen=True, slots=True)
class DipEntry:
    """What was said of a piece. number: of the coat on it, counted from 1."""

    coat: str
    before: Mass
    after: Mass
    area_m2: float
    share: WaterShare
    number: int = 1
    after_stucco: bool = False


HOW = (
    "Take a plain piece of known size, a tile or bar of wax, the larger the better. Weigh it just before the dip.",
    "Dip it all over as a tree is dipped, let it drain as long, and weigh it before the stucco goes on.",
    "Gloves and goggles: slurry is alkaline. Dust of stucco harms the lungs: no dry sweeping, extraction on.",
)
"""What to do, step by step."""

WORDS = ("before", "after", "size", "area", "solids", "water", "gravity", "flour", "number", "stucco")
"""What may be said of a piece beside its coat, as text; stucco: "yes" where it was weighed with it."""


def entry_of(room: RoomSetup, coat: str, words: Mapping[str, str]) -> DipEntry:
    """What was said, by `WORDS`. LearningError for what cannot be read, SetupError for a coat that there is not."""
    kind, said = _kind(room, coat), {name: words.get(name, "").strip() for name in WORDS}
    if missing := [name for name in ("before", "after") if not said[name]]:
        raise LearningError(f"{missing[0]}: received none; needed are the masses before and after the dip")
    if bool(said["size"]) == bool(said["area"]):
        raise LearningError("size, area: needed is one of them: 10x10x1 cm of a piece wetted all over, or 240 cm2")
    return DipEntry(
        kind.name,
        mass_of(said["before"]),
        mass_of(said["after"]),
        box_area(*sides_of(said["size"], 3)) if said["size"] else area_of(said["area"]),
        _share(kind.family, said),
        whole_of(said["number"] or "1", "number", 99),
        said["stucco"] == "yes",
    )


def _share(family: str, said: Mapping[str, str]) -> WaterShare:
    """The slurry's share of water: as said, else what such slurries have."""
    given = [name for name in ("solids", "water", "gravity") if said[name]]
    if len(given) > 1 or bool(said["flour"]) != bool(said["gravity"]):
        raise LearningError("slurry: allowed is its share of solids, or of water, or gravity with flour, or nothing")
    if said["gravity"]:
        try:
            return share_of_gravity(gravity_of(said["gravity"]), said["flour"])
        except ValueError as error:
            raise LearningError(str(error)) from None
    if said["water"]:
        return share_of_solids(1.0 - percent_of(said["water"], "share of water"))
    return share_of_solids(percent_of(said["solids"], "share of solids")) if said["solids"] else share_by_family(family)


def _kind(room: RoomSetup, coat: str) -> CoatType:
    kind = room.coat_by_name.get(coat)
    if kind is None:
        raise SetupError(f"coat: received {coat!r}; in room.toml are {did_you_mean(coat, room.coat_by_name)}")
    return kind


def weighed_dip(store: Store | None, room: RoomSetup, models: Mapping[str, CoatModel], entry: DipEntry) -> Told:
    """What a dipped piece tells of its coat. LearningError where it tells nothing, SetupError for an unknown coat."""
    kind = _kind(room, entry.coat)
    model = model_of(kind, models, room)
    if model is None:
        raise LearningError(f"{kind.name}: there is no model of this coat that its water could be told to")
    step = max(entry.before.step_kg, entry.after.step_kg)
    found = judge_dip(
        entry.before.kg, entry.after.kg, step, entry.area_m2, entry.share, model, entry.number, entry.after_stucco
    )
    piece = found.piece
    sd = math.hypot(piece.own_sd, piece.shared_sd)
    low, high = (piece.water * math.exp(sign * NORMAL_90 * sd) for sign in (-1, 1))
    verdict = f"{kind.name} brings {piece.water:.2g} kg/m2 of water ({low:.2g} to {high:.2g})"
    lines = (
        f"{1000 * found.gained_kg:.3g} g of slurry on {1e4 * entry.area_m2:.0f} cm2: {piece.slurry:.2g} kg/m2, of "
        f"which {100 * entry.share.value:.0f} % is water ({entry.share.origin})",
        _narrowed(store, room, models, entry, (piece.water, piece.own_sd, piece.shared_sd)),
    )
    document = {
        "water": piece.water,
        "own_sd": piece.own_sd,
        "shared_sd": piece.shared_sd,
        "slurry_kg_per_m2": piece.slurry,
        "before_kg": entry.before.kg,
        "after_kg": entry.after.kg,
        "area_m2": entry.area_m2,
        "water_share": entry.share.value,
        "water_share_from": entry.share.origin,
        "number": entry.number,
    }
    return Told(verdict, lines, found.strange, pickup_name(kind.name), PICKUP, document)


def _narrowed(
    store: Store | None,
    room: RoomSetup,
    models: Mapping[str, CoatModel],
    entry: DipEntry,
    piece: tuple[float, float, float],
) -> str:
    usual = narrowed.usual_coat(room, models, entry.coat)
    if usual is None:
        return f"{entry.coat} has weighed runs and goes by them: this is kept, and counts for nothing while it does"
    standing = store.calibrations(pickup_name(entry.coat), PICKUP) if store is not None else []
    earlier = [(one.document["water"], one.document["own_sd"], one.document["shared_sd"]) for one in standing]
    before = pooled(earlier) if earlier else None
    place, there = _first_rack(store, room)
    now: Evidence = pooled([*earlier, piece])
    return narrowed.words(
        usual,
        narrowed.wait(usual, room, there, place, now),
        narrowed.wait(usual, room, there, place, before),
    )


def _first_rack(store: Store | None, room: RoomSetup) -> tuple[tuple[float, float] | InItsPlace, narrowed.PresentAir]:
    """Air speeds at the first rack, as assumed or as a cloth told, and the air that was published of it last."""
    rack = room.racks[0]
    if store is None:
        return rack.airflow_assumed, USUAL_AIR
    cloth = Measured.of(store.calibrations()).cloths.get(rack.name, {}).get(True)
    status = next((one for one in store.current_racks() if one.rack == rack.name), None)
    air = status.air if status else None
    there = USUAL_AIR
    if air and air.temperature_c is not None and air.humidity_pct is not None:
        pressure = float(standard_pressure(room.altitude_m))
        there = narrowed.PresentAir(air.temperature_c, air.humidity_pct, air.pressure_pa or pressure)
    place = InItsPlace(rack.airflow_assumed, (cloth.low, cloth.high)) if cloth else rack.airflow_assumed
    return place, there
