"""What the pictures need, read from the record: a rack's air minute by minute, verdicts by tree."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from drymon.drying.air import humidity_ratio, standard_pressure
from drymon.drying.quantities import RECORDED, Quantity
from drymon.readback.air_record import AirRecord
from drymon.readback.coat_history import AirPoint, is_about
from drymon.shop.facts.lives import Life, all_coats, lives_of
from drymon.shop.facts.outcome import Verdict
from drymon.shop.facts.setup import Rack, RoomSetup
from drymon.store import Store

AIR = (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.AIRFLOW, *RECORDED)
PARTS_OF_AN_HOUR = (1, 2, 3, 5, 6, 10, 15, 20, 30, 60)
MOST_OF_PATH = 450
MOST_POINTS = 3000
"""A line on paper has no use for more: longer spans are drawn from coarser means."""

Series = list[tuple[datetime, float]]


def rack_air(  # noqa: PLR0913, whose air, of when, and how finely
    store: Store,
    room: RoomSetup,
    rack: Rack,
    begin: datetime,
    end: datetime,
    quantities: Sequence[Quantity] = AIR,
    most: int = MOST_POINTS,
) -> dict[Quantity, Series]:
    """The mean air of a rack from `begin` to `end`, in at most about `most` steps, see `step_of`."""
    air, step = AirRecord(store, room), step_of(begin, end, most)
    return {
        quantity: [(bucket.start, bucket.mean) for bucket in air.of_rack(rack.name, quantity, begin, end, step)]
        for quantity in quantities
    }


def step_of(begin: datetime, end: datetime, most: int = MOST_POINTS) -> timedelta:
    """A step that fits into the span at most about `most` times: a whole part of an hour, or whole hours."""
    minutes = max(1, -int(-(end - begin) / timedelta(minutes=1) // most))
    whole = next((step for step in PARTS_OF_AN_HOUR if step >= minutes), None)
    return timedelta(minutes=whole) if whole else timedelta(hours=-(-minutes // 60))


def air_path(
    store: Store, room: RoomSetup, rack: Rack, begin: datetime, end: datetime, pressure_pa: float
) -> list[AirPoint]:
    """The rack's air on the psychrometric chart: temperature and humidity of the same step, where both are known."""
    pair = Quantity.TEMPERATURE, Quantity.HUMIDITY
    found = rack_air(store, room, rack, begin, end, pair, MOST_OF_PATH)
    temperatures, humidities = (found[quantity] for quantity in pair)
    damp = dict(humidities)
    return [
        AirPoint(time, warm, damp[time], 1000.0 * float(humidity_ratio(warm, damp[time], pressure_pa)))
        for time, warm in temperatures
        if time in damp
    ]


def pressure_of(store: Store, room: RoomSetup, rack: Rack, begin: datetime, end: datetime) -> tuple[float, str]:
    """The mean air pressure over a span in Pa, and where it is known from: a sensor, else the room's altitude."""
    measured = rack_air(store, room, rack, begin, end, [Quantity.PRESSURE], MOST_OF_PATH)[Quantity.PRESSURE]
    if measured:
        return sum(value for _, value in measured) / len(measured), "measured"
    return float(standard_pressure(room.altitude_m)), f"usual at {room.altitude_m:g} m above the sea"


def verdicts_by_tree(
    store: Store, begin: datetime | None = None, end: datetime | None = None, tree: str | None = None
) -> dict[str, list[Verdict]]:
    """Verdict histories, each in time order, without what was said of dips that were taken back; `tree`: one only.

    The last word on a tree is among them, where it is younger than what its history kept: pictures say what the
    status says.
    """
    dips = {(coat.dip.tree, coat.dip.time): coat for coat in all_coats(lives_on_record(store, tree))}
    trees: dict[str, list[Verdict]] = {}
    for verdict in store.verdict_history(tree, begin, end):
        coat = dips.get((verdict.tree, verdict.dipped_at))
        if coat is not None and is_about(coat, verdict):
            trees.setdefault(verdict.tree, []).append(verdict)
    for verdict in store.current_verdicts():
        own = trees.get(verdict.tree)
        is_new = own and own[-1].time < verdict.time and (end is None or verdict.time < end)
        if own and is_new and (verdict.tree, verdict.dipped_at) in dips:
            own.append(verdict)
    return trees


def lives_on_record(store: Store, tree: str | None = None) -> list[Life]:
    """The trees that the log tells of, by their beginning; those that still hang have no end. `tree`: that name's."""
    return lives_of(store.events(tree=tree), datetime.max.replace(tzinfo=UTC))
