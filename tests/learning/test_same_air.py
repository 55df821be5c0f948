"""The fit and the living room make the same drying air of the same readings, in high places and warm ones too."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from drymon.drying import air
from drymon.drying.quantities import Quantity
from drymon.learning.runs import air_by_minute
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.setup import Rack, RoomSetup
from drymon.shop.fold.room import Room

BEGIN = datetime(2031, 3, 3, 6, 0, tzinfo=UTC)


@pytest.mark.parametrize("altitude_m", [0.0, 1900.0])
@pytest.mark.parametrize(("temperature_c", "humidity_pct", "speed"), [(14.0, 60.0, 0.1), (31.0, 35.0, 2.5)])
def test_the_room_dries_by_the_air_that_its_models_were_taught_with(
    altitude_m: float, temperature_c: float, humidity_pct: float, speed: float
) -> None:
    room = Room(RoomSetup(name="shop", racks=(Rack("rack-a"),), coats=(), altitude_m=altitude_m), {})
    said = {Quantity.TEMPERATURE: temperature_c, Quantity.HUMIDITY: humidity_pct, Quantity.AIRFLOW: speed}
    for minute in range(3):
        now = BEGIN + timedelta(minutes=minute, seconds=10)
        room.advance(now)
        room.tell([Reading(now, now, "room", quantity, value) for quantity, value in said.items()])
    live = room.air["rack-a"].minute(int(BEGIN.timestamp() // 60) + 1).step
    ones = np.ones(3)
    pressure = float(air.standard_pressure(altitude_m))
    taught = air_by_minute(temperature_c * ones, humidity_pct * ones, speed * ones, pressure * ones, ones)
    assert taught is not None
    assert live.deficit == pytest.approx(taught.deficit[1], rel=1e-9)
    assert live.excess == pytest.approx(taught.excess[1], rel=1e-9)
    assert live.resistance == pytest.approx(taught.resistance[1], rel=1e-9)
