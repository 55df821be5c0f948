"""One coat of a record in words: facts, air, states, flags, weights, what people found."""

from collections.abc import Iterator
from datetime import datetime
from functools import partial

from drymon.drying.quantities import RECORDED, Quantity
from drymon.readback.coat_history import Stretch
from drymon.readback.now import percent
from drymon.shop.facts.events import Felt, Look, Move
from drymon.shop.facts.lives import NEXT_DIP, Stay
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.reason_code import ReasonCode
from drymon.shop.facts.setup import CoatType, RoomSetup
from drymon.shop.verdict.reasons import Effect, effect_of
from drymon.views.report import picture
from drymon.views.report.air_seen import AirSeen
from drymon.views.report.document import Block, Drawing, Facts, Heading, Table
from drymon.views.report.record import CoatRecord
from drymon.views.report.room_clock import RoomClock, length, utc
from drymon.views.report.weights import weight_tables

SHELTERS = {
    "open": "open (plain faces, air gets everywhere)",
    "pocketed": "pocketed (corners, slots, shallow cores)",
    "deep": "deep (blind holes, narrow cores)",
}
EVERYDAY = (ReasonCode.WET, ReasonCode.TOO_SOON)
"""Reasons that every drying coat has for a while: states and curve tell them."""

MEASURED = {
    Quantity.TEMPERATURE: ("temperature", "°C", 1),
    Quantity.HUMIDITY: ("relative humidity", "%", 0),
    Quantity.AIRFLOW: ("air speed", "m/s", 2),
    **{quantity: (row.name, row.unit, row.digits) for quantity, row in RECORDED.items()},
}


def coat_blocks(record: CoatRecord, room: RoomSetup, clock: RoomClock) -> Iterator[Block]:
    """The part of a record that is about one coat."""
    yield Heading(f"Coat {record.coat.number}: {coat_name(record)}")
    yield Facts(tuple(_facts(record, room, clock)))
    words = f"Coat {record.coat.number}: water gone from the slowest part with its bounds, states, and the rack's air."
    yield Drawing(words, picture.HEIGHT, partial(picture.draw_coat, record, room))
    yield _air(record, room)
    if record.history:
        yield _states(record, clock)
    yield from _flags(record, clock)
    yield from weight_tables(record.weights, record.cell, clock)
    yield from _findings(record, room, clock)


def coat_name(record: CoatRecord) -> str:
    """`second face coat (prime-fine)`; the bare name of one that room.toml does not know."""
    name = record.coat.dip.coat
    if record.kind is None:
        return f"{name} (not in room.toml)"
    return f"{record.kind.label} ({name})" if record.kind.label else name


def rack_name(rack: str, room: RoomSetup) -> str:
    """`Rack A, by the fans (rack-a)`."""
    known = room.rack_by_name.get(rack)
    return f"{known.label} ({rack})" if known and known.label else rack


def dryness(verdict: Verdict | None) -> str:
    """`61 % (55 to 68 %)`, rounded down: 94.9 % is not yet 95 %."""
    if verdict is None or verdict.dryness is None:
        return "—"
    best, low, high = (percent(share) for share in (verdict.dryness.best, verdict.dryness.low, verdict.dryness.high))
    return f"{best} % ({low} to {high} %)"


def in_force(record: CoatRecord) -> str:
    """The state that stood when this coat ended."""
    return record.in_force.state.value if record.in_force else "unknown (nobody watched)"


def _facts(record: CoatRecord, room: RoomSetup, clock: RoomClock) -> Iterator[tuple[str, str]]:
    coat, history = record.coat, record.history
    yield "dipped", f"{clock.at(coat.dip.time)} by {coat.dip.by or 'nobody named'} ({utc(coat.dip.time)})"
    yield "shelter", SHELTERS[coat.shelter]
    yield "hung at", "; then ".join(_stay(stay, room, clock, coat.dip.time) for stay in coat.stays)
    yield "on top until", f"{clock.at(coat.end)}, {coat.ended_by}: {length(coat.end - coat.dip.time)}"
    if record.kind is not None:
        yield "asked of it", _needs(record.kind)
    first = next((v for v in history.verdicts if v.dry_at.best), None) if history else None
    if first is not None:
        when = [
            clock.time(t, coat.dip.time) if t else "beyond 14 days" for t in (first.dry_at.early, first.dry_at.late)
        ]
        yield "expected at the dip", f"dry {clock.time(first.dry_at.best, coat.dip.time)} ({when[0]} to {when[1]})"
    yield "found ready", _ready(record, clock)
    last = history.last if history else None
    if coat.ended_by == NEXT_DIP:
        yield "when the next dip came", f"{in_force(record)}; water gone {dryness(last)}"
    else:
        yield "last word on it", f"{last.state.value if last else 'none'}; water gone {dryness(last)}"


def _stay(stay: Stay, room: RoomSetup, clock: RoomClock, beside: datetime) -> str:
    hook = f", on {stay.cell}" if stay.cell else ""
    since = f" from {clock.time(stay.begin, beside)}" if stay.begin != beside else ""
    return rack_name(stay.rack, room) + hook + since


