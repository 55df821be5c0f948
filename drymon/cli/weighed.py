"""From a home's record to its weighed runs: spells between dips, their weighings, the air that they had."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

from drymon.drying import sorption
from drymon.drying.air import standard_pressure
from drymon.drying.quantities import Quantity
from drymon.learning.run import Run, RunAir
from drymon.learning.runs import Weighed, air_by_minute, from_bench, from_cell, make_run
from drymon.messages.settings import HomeConfig
from drymon.shop.air import STILL_AIR
from drymon.shop.corrected import Corrections, corrected
from drymon.shop.events import Dip, FanSwitched, Leave, LogEvent, Look, Move, TreeEvent, Undo, Weigh
from drymon.shop.setup import Rack
from drymon.store import Store
from drymon.views.air_record import AirRecord

Array = npt.NDArray[np.float64]

LONGEST = timedelta(days=14)
ENOUGH_FROM_CELL = 8
MINUTE = timedelta(minutes=1)

BEFORE_MIN = 120
"""Minutes before a dip whose air the coats below are taken to be in equilibrium with (assumed)."""


@dataclass(frozen=True)
class Stay:
    """Where a tree hung from `begin` on."""

    begin: datetime
    rack: str
    cell: str | None


@dataclass(frozen=True)
class Spell:
    """One coat of one tree, from its dip to the next dip or until it left."""

    dip: Dip
    number: int
    shelter: str
    stays: tuple[Stay, ...]
    bench: tuple[Weigh, ...] = ()
    end: datetime | None = None
    notes: tuple[str, ...] = field(default=())

    @property
    def id(self) -> str:
        """The run's name: tree, coat number, moment of the dip."""
        return f"{self.dip.tree}.{self.number}.{self.dip.time:%Y%m%dT%H%M}"


def weighed_runs(config: HomeConfig, record: Store, *, coats: Sequence[str] | None = None) -> list[Run]:
    """Every spell with at least one weighing, as a run, in the order of the dips."""
    events = list(record.events())
    last = max([event.time for event in events], default=datetime(1970, 1, 1, tzinfo=UTC))
    ended = record.last_arrival() or last
    fans = [event for event in events if isinstance(event, FanSwitched)]
    corrections = Corrections.of(record.calibrations())
    air = AirRecord(record, config.room)
    left_out = {name: entry.reason for name, entry in record.runs_left_out().items()}
    runs = []
    for spell in sorted(spells(events), key=lambda spell: spell.dip.time):
        if coats is not None and spell.dip.coat not in coats:
            continue
        until = min(spell.end or ended, spell.dip.time + LONGEST)
        weighed = _weighed(record, spell, until, corrections)
        if weighed is not None:
            runs.append(_run(config, air, spell, weighed, fans, left_out.get(spell.id, "")))
    return runs


def spells(events: Iterable[LogEvent]) -> Iterator[Spell]:
    """The spells of all trees, undone dips taken away."""
    by_tree: dict[str, list[TreeEvent]] = {}
    for event in sorted(events, key=lambda event: (event.time, event.arrived)):
        if isinstance(event, TreeEvent):
            by_tree.setdefault(event.tree, []).append(event)
    for own in by_tree.values():
        yield from _of_tree(_without_undone(own))


def _without_undone(events: Sequence[TreeEvent]) -> list[TreeEvent]:
    kept: list[TreeEvent] = []
    for event in events:
        if isinstance(event, Undo):
            dips = [place for place, one in enumerate(kept) if isinstance(one, Dip)]
            if dips:
                del kept[dips[-1]]
        else:
            kept.append(event)
    return kept


def _of_tree(events: Sequence[TreeEvent]) -> Iterator[Spell]:
    open_: Spell | None = None
    for event in events:
        if isinstance(event, Dip):
            if open_ is not None:
                yield replace(open_, end=event.time)
            open_ = _begun(event, open_)
        elif open_ is None:
            continue
        elif isinstance(event, Leave) or (isinstance(event, Look) and event.finding == "scrap"):
            yield replace(open_, end=event.time)
            open_ = None
        elif isinstance(event, Move):
            open_ = replace(open_, stays=(*open_.stays, Stay(event.time, event.rack, event.cell)))
        elif isinstance(event, Weigh):
            open_ = replace(open_, bench=(*open_.bench, event))
    if open_ is not None:
        yield open_


