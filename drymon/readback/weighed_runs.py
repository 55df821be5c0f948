"""From a home's record to its weighed runs: spells between dips, their weighings, the air that they had."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

from drymon.drying import sorption
from drymon.drying.air import standard_pressure
from drymon.drying.draws import LEAST_SPEED
from drymon.drying.quantities import Quantity
from drymon.learning.run import Run, RunAir, Touch
from drymon.learning.runs import Weighed, air_by_minute, dip_before, from_bench, from_cell, make_run
from drymon.messages.settings import HomeConfig
from drymon.readback.air_record import AirRecord
from drymon.readback.cell_record import cell_readings
from drymon.shop.facts.corrected import Corrections
from drymon.shop.facts.events import FanSwitched, Felt, LogEvent, TankEvent, Weigh
from drymon.shop.facts.lives import Coat, all_coats, lives_of
from drymon.shop.facts.sensor_state import AS_MEASURED
from drymon.shop.facts.setup import Rack
from drymon.shop.facts.tank_log import TankLog
from drymon.shop.tree.state import SAME_TOUCH_S
from drymon.shop.weight.scale_doubts import LATE_S
from drymon.store import Store

Array = npt.NDArray[np.float64]

LONGEST = timedelta(days=14)
ENOUGH_FROM_CELL = 8
MINUTE = timedelta(minutes=1)
NOTHING = np.zeros(0)
HANGING, LATEST_TOLD = (timedelta(seconds=seconds) for seconds in LATE_S)
"""A tree hangs within so long of its dip, and a dip without its time is told within so long: as live."""

UNTOLD = "shelter never told: counted as pocketed"
"""A run's note; open trees among such runs teach drymon pockets that there are not."""

BEFORE_MIN = 120
"""Minutes before a dip whose air the coats below are taken to be in equilibrium with (assumed)."""


@dataclass(frozen=True)
class Spell:
    """One coat of one tree, what the bench scale and fingers said meanwhile, and when its load cell was told of a dip
    before.
    """

    coat: Coat
    bench: tuple[Weigh, ...] = ()
    felt: tuple[Felt, ...] = ()
    since: datetime | None = None

    @property
    def begin(self) -> datetime:
        """The moment of the dip."""
        return self.coat.dip.time

    @property
    def id(self) -> str:
        """The run's name: tree, coat number, moment of the dip."""
        return f"{self.coat.dip.tree}.{self.coat.number}.{self.begin:%Y%m%dT%H%M}"

    @property
    def touches(self) -> list[Touch]:
        """What was felt: the same word of the same place again and again is one, as live."""
        found: list[Touch] = []
        last: dict[tuple[str, str], float] = {}
        for event in self.felt:
            said, at = (event.where, event.finding), (event.time - self.begin).total_seconds()
            if at >= last.get(said, -np.inf) + SAME_TOUCH_S:
                last[said] = at
                found.append(Touch(at, event.where == "pocket", event.finding == "dry"))
        return found

    @property
    def notes(self) -> tuple[str, ...]:
        """Remarks printed beside the run: an unknown shell below, a shelter that nobody told."""
        below = ("begun elsewhere: what lies below is unknown",) if self.coat.begun_elsewhere else ()
        return below if self.coat.shelter_told else (*below, UNTOLD)


def weighed_runs(config: HomeConfig, record: Store, *, coats: Sequence[str] | None = None) -> list[Run]:
    """Every spell with at least one weighing, or felt at least once, as a run, in the order of the dips."""
    events = list(record.events())
    last = max([event.time for event in events], default=datetime(1970, 1, 1, tzinfo=UTC))
    ended = record.last_arrival() or last
    fans = [event for event in events if isinstance(event, FanSwitched)]
    corrections = Corrections.of(record.calibrations())
    air = AirRecord(record, config.room)
    left_out = {name: entry.reason for name, entry in record.runs_left_out().items()}
    tanks = TankLog(event for event in events if isinstance(event, TankEvent))
    runs = []
    for spell in spells(events, ended):
        if coats is not None and spell.coat.dip.coat not in coats:
            continue
        until = min(spell.coat.end, spell.begin + LONGEST)
        weighed = _weighed(record, spell, until, corrections)
        if weighed is None and spell.touches:
            weighed = Weighed(NOTHING, NOTHING, NOTHING, False, problem="felt, not weighed")
        elif weighed is not None:
            weighed = replace(weighed, problem=weighed.problem or _too_dry(record, air, spell, weighed))
        if weighed is not None:
            run = _run(config, air, spell, weighed, fans, left_out.get(spell.id, ""))
            slurry = tanks.thickness(config.room, spell.coat.dip)
            runs.append(replace(run, thick=slurry.log if slurry is not None else 0.0))
    return runs


def spells(events: Iterable[LogEvent], end: datetime) -> list[Spell]:
    """The spells of all trees, by their dip. end: where the record ends."""
    found = []
    since: dict[str | None, datetime] = {}
    for coat in all_coats(lives_of(events, end)):
        bench = tuple(event for event in coat.events if isinstance(event, Weigh))
        cell = coat.stays[0].cell
        felt = tuple(event for event in coat.events if isinstance(event, Felt))
        found.append(Spell(coat, bench, felt, since.get(cell)))
        since[cell] = coat.dip.time
    return found


