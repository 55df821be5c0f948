"""A room's air as its record has it: calibrated, what is doubted left out, several sensors of a rack as one."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from statistics import fmean, median

from drymon.drying.quantities import Quantity
from drymon.shop.air.combined import over_time
from drymon.shop.air.rack_air import PRESSURE_BACK_MIN
from drymon.shop.facts.corrected import Corrections, corrected, sensor_name
from drymon.shop.facts.lives import Stay
from drymon.shop.facts.outcome import AirNow
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.setup import Rack, RoomSetup
from drymon.store import Bucket, Channel, Store

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


class AirRecord:
    """Reads what counted as the air of a rack, by the rule that live air goes by (`shop.combined`)."""

    def __init__(self, store: Store, room: RoomSetup) -> None:
        self._store, self._room = store, room
        self.channels = store.channels()
        self.corrections = Corrections.of(store.calibrations())

    def places(self, rack: str) -> tuple[str, ...]:
        """Whose readings count for a rack, first choice first."""
        return (self._room.rack_by_name.get(rack) or Rack(rack)).places

    def humidity_of(self, rack: str) -> str | None:
        """The place whose humidity counts for a rack, None where none has been heard."""
        heard = {channel.place for channel in self.channels if channel.quantity == Quantity.HUMIDITY.value}
        return next((place for place in self.places(rack) if place in heard), None)

    def of_rack(
        self,
        rack: str,
        quantity: Quantity,
        begin: datetime,
        end: datetime,
        step: timedelta,
        instants: Iterable[datetime] | None = None,
    ) -> list[Bucket]:
        """The rack's air from `begin` to `end` in steps aligned to 1970; a step without any evidence is missing. Of old
        times of which the hours alone are left, in hours at least.

        instants: the beginnings of the steps wanted; without them those in which any sensor of the rack said
        something.
        """
        back = timedelta(minutes=PRESSURE_BACK_MIN) if quantity is Quantity.PRESSURE else self._room.stale_after
        step = max(step, self._store.finest_step(begin))
        hold = max(step, back)
        places = [
            [
                [(bucket.start, bucket) for bucket in self.buckets(channel, begin - hold, end, step)]
                for channel in self.channels
                if channel[:2] == (place, quantity.value)
            ]
            for place in self.places(rack)
        ]
        if instants is None:
            said = {start for place in places for sensor in place for start, _ in sensor}
            instants = sorted(start for start in said if start + step > begin)
        return [replace(bucket, start=at) for at, bucket in over_time(instants, places, hold, _together)]

    def buckets(self, channel: Channel, begin: datetime, end: datetime, step: timedelta) -> Iterator[Bucket]:
        """One channel's buckets, corrected by its calibrations."""
        found = self._store.series(channel, begin, end, step)
        return (self._corrected(channel, bucket, step) for bucket in found) if self._since(channel) else found

    def _corrected(self, channel: Channel, bucket: Bucket, step: timedelta) -> Bucket:
        """The bucket corrected; one in which a calibration fell speaks for what was said since then, if anything."""
        since = max((at for at in self._since(channel) if bucket.start < at < bucket.start + step), default=None)
        said = self._said(channel, since, bucket.start + step) if since is not None else []
        if said:
            return Bucket(bucket.start, min(said), fmean(said), max(said), len(said))
        place, quantity, sensor = channel
        reading = Reading(bucket.start, bucket.start, place, Quantity(quantity), 0.0, sensor)
        low, mean, high = (
            corrected(replace(reading, value=value), self.corrections).value
            for value in (bucket.low, bucket.mean, bucket.high)
        )
        return Bucket(bucket.start, low, mean, high, bucket.count)

    def _since(self, channel: Channel) -> list[datetime]:
        """When this channel was calibrated; a load cell is known by its name alone."""
        by_sensor = self.corrections.by_sensor
        cell = channel.sensor if channel.quantity == Quantity.WEIGHT.value else ""
        return [one.since for one in by_sensor.get(sensor_name(*channel)) or by_sensor.get(cell) or ()]

    def _said(self, channel: Channel, begin: datetime, end: datetime) -> list[float]:
        """A channel's readings that count, corrected; of old times only their roll-ups may be left: then none."""
        found = self._store.readings(begin, end, *channel, doubted=False)
        return [corrected(one, self.corrections).value for one in found if one.timed or not one.retained]


def mean_air(air: AirRecord, stays: Sequence[Stay]) -> AirNow:
    """The mean air where a coat hung, from the hourly roll-ups where that was long."""
    step = HOUR if stays[-1].end - stays[0].begin > 2 * HOUR else MINUTE

    def mean(quantity: Quantity) -> float | None:
        buckets = [bucket for stay in stays for bucket in air.of_rack(stay.rack, quantity, stay.begin, stay.end, step)]
        count = sum(bucket.count for bucket in buckets)
        return sum(bucket.mean * bucket.count for bucket in buckets) / count if count else None

    return AirNow(mean(Quantity.TEMPERATURE), mean(Quantity.HUMIDITY), mean(Quantity.AIRFLOW))


def _together(buckets: Sequence[Bucket]) -> Bucket:
    """Medians of what the sensors said; at no moment did their median leave those of their limits."""
    low, mean, high = (median(values) for values in zip(*((b.low, b.mean, b.high) for b in buckets), strict=True))
    return Bucket(buckets[0].start, low, mean, high, sum(bucket.count for bucket in buckets))
