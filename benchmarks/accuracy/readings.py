"""What a room's sensors and load cells said, written into its recording."""

import numpy as np

from benchmarks.accuracy.air import RoomAir
from benchmarks.accuracy.foundry import Foundry
from benchmarks.accuracy.sensors import with_fault
from benchmarks.accuracy.shop import Shop
from benchmarks.accuracy.stream import Recording
from benchmarks.accuracy.worlds.moist import Array

Readings = dict[tuple[str, str], Array]
Signals = dict[str, tuple[Array, Array]]
"""By load cell: minutes and kg."""


def read_air(
    shop: Shop, rec: Recording, air: dict[str, RoomAir], minutes: int, rng: np.random.Generator, fault: str
) -> Readings:
    """Every sensor's word of every minute, NaN where it said none. Past the recording's end too, though not in it."""
    start, later, found = int(minutes * 0.45), np.random.default_rng([shop.seed, minutes]), {}
    for k, rack in enumerate(shop.racks):
        here = "drift" if (fault, k) == ("drift-one", 0) else fault
        for q, (quantity, values) in enumerate(_truth(shop, air[rack], later).items()):
            if (rack, quantity) not in shop.sensors:
                continue
            sensor = shop.sensors[rack, quantity]
            said = np.maximum(sensor.read(values[:minutes], rng), 0.0)
            said = with_fault(here, quantity, said, start, rng)
            for m in np.flatnonzero(~np.isnan(said)):
                rec.reading(float(m) + 0.1 + 0.05 * (3 * k + q), rack, quantity, f"{said[m]:g}")
            after = np.maximum(sensor.read(values[minutes:], later), 0.0)
            found[rack, quantity] = np.concatenate([said, after])
    return found


def _truth(shop: Shop, air: RoomAir, rng: np.random.Generator) -> dict[str, Array]:
    speed = air.duty * air.fast + (1.0 - air.duty) * air.slow
    if shop.sweeping:  # the sensor is asked once a minute, and the fan faces it or not
        speed = np.where(rng.random(len(speed)) < air.duty, air.fast, air.slow)
    return {"temperature": air.temperature, "humidity": 100.0 * air.humidity, "airflow": speed}


def read_cells(
    shop: Shop, rec: Recording, foundry: Foundry, minutes: int, rng: np.random.Generator, fault: str
) -> Signals:
    """What the load cells said while trees hung on them."""
    signals: Signals = {}
    for name, (rack, mass, dips) in _loads(foundry, minutes).items():
        cell, air = shop.cell.with_fault(fault), foundry.air[rack]
        hangs = np.flatnonzero(~np.isnan(mass))
        said = cell.read(np.nan_to_num(mass), air.temperature[:minutes], air.fan_on[:minutes], dips, rng)
        for m in hangs:
            rec.reading(float(m) + 0.5, rack, "weight", f"{said[m]:.4f}", name)
        signals[name] = (hangs + 0.5, said[hangs])
    return signals


def _loads(foundry: Foundry, minutes: int) -> dict[str, tuple[str, Array, list[int]]]:
    """By load cell: its rack, what hung there each minute (kg; NaN: nothing), when it was dipped."""
    found: dict[str, tuple[str, Array, list[int]]] = {}
    for tree in foundry.trees.values():
        if tree.cell:
            found[tree.cell] = (tree.rack, foundry.masses[tree.name][:minutes].copy(), [])
    for dip in foundry.dips:
        if dip.cell is None or dip.minute >= minutes:
            continue
        _, mass, dips = found.setdefault(dip.cell, (dip.rack, np.full(minutes, np.nan), []))
        here = slice(dip.minute + 1, min(dip.end or minutes, minutes))
        mass[here] = foundry.masses[dip.tree][here]
        dips.append(dip.minute)
    return found