def _begun(dip: Dip, before: Spell | None) -> Spell:
    number = dip.number or (before.number + 1 if before else 1)
    shelter = dip.shelter or (before.shelter if before else "pocketed")
    stay = before.stays[-1] if before else None
    cell = dip.cell or (stay.cell if stay and stay.rack == dip.rack else None)
    elsewhere = number > (before.number + 1 if before else 1)
    notes = ("begun elsewhere: what lies below is unknown",) if elsewhere else ()
    return Spell(dip, number, shelter, (Stay(dip.time, dip.rack, cell),), notes=notes)


def _weighed(record: Store, spell: Spell, until: datetime, corrections: Corrections) -> Weighed | None:
    """The spell's weighings: its load cell's if that gave enough, else the bench scale's."""
    cell = spell.stays[0].cell
    if cell is not None:
        moved = spell.stays[1].begin if len(spell.stays) > 1 else until
        readings = record.readings(
            spell.dip.time, min(until, moved), quantity=Quantity.WEIGHT.value, sensor=cell, doubted=False
        )
        rows = (
            ((r.time - spell.dip.time).total_seconds(), corrected(r, corrections).value)
            for r in readings
            if not r.retained
        )
        found = from_cell(rows)
        if len(found.times_s) >= ENOUGH_FROM_CELL or not spell.bench:
            return found if len(found.times_s) else None
    if not spell.bench:
        return None
    return from_bench([((w.time - spell.dip.time).total_seconds(), w.mass) for w in spell.bench])


def _run(
    config: HomeConfig, air: AirRecord, spell: Spell, weighed: Weighed, fans: Sequence[FanSwitched], left_out: str
) -> Run:
    minutes = int(np.ceil(float(weighed.times_s[-1]) / 60.0)) + 1
    return make_run(
        id=spell.id,
        tree=spell.dip.tree,
        coat=spell.dip.coat,
        number=spell.number,
        shelter=spell.shelter,
        rack=spell.stays[0].rack,
        start_s=spell.dip.time.timestamp(),
        weighed=weighed,
        air=_air(config, air, spell, minutes, fans),
        coat_known=spell.dip.coat in config.room.coat_by_name,
        left_out=left_out,
        notes=spell.notes,
        held_below=_held_below(config, air, spell),
    )


def _held_below(config: HomeConfig, air: AirRecord, spell: Spell) -> float:
    """What the binder of the coats below held at the dip, in monolayers over those at the reference humidity."""
    rack = config.room.rack_by_name.get(spell.dip.rack)
    if rack is None or spell.number < 2:
        return 0.0
    begin = spell.dip.time - BEFORE_MIN * MINUTE
    humidity = _series(air, rack, Quantity.HUMIDITY, begin, BEFORE_MIN)
    known = humidity[np.isfinite(humidity)]
    return float(sorption.excess(known).mean()) if len(known) else 0.0


def _air(config: HomeConfig, air: AirRecord, spell: Spell, minutes: int, fans: Sequence[FanSwitched]) -> RunAir | None:
    """Minute by minute, over the racks that the tree hung on."""
    columns = {q: np.full(minutes, np.nan) for q in _AIR}
    assumed = np.full(minutes, np.nan)
    for stay, following in zip(spell.stays, [*spell.stays[1:], None], strict=True):
        rack = config.room.rack_by_name.get(stay.rack)
        if rack is None:
            continue
        first = max(int((stay.begin - spell.dip.time) // MINUTE), 0)
        until = minutes if following is None else min(int((following.begin - spell.dip.time) // MINUTE), minutes)
        begin = spell.dip.time + first * MINUTE
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
    low, high = rack.airflow_assumed
    moving = float(np.sqrt(max(low, 0.01) * max(high, 0.01)))
    still = float(np.sqrt(STILL_AIR[0] * STILL_AIR[1]))
    speeds = np.full(minutes, moving)
    for fan in fans:
        if fan.rack == rack.name:
            at = max(int((fan.time - begin) // MINUTE), 0)
            speeds[at:] = moving if fan.on else still
    return speeds
