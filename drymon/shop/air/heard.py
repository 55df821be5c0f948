"""What each sensor said last, and what is doubted of it beside the others."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from drymon.drying.quantities import LIMITS, Quantity
from drymon.shop.air.air_book import AirBook
from drymon.shop.air.sensors import MINUTE_S, Doubted, Track, minute_of
from drymon.shop.facts.outcome import SensorStatus
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.sensor_state import SensorState, is_silent


def heard(book: AirBook, at: float) -> Iterator[SensorStatus]:
    """Every sensor's last word at `at` (seconds since 1970), by place, quantity and name."""
    now, stale_after = datetime.fromtimestamp(max(at, 0.0), UTC), timedelta(minutes=book.setup.stale_after_min)
    for _, track in sorted(book.tracks.items()):
        if track.last is not None:
            yield _status(book, track, track.last, is_silent(track.last.time, now, stale_after))


def _status(book: AirBook, track: Track, last: Reading, silent: bool) -> SensorStatus:
    state, moved = track.state, 0.0
    if silent and state is not SensorState.RETAINED:
        state = SensorState.SILENT
    if state is SensorState.OK and track.quantity is Quantity.HUMIDITY:
        found = book.cross_check.doubt(track.place, track.sensor, minute_of(last.time))
        state, moved = found or (state, moved)
    unit = LIMITS[track.quantity].unit
    return SensorStatus(track.place, track.quantity.value, track.sensor, last.time, last.value, unit, state, moved)


def too_dry(book: AirBook, reading: Reading) -> Doubted | None:
    """A humidity that does not go with the others': trees there dry in air as damp as they say, its runs teach none."""
    if reading.quantity is not Quantity.HUMIDITY or reading.retained:
        return None
    asked = reading.place, reading.sensor, minute_of(reading.time)
    found, since = book.cross_check.doubt(*asked), book.cross_check.doubted_since(*asked)
    if found is None or since is None:
        return None
    begin = datetime.fromtimestamp(since * MINUTE_S, UTC)
    return Doubted(reading.place, reading.quantity, reading.sensor, found.code, begin, reading.time)
