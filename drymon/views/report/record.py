"""What is on record of one shell: coats with their air, verdicts and weights; alarms, models, sensors."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from drymon.drying.coat_model import CoatModel
from drymon.drying.quantities import RECORDED, Quantity
from drymon.errors import SetupError
from drymon.readback.air_record import AirRecord
from drymon.readback.coat_basis import Basis, basis_of
from drymon.readback.coat_history import CoatHistory, is_about
from drymon.readback.gather import lives_on_record
from drymon.shop.facts.corrected import sensor_name
from drymon.shop.facts.events import Felt, LogEvent, Look, Move, Weigh
from drymon.shop.facts.lives import Coat, Life, lives_of
from drymon.shop.facts.outcome import Severity, Verdict, gravest
from drymon.shop.facts.setup import Band, CoatType, RoomSetup
from drymon.store import Calibration, Channel, Store
from drymon.views.report.air_seen import AirSeen, air_seen
from drymon.views.report.weights import CellWord, cell_word

ABOUT_AIR = ("air-out-of-band", "sensor-silent", "sensor-stuck", "sensor-doubt")


@dataclass(frozen=True)
class CoatRecord:
    """One coat: what the log says, the air, drymon's verdicts on it, what people found and weighed."""

    coat: Coat
    kind: CoatType | None
    air: Mapping[Quantity, AirSeen]
    history: CoatHistory | None
    weights: tuple[Weigh, ...]
    cell: CellWord | None
    findings: tuple[Felt | Look | Move, ...]

    @property
    def in_force(self) -> Verdict | None:
        """The verdict that stood when this coat ended; None where there was none, or it had expired."""
        last = self.history.last if self.history else None
        return last if last is not None and last.valid_until >= self.coat.end else None


@dataclass(frozen=True)
class AlarmRecord:
    """One alarm from raised to cleared, as grave as it was at its worst, how often it was said, who acknowledged it."""

    kind: str
    subject: str
    severity: Severity
    raised: datetime
    cleared: datetime | None
    said: int
    acknowledged: tuple[str, ...]
    text: str


@dataclass(frozen=True)
class SensorRecord:
    """A sensor whose readings counted, and its newest calibration before the record's end."""

    channel: Channel
    calibration: Calibration | None


@dataclass(frozen=True)
class ShellRecord:
    """Everything on record of one shell. `earlier`: when trees of the same name before it came and went."""

    room: RoomSetup
    tree: str
    life: Life
    coats: tuple[CoatRecord, ...]
    alarms: tuple[AlarmRecord, ...]
    models: tuple[tuple[str, Basis | None], ...]
    sensors: tuple[SensorRecord, ...]
    earlier: tuple[tuple[datetime, datetime], ...]
    until: datetime

    @property
    def verdicts(self) -> list[Verdict]:
        """All verdicts on coats that stand, in time order."""
        return [verdict for coat in self.coats if coat.history for verdict in coat.history.verdicts]


def shell_record(
    store: Store, room: RoomSetup, models: Mapping[str, CoatModel], tree: str, at: datetime | None = None
) -> ShellRecord:
    """The record of the last tree of that name, or of the one that was in the room at `at`.

    Raises SetupError for a tree that the log does not name, with those that it names.
    """
    events = list(store.events(tree=tree))
    verdicts = list(store.verdict_history(tree))
    lives = lives_of(events, _until(store, events, verdicts))
    if not lives:
        known = ", ".join(sorted({life.tree for life in lives_on_record(store)})) or "none yet"
        raise SetupError(f"no dip of a tree named {tree!r} is on record here; known: {known}")
    life = _chosen(lives, tree, at)
    air = AirRecord(store, room)
    coats = tuple(_coat(store, air, room, coat, verdicts) for coat in life.coats)
    names = dict.fromkeys(coat.coat.dip.coat for coat in coats)
    return ShellRecord(
        room=room,
        tree=tree,
        life=life,
        coats=coats,
        alarms=tuple(_alarms(store, tree, life)),
        models=tuple((name, basis_of(name, room, models)) for name in names),
        sensors=tuple(_sensors(store, air, life)),
        earlier=tuple((other.begin, other.end) for other in lives if other.begin < life.begin),
        until=life.end,
    )


