"""The air of a rack while a cloth hung there, as the record has it."""

from collections.abc import Sequence
from datetime import datetime
from math import ceil
from statistics import fmean

import numpy as np
import numpy.typing as npt

from drymon.drying.air import standard_pressure
from drymon.drying.quantities import Quantity
from drymon.drying.wet_cloth import AirThere
from drymon.errors import LearningError
from drymon.readback.air_record import MINUTE, AirRecord
from drymon.shop.facts.events import FanSwitched
from drymon.shop.facts.setup import RoomSetup
from drymon.store import Bucket, Store

Array = npt.NDArray[np.float64]

LEAST_KNOWN = 0.8
"""Share of the minutes in which temperature and humidity must be fresh."""

INSTEAD = "give it yourself, temperature and humidity, or weigh while the sensor reports"


def air_seen(store: Store, room: RoomSetup, rack: str, begin: datetime, end: datetime) -> AirThere:
    """What counted as the rack's air from `begin` to `end`, by the minute. LearningError where too little is known."""
    record, instants = AirRecord(store, room), _instants(begin, end)
    quantities = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE
    wanted = {name: _series(record, rack, name, instants) for name in quantities}
    for name in (Quantity.TEMPERATURE, Quantity.HUMIDITY):
        known = len(wanted[name]) / len(instants)
        if known < LEAST_KNOWN:
            raise LearningError(
                f"{name} at {rack}: known in {100 * known:.0f} % of the time between the weighings; at least "
                f"{100 * LEAST_KNOWN:.0f} % is needed: {INSTEAD}"
            )
    temperature, humidity, pressure = (_filled(buckets, instants) for buckets in wanted.values())
    if pressure is None:
        pressure = np.full(len(instants), float(standard_pressure(room.altitude_m)))
    assert temperature is not None
    assert humidity is not None
    return AirThere(temperature, np.minimum(humidity, 100.0), pressure)


def anemometer_said(store: Store, room: RoomSetup, rack: str, begin: datetime, end: datetime) -> float | None:
    """Mean of what an anemometer of the rack said meanwhile, m/s; None where none did."""
    found = _series(AirRecord(store, room), rack, Quantity.AIRFLOW, _instants(begin, end))
    return fmean(bucket.mean for bucket in found) if found else None


def _instants(begin: datetime, end: datetime) -> list[datetime]:
    first = begin.replace(second=0, microsecond=0)
    return [first + minute * MINUTE for minute in range(max(ceil((end - first) / MINUTE), 1))]


def _series(record: AirRecord, rack: str, quantity: Quantity, instants: Sequence[datetime]) -> list[Bucket]:
    return record.of_rack(rack, quantity, instants[0], instants[-1] + MINUTE, MINUTE, instants)


def _filled(buckets: Sequence[Bucket], instants: Sequence[datetime]) -> Array | None:
    """Means at the instants, straight lines through gaps; None where nothing is known."""
    if not buckets:
        return None
    at, known = ([moment.timestamp() for moment in moments] for moments in (instants, [b.start for b in buckets]))
    return np.interp(at, known, [bucket.mean for bucket in buckets])


def fans_off(store: Store, rack: str, begin: datetime, end: datetime) -> bool:
    """Whether the last word on the rack's fans was that they are off. LearningError where they were switched."""
    switched = [one for one in store.events(to=end) if isinstance(one, FanSwitched) and one.rack == rack]
    before = [one.on for one in switched if one.time <= begin]
    on = before[-1] if before else True
    if any(one.on is not on for one in switched if one.time > begin):
        raise LearningError(
            f"the fans of {rack} were switched between the weighings; allowed are fans that stay as they are"
        )
    return not on