def _weighed(record: Store, spell: Spell, until: datetime, corrections: Corrections) -> Weighed | None:
    """The spell's weighings: its load cell's if that gave enough, else the bench scale's."""
    cell = spell.coat.stays[0].cell
    if cell is not None:
        moved = spell.coat.stays[1].begin if len(spell.coat.stays) > 1 else until
        found = from_cell(cell_readings(record, corrections, cell, spell.begin, min(until, moved), spell.begin))
        found = replace(found, problem=_told_late(record, spell, cell, corrections))
        if len(found.times_s) >= ENOUGH_FROM_CELL or not spell.bench:
            return found if len(found.times_s) else None
    if not spell.bench:
        return None
    return from_bench([((w.time - spell.begin).total_seconds(), w.mass) for w in spell.bench])


def _told_late(record: Store, spell: Spell, cell: str, corrections: Corrections) -> str:
    """Why the run has lost its beginning, "" where it has not."""
    first = spell.begin - LATEST_TOLD
    if spell.since is not None:
        first = max(first, spell.since + HANGING)
    seen = dip_before(cell_readings(record, corrections, cell, first, spell.begin - HANGING, spell.begin))
    return "" if seen is None else f"its cell saw the dip {-seen / 60.0:.0f} min before it was told, without its time"


def _too_dry(record: Store, air: AirRecord, spell: Spell, weighed: Weighed) -> str:
    """Why the run's air was not known, "" where it was."""
    end = spell.begin + timedelta(seconds=float(weighed.times_s[-1]))
    places = {air.humidity_of(stay.rack) for stay in spell.coat.stays}
    doubts = [doubt for doubt in record.doubts(spell.begin, end) if doubt.channel.place in places]
    found = {doubt.channel.place: words for doubt in doubts if (words := AS_MEASURED.get(doubt.code))}
    return " and ".join(f"the humidity sensor of {place} {what}" for place, what in sorted(found.items()))


def _run(
    config: HomeConfig, air: AirRecord, spell: Spell, weighed: Weighed, fans: Sequence[FanSwitched], left_out: str
) -> Run:
    seen = [*weighed.times_s[-1:].tolist(), *(touch.time_s for touch in spell.touches)]
    minutes = int(np.ceil(max(seen) / 60.0)) + 1
    return make_run(
        id=spell.id,
        tree=spell.coat.dip.tree,
        coat=spell.coat.dip.coat,
        number=spell.coat.number,
        shelter=spell.coat.shelter,
        rack=spell.coat.stays[0].rack,
        start_s=spell.begin.timestamp(),
        weighed=weighed,
        air=_air(config, air, spell, minutes, fans),
        coat_known=spell.coat.dip.coat in config.room.coat_by_name,
        left_out=left_out,
        notes=spell.notes,
        held_below=_held_below(config, air, spell),
        touches=spell.touches,
    )


def _held_below(config: HomeConfig, air: AirRecord, spell: Spell) -> float:
    """What the binder of the coats below held at the dip, in monolayers over those at the reference humidity."""
    rack = config.room.rack_by_name.get(spell.coat.dip.rack)
    if rack is None or spell.coat.number < 2:
        return 0.0
    begin = spell.begin - BEFORE_MIN * MINUTE
    humidity = _series(air, rack, Quantity.HUMIDITY, begin, BEFORE_MIN)
    known = humidity[np.isfinite(humidity)]
    return float(sorption.excess(known).mean()) if len(known) else 0.0


def _air(config: HomeConfig, air: AirRecord, spell: Spell, minutes: int, fans: Sequence[FanSwitched]) -> RunAir | None:
    """Minute by minute, over the racks that the tree hung on."""
    columns = {q: np.full(minutes, np.nan) for q in _AIR}
    assumed = np.full(minutes, np.nan)
    for stay, following in zip(spell.coat.stays, [*spell.coat.stays[1:], None], strict=True):
        rack = config.room.rack_by_name.get(stay.rack)
        if rack is None:
            continue
        first = max(int((stay.begin - spell.begin) // MINUTE), 0)
        until = minutes if following is None else min(int((following.begin - spell.begin) // MINUTE), minutes)
        begin = spell.begin + first * MINUTE
        for quantity in _AIR:
            values = _series(air, rack, quantity, begin, until - first)
            columns[quantity][first:until] = values
        assumed[first:until] = _assumed(rack, fans, begin, until - first)
    pressure = columns[Quantity.PRESSURE]
    pressure[np.isnan(pressure)] = float(standard_pressure(config.room.altitude_m))
    return air_by_minute(
        columns[Quantity.TEMPERATURE],
        columns[Quantity.HUMIDITY],
        columns[Quantity.AIRFLOW],
        pressure,
        np.where(np.isnan(assumed), 0.5, assumed),
    )


_AIR = (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.AIRFLOW, Quantity.PRESSURE)


def _series(air: AirRecord, rack: Rack, quantity: Quantity, begin: datetime, minutes: int) -> Array:
    """What counted as the rack's air, minute by minute; NaN where nothing did."""
    first = begin.replace(second=0, microsecond=0)
    instants = [first + minute * MINUTE for minute in range(minutes)]
    found = {
        bucket.start: bucket.mean
        for bucket in air.of_rack(rack.name, quantity, first, first + minutes * MINUTE, MINUTE, instants)
    }
    return np.array([found.get(instant, np.nan) for instant in instants])


def _assumed(rack: Rack, fans: Sequence[FanSwitched], begin: datetime, minutes: int) -> Array:
    """Middle of the assumed range of speeds, still air while the fans are known to be off."""
    moving, still = (_middle(*rack.speeds_assumed(fans_off)) for fans_off in (False, True))
    speeds = np.full(minutes, moving)
    for fan in fans:
        if fan.rack == rack.name:
            at = max(int((fan.time - begin) // MINUTE), 0)
            speeds[at:] = moving if fan.on else still
    return speeds


def _middle(low: float, high: float) -> float:
    return float(np.sqrt(max(low, LEAST_SPEED) * max(high, LEAST_SPEED)))