def _until(store: Store, events: Sequence[LogEvent], verdicts: Sequence[Verdict]) -> datetime:
    """The last thing on record: not the clock, so that the same data give the same record."""
    moments = [event.time for event in events] + [verdict.time for verdict in verdicts[-1:]]
    last = store.last_arrival()
    return max([*moments, *([last] if last else [])], default=datetime.min.replace(tzinfo=UTC))


def _chosen(lives: Sequence[Life], tree: str, at: datetime | None) -> Life:
    if at is None:
        return lives[-1]
    begun = [life for life in lives if life.begin <= at]
    if not begun:
        raise SetupError(
            f"no tree {tree!r} was in the room at {at.isoformat()}; the first came {lives[0].begin.isoformat()}"
        )
    return begun[-1]


def _coat(store: Store, air: AirRecord, room: RoomSetup, coat: Coat, verdicts: Sequence[Verdict]) -> CoatRecord:
    kind = room.coat_by_name.get(coat.dip.coat)
    own = tuple(v for v in verdicts if is_about(coat, v) and v.time <= coat.end)
    return CoatRecord(
        coat=coat,
        kind=kind,
        air=air_seen(air, room, coat.stays, _asked(kind.room if kind else Band())),
        history=CoatHistory(own, max(coat.end, own[0].time)) if own else None,
        weights=tuple(event for event in coat.events if isinstance(event, Weigh)),
        cell=cell_word(store, air, coat),
        findings=tuple(event for event in coat.events if isinstance(event, Felt | Look | Move)),
    )


def _asked(band: Band) -> dict[Quantity, tuple[float, float] | None]:
    return {
        Quantity.TEMPERATURE: band.temperature_c,
        Quantity.HUMIDITY: band.humidity_pct,
        Quantity.AIRFLOW: band.airflow_m_per_s,
        **{quantity: getattr(band, row.key) for quantity, row in RECORDED.items()},
    }


def _alarms(store: Store, tree: str, life: Life) -> list[AlarmRecord]:
    """Alarms about the tree, and about the air of its racks while it hung there; notices are not among them."""
    seen: dict[str, list[datetime]] = {}
    rows: dict[str, AlarmRecord] = {}
    people = _acknowledged(store, life)
    for alert in store.alerts(life.begin, life.end + timedelta(seconds=1)):
        if alert.severity == "notice" or not _concerns(alert.kind, alert.subject, alert.time, tree, life):
            continue
        times = seen.setdefault(alert.id, [])
        before = rows.get(alert.id)
        cleared = alert.time if alert.state == "cleared" else before.cleared if before else None
        times += [alert.time] if alert.state == "raised" else []
        worst = gravest([alert.severity, *([before.severity] if before else [])])
        rows[alert.id] = AlarmRecord(
            alert.kind, alert.subject, worst, times[0] if times else alert.time, cleared, len(times),
            people.get(alert.id, ()), before.text if before else alert.text,
        )  # fmt: skip
    return sorted(rows.values(), key=lambda row: (row.raised, row.kind, row.subject))


def _acknowledged(store: Store, life: Life) -> dict[str, tuple[str, ...]]:
    people: dict[str, tuple[str, ...]] = {}
    for change in store.alarm_log(life.begin):
        if change.change.startswith("acknowledge") and change.who:
            people[change.key] = tuple(dict.fromkeys((*people.get(change.key, ()), change.who)))
    return people


def _concerns(kind: str, subject: str, time: datetime, tree: str, life: Life) -> bool:
    if subject == tree:
        return True
    stays = [stay for coat in life.coats for stay in coat.stays if stay.begin <= time <= stay.end]
    return kind in ABOUT_AIR and any(subject.partition("/")[0] == stay.rack for stay in stays)


def _sensors(store: Store, air: AirRecord, life: Life) -> list[SensorRecord]:
    """The sensors of the air and the load cells that counted for this shell."""
    stays = [stay for coat in life.coats for stay in coat.stays]
    places = {place for stay in stays for place in air.places(stay.rack)}
    cells = {stay.cell for stay in stays if stay.cell}
    kept: dict[str, Calibration] = {}
    for calibration in store.calibrations():
        if calibration.time <= life.end:
            kept[calibration.sensor] = calibration
    found = []
    for channel in air.channels:
        weighs = channel.quantity == Quantity.WEIGHT.value
        if (channel.sensor in cells) if weighs else (channel.place in places):
            name = channel.sensor if weighs else sensor_name(*channel)
            found.append(SensorRecord(channel, kept.get(name)))
    return found