def _needs(kind: CoatType) -> str:
    words = [f"{100 * kind.dry_at:g} % of the removable water gone from the slowest part"]
    words += [f"no redip before {kind.shortest_wait_h:g} h"] if kind.shortest_wait_h else []
    words += [f"a look after {kind.longest_wait_h:g} h"] if kind.longest_wait_h else []
    words += [f"at most {kind.fastest_loss_pct_per_h:g} % an hour"] if kind.fastest_loss_pct_per_h else []
    return "; ".join(words)


def _ready(record: CoatRecord, clock: RoomClock) -> str:
    ready = record.history.ready_at if record.history else None
    if ready is None:
        return "not while it was on top"
    return f"{clock.time(ready, record.coat.dip.time)}, {length(ready - record.coat.dip.time)} after the dip"


def _air(record: CoatRecord, room: RoomSetup) -> Table:
    rows = []
    for quantity, (name, unit, digits) in MEASURED.items():
        seen = record.air.get(quantity)
        if quantity in RECORDED and seen is None:
            continue
        rows.append(_seen(name, unit, digits, seen) if seen else _unmeasured(record, room, quantity, name))
    head = ("air", "lowest", "mean", "highest", "asked for", "time within", "without readings")
    return Table(head, tuple(rows), (1.5, 1, 1, 1, 1.3, 0.9, 2.1), (1, 2, 3), "Its air")


def _seen(name: str, unit: str, digits: int, seen: AirSeen) -> tuple[str, ...]:
    values = (f"{value:.{digits}f} {unit}" for value in (seen.low, seen.mean, seen.high))
    asked = f"{seen.asked[0]:g} to {seen.asked[1]:g} {unit}" if seen.asked else "—"
    inside = f"{100 * seen.inside:.0f} %" if seen.inside is not None else "—"
    gap = f"{length(seen.gap)}, longest {length(seen.longest_gap)}" if seen.gap else "none"
    return (name, *values, asked, inside, gap)


def _unmeasured(record: CoatRecord, room: RoomSetup, quantity: Quantity, name: str) -> tuple[str, ...]:
    words = "not measured"
    if quantity is Quantity.AIRFLOW:
        words += _assumed(record, room)
    return (name, "—", "—", "—", "—", "—", words)


def _assumed(record: CoatRecord, room: RoomSetup) -> str:
    """What stood in the place of a measured air speed: as the verdicts said, where a wet cloth did."""
    said = record.history.last.reasons if record.history else ()
    _, cloth, told = next((one.text for one in said if one.code == ReasonCode.AIRFLOW_ASSUMED), "").partition(
        "by its wet cloth"
    )
    if cloth:
        return f"; {cloth}{told}"
    rack = room.rack_by_name.get(record.coat.stays[0].rack)
    return f"; {rack.airflow_assumed[0]:g} to {rack.airflow_assumed[1]:g} m/s assumed" if rack else ""


def _states(record: CoatRecord, clock: RoomClock) -> Table:
    rows = [
        (clock.at(piece.begin), clock.time(piece.end, piece.begin), _state(piece), _why(piece))
        for piece in (record.history.stretches if record.history else [])
    ]
    return Table(
        ("from", "until", "state", "why, when it began"), tuple(rows), (1.35, 1.35, 0.85, 4.0), (), "Its states"
    )


def _state(piece: Stretch) -> str:
    return piece.state.value if piece.watched else "unknown"


def _why(piece: Stretch) -> str:
    if not piece.watched:
        return "nobody watched: drymon was not running"
    texts = [reason.text for reason in piece.reasons if effect_of(reason) is not Effect.WIDENS]
    if piece.state is State.READY:
        return "at least 95 % sure that the slowest part is dry enough for the next dip"
    return "; ".join(texts) or "—"


def _flags(record: CoatRecord, clock: RoomClock) -> Iterator[Table]:
    """Every reason that was given beyond the everyday ones, when first and last, in its first words."""
    found: dict[str, tuple[datetime, datetime, str]] = {}
    for verdict in record.history.verdicts if record.history else ():
        for reason in verdict.reasons:
            first, _, text = found.get(reason.code, (verdict.time, verdict.time, reason.text))
            found[reason.code] = (first, verdict.time, text)
    rows = [
        (code, clock.at(first), clock.time(last, first), text)
        for code, (first, last, text) in sorted(found.items(), key=lambda item: (item[1][0], item[0]))
        if code not in EVERYDAY
    ]
    if rows:
        yield Table(("flag", "first", "last", "as first said"), tuple(rows), (1.5, 1.35, 1.35, 3.3), (), "Its flags")


def _findings(record: CoatRecord, room: RoomSetup, clock: RoomClock) -> Iterator[Table]:
    rows = [(clock.at(event.time), _finding(event, room), event.by or "—") for event in record.findings]
    if rows:
        yield Table(("when", "what", "by"), tuple(rows), (1.3, 4, 1.3), (), "What people found and did")


def _finding(event: Felt | Look | Move, room: RoomSetup) -> str:
    if isinstance(event, Felt):
        return f"{event.words} to the touch"
    if isinstance(event, Look):
        return f"looked: {event.finding}" + (f" ({event.note})" if event.note else "")
    return f"moved to {rack_name(event.rack, room)}" + (f", on {event.cell}" if event.cell else "")
