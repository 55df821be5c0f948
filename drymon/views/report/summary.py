"""The first page of a record, for whoever gets the shell with the castings: what it is, what was done, what stands out.

It is one sheet, whatever the shell's life was: what does not fit is said to stand behind it.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from datetime import timedelta
from functools import partial

from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import Look
from drymon.shop.facts.lives import NEXT_DIP
from drymon.shop.facts.outcome import SEVERITIES, State
from drymon.shop.facts.reason_code import ReasonCode
from drymon.views.report import overview
from drymon.views.report.coat_words import coat_name, dryness, in_force
from drymon.views.report.document import Block, Drawing, Facts, Heading, Paragraph, Table
from drymon.views.report.heads import gone_words, last_word, recipe_of
from drymon.views.report.record import CoatRecord, ShellRecord
from drymon.views.report.room_clock import RoomClock, length

FOR_REDIPS_ONLY = (
    "This record is about drying between one coat and the next. It says nothing about whether the shell is ready to "
    "dewax or to pour: a damp shell can burst by steam. That stays with trained people and local rules."
)
BEHIND = "Behind this page stands all of it: every coat with its air, verdicts and weights, alarms, models, sensors."
GOOD = (State.READY, State.COMPLETE)
SHORT_GAP = timedelta(minutes=30)
"""Time without readings from which it stands out."""

MOST_SAID, MOST_ROWS = 8, 14
DETAILS = ((MOST_SAID, MOST_ROWS, True), (5, 12, True), (4, 10, True), (3, 10, False), (2, 6, False))
"""Statements, rows of coats, and whether there is a picture: tried in turn until it fits one sheet."""


def first_page(record: ShellRecord, clock: RoomClock, fits: Callable[[Sequence[Block]], bool]) -> tuple[Block, ...]:
    """As much of the summary as fits one sheet."""
    pages = (tuple(_blocks(record, clock, *detail)) for detail in DETAILS)
    tried: tuple[Block, ...] = ()
    for tried in pages:
        if fits(tried):
            break
    return tried


def _blocks(record: ShellRecord, clock: RoomClock, said: int, rows: int, picture: bool) -> Iterator[Block]:
    yield Facts(tuple(_facts(record, clock)))
    yield Paragraph(FOR_REDIPS_ONLY, "caution")
    yield Heading("In short", 3)
    statements = list(_statements(record))
    for statement in statements[:said]:
        yield Paragraph(statement)
    if len(statements) > said:
        yield Paragraph(f"{len(statements) - said} more of this kind stand behind.", "quiet")
    if picture:
        words = f"All coats of {record.tree}: water gone from the slowest part over time, and the states beneath."
        yield Drawing(words, overview.HEIGHT, partial(overview.draw_overview, record))
    yield _table(record, clock, rows)
    yield Paragraph(BEHIND, "quiet")


def _facts(record: ShellRecord, clock: RoomClock) -> Iterator[tuple[str, str]]:
    room = record.room
    yield "shop", room.label or f"room {room.name}"
    yield "tree", record.tree
    yield "recipe", recipe_of(record) or "none named"
    gone = gone_words(record)
    yield "in the room", f"{clock.at(record.life.begin)} to {clock.at(record.life.end)}" + (f": {gone}" if gone else "")
    yield "last word", last_word(record, clock)


def _statements(record: ShellRecord) -> Iterator[str]:
    """What stands out, the gravest first."""
    yield from _redips(record)
    yield from _looks(record)
    yield from _gaps(record)
    if record.life.taken_back:
        count = len(record.life.taken_back)
        taken = "One entry was taken back and counts" if count == 1 else f"{count} entries were taken back and count"
        yield f"{taken} for nothing here."
    yield from _alarms(record)
    yield from _weighed(record)
    yield from _basis(record)


def _redips(record: ShellRecord) -> Iterator[str]:
    below = [coat for coat in record.coats if coat.coat.ended_by == NEXT_DIP]
    early = [coat for coat in below if coat.in_force is None or coat.in_force.state not in GOOD]
    if not below:
        return
    if not early:
        many = f"Each of {len(below)} coats" if len(below) > 1 else "The coat below"
        yield f"{many} was ready when the next dip came."
        return
    yield f"Ready when the next dip came: {len(below) - len(early)} of {len(below)} coats. Not ready:"
    for coat in early:
        gone = dryness(coat.history.last if coat.history else None)
        needed = f" of {100 * coat.kind.dry_at:g} % needed" if coat.kind else ""
        yield f"· coat {coat.coat.number}, {coat_name(coat)}: {in_force(coat)}, water gone {gone}{needed}"


def _looks(record: ShellRecord) -> Iterator[str]:
    for coat in record.coats:
        for look in (event for event in coat.findings if isinstance(event, Look)):
            note = f" ({look.note})" if look.note else ""
            yield f"Coat {coat.coat.number} was looked at by {look.by or 'nobody named'}: {look.finding}{note}."


def _gaps(record: ShellRecord) -> Iterator[str]:
    found = {
        coat.coat.number: max(gaps)
        for coat in record.coats
        if (gaps := [seen.gap for quantity, seen in coat.air.items() if quantity is not Quantity.AIRFLOW])
        and max(gaps) >= SHORT_GAP
    }
    if found:
        told = ", ".join(f"coat {number} for {length(gap)}" for number, gap in found.items())
        yield f"Nobody measured the air of {told}: that time counts as no drying."


def _alarms(record: ShellRecord) -> Iterator[str]:
    counts = Counter(alarm.severity for alarm in record.alarms)
    told = [f"{counts[one]} {one}{'s' * (counts[one] > 1)}" for one in reversed(SEVERITIES) if counts[one]]
    if told:
        waiting = sum(not alarm.acknowledged for alarm in record.alarms)
        seen = "all acknowledged" if not waiting else f"{waiting} of them acknowledged by nobody"
        yield f"Alarms about the tree and the air where it hung: {', '.join(told)}; {seen}."


def _weighed(record: ShellRecord) -> Iterator[str]:
    lost = {coat.coat.number: coat.cell.first - coat.cell.last for coat in record.coats if coat.cell}
    if lost:
        told = ", ".join(
            f"coat {number} {1000 * kilograms:.0f} g" for number, kilograms in lost.items() if kilograms > 0
        )
        yield f"A load cell saw water leave while the tree hung still: {told or 'none that it could tell'}."


def _basis(record: ShellRecord) -> Iterator[str]:
    """How much the verdicts may be trusted."""
    starting = sorted(
        {v.coat for v in record.verdicts for reason in v.reasons if reason.code == ReasonCode.STARTING_MODEL}
    )
    if starting:
        yield f"Starting models from published ranges, wide on purpose, stand behind {', '.join(starting)}."
    fitted = [
        f"{name} ({basis.model.runs} runs)"
        for name, basis in record.models
        if basis and not basis.model.is_starting_model
    ]
    if fitted:
        yield f"Models fitted on this shop's own weighings are at hand for {', '.join(fitted)}."


def _table(record: ShellRecord, clock: RoomClock, most: int) -> Table:
    """All coats, or those that stand out and the newest of the others."""
    shown = list(record.coats)
    if len(shown) > most:
        order = sorted(shown, key=lambda coat: (_in_time(coat), -coat.coat.number))[: most - 1]
        shown = [coat for coat in shown if coat in order]
    rows = [_row(coat, clock) for coat in shown]
    if len(shown) < len(record.coats):
        rows.append(("…", f"{len(record.coats) - len(shown)} more stand behind", "", "", "", "", ""))
    head = ("no.", "coat", "dipped", "on top for", "mean air", "water gone at its end", "state then")
    return Table(head, tuple(rows), (0.4, 1.5, 1.35, 1.1, 1.2, 1.65, 0.9), (), "")


def _in_time(coat: CoatRecord) -> bool:
    return coat.in_force is not None and coat.in_force.state in GOOD


def _row(one: CoatRecord, clock: RoomClock) -> tuple[str, ...]:
    last = one.history.last if one.history else None
    end = one.in_force.state.value if one.in_force else "unknown"
    label = one.kind.label if one.kind and one.kind.label else one.coat.dip.coat
    air = [f"{seen.mean:.{digits}f} {unit}" for quantity, digits, unit in MEANS if (seen := one.air.get(quantity))]
    over = length(one.coat.end - one.coat.dip.time)
    return str(one.coat.number), label, clock.at(one.coat.dip.time), over, ", ".join(air) or "—", dryness(last), end


MEANS = ((Quantity.TEMPERATURE, 0, "°C"), (Quantity.HUMIDITY, 0, "% RH"))
