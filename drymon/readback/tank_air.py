"""How much water goes off a tank in the air of the last day, as the record has it."""

from datetime import datetime, timedelta

import numpy as np

from drymon.drying.air import standard_pressure
from drymon.drying.open_tank import Loss, litres_a_day
from drymon.drying.quantities import Quantity
from drymon.messages.names import ROOM_PLACE
from drymon.readback.air_record import HOUR, AirRecord
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.facts.slurry import TankNow
from drymon.store import Store

LEAST_HOURS = 6
"""Of the last day, of which the air must be known."""


def water_loss(store: Store, room: RoomSetup, one: TankNow, now: datetime) -> Loss | None:
    """Litres a day at the last day's air, hour by hour; None where the tank's surface or the air is not known.

    The slurry is as warm as it was measured last, else as the air.
    """
    if one.tank.surface_m2 is None:
        return None
    pairs = _air(store, room, now)
    if len(pairs) < LEAST_HOURS:
        return None
    warm, damp = np.array(pairs).T
    told = next((value.value for value in one.values if value.what == "temperature"), None)
    surface = warm if told is None else np.full(len(pairs), told)
    return litres_a_day(surface, one.tank.surface_m2, warm, damp, float(standard_pressure(room.altitude_m)))


def _air(store: Store, room: RoomSetup, now: datetime) -> list[tuple[float, float]]:
    """Temperature and humidity, hour by hour, of the room, else of the first rack that has both."""
    record, found = AirRecord(store, room), list[tuple[float, float]]()
    for place in (ROOM_PLACE, *room.rack_by_name):
        warm, damp = (
            {
                bucket.start: bucket.mean
                for bucket in record.of_rack(place, quantity, now - timedelta(days=1), now, HOUR)
            }
            for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY)
        )
        found = [(warm[hour], damp[hour]) for hour in warm if hour in damp]
        if len(found) >= LEAST_HOURS:
            return found
    return found
