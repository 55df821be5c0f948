"""A shell's record in words: what stands in the page and on the sheets, in one place."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from drymon import __version__
from drymon.readback.coat_basis import FEWEST_TO_SAY, Basis, counted_words
from drymon.shop.alarms.alarm_kinds import KINDS
from drymon.shop.facts.events import Look
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.reason_code import ReasonCode
from drymon.shop.verdict.reasons import Effect, effect_of
from drymon.views.event_words import event_words
from drymon.views.report.coat_words import coat_blocks, dryness, in_force, rack_name
from drymon.views.report.document import Block, Document, Facts, Heading, NewSheet, Paragraph, Table
from drymon.views.report.heads import GONE, last_word, recipe_name, recipe_of
from drymon.views.report.pdf import sheets_of
from drymon.views.report.record import CoatRecord, SensorRecord, ShellRecord
from drymon.views.report.room_clock import RoomClock, utc
from drymon.views.report.summary import first_page

CAUTIONS = (
    "“Ready” means ready for the next dip, and nothing else. Water can remain deep in a shell whose last coat is dry. "
    "Final drying, dewax and pour stay with trained people and local rules.",
    "Dryness is an estimate from the air, and from weights where there were any; its bounds are the 5 % and 95 % ones. "
    "Nobody looked into the pockets but where this record says so.",
    "Times without readings are counted as no drying in the cautious bound. Missing evidence never reads as dry.",
    "Stucco and dry slurry are respirable silica: keep dust down, wear the mask that your local rules ask for. Hung "
    "trees are loads: nobody stands under them. Mains and water stay apart.",
)
NOT_READY = "none: each coat was ready when the next dip came"


def document_of(record: ShellRecord) -> Document:
    """The whole record in words: a first page for whoever gets it, and all the rest behind."""
    clock = RoomClock(record.room.timezone)
    room = record.room.label or record.room.name
    whole = Document(
        title=f"Shell record: {record.tree}",
        subtitle=" · ".join(filter(None, (room, recipe_of(record)))),
        blocks=(),
        foot=f"{room} · shell record {record.tree} · up to {clock.at(record.until)} · drymon {__version__}",
    )

    def fits(blocks: Sequence[Block]) -> bool:
        return sheets_of(replace(whole, blocks=tuple(blocks))) == 1

    return replace(whole, blocks=(*first_page(record, clock, fits), NewSheet(), *_behind(record, clock)))


def _behind(record: ShellRecord, clock: RoomClock) -> Iterator[Block]:
    yield Heading("All of it")
    yield Facts(tuple(_facts(record, clock)))
    yield from _overrides(record, clock)
    for coat in record.coats:
        yield from coat_blocks(coat, record.room, clock)
    yield from _alarms(record, clock)
    yield from _models(record)
    yield from _sensors(record, clock)
    yield Heading("How to read this record")
    yield Paragraph(
        "In the pictures the line is the share of removable water gone from the slowest part of the tree, the band its "
        "bounds; the dashed line is what the next dip needs. An open diamond and the bar through it are what drymon "
        "expected right after the dip, a filled disc is when it found the coat ready. Marks at the foot: a thin "
        "diamond a weighing, a triangle up a look, a square a touch, a triangle to the right a move."
    )
    for caution in CAUTIONS:
        yield Paragraph(caution)


def _facts(record: ShellRecord, clock: RoomClock) -> Iterator[tuple[str, str]]:
    life, room = record.life, record.room
    yield "shop", f"{room.label} (room {room.name})" if room.label else f"room {room.name}"
    yield "tree", record.tree
    recipe = room.recipe_by_name.get(recipe_name(record))
    coats = f"{len(record.coats)} on record" + (f", {len(recipe.coats)} in the recipe" if recipe else "")
    yield "recipe", recipe_of(record) or "none named"
    yield "coats", coats + _begun_elsewhere(record)
    yield "first dip", f"{clock.at(life.begin)} ({utc(life.begin)})"
    if life.ended_by is not None:
        yield (
            GONE[type(life.ended_by)],
            f"{clock.at(life.end)} ({utc(life.end)}), by {life.ended_by.by or 'nobody named'}",
        )
    yield "record up to", f"{clock.at(record.until)} ({utc(record.until)})"
    yield "last word", last_word(record, clock)
    moments = [life.begin, *(coat.coat.dip.time for coat in record.coats), record.until]
    yield "times", f"on the room's clock, {room.timezone}, {clock.against_utc(moments)}; in brackets in UTC"
    for begin, end in record.earlier:
        yield "not this tree", f"another tree had this name from {clock.at(begin)} to {clock.at(end)}"


def _begun_elsewhere(record: ShellRecord) -> str:
    first = record.coats[0].coat.number
    return f"; begun elsewhere, coats before {first} are unknown" if first > 1 else ""


def _overrides(record: ShellRecord, clock: RoomClock) -> Iterator[Block]:
    """Where people went on against or without drymon's word, and what they took back."""
    yield Heading("Overrides and corrections")
    early = tuple(_early(record, clock))
    if early:
        yield Table(("dipped", "coat", "by", "in force", "water gone", "what drymon said then"), early,
                    (1.35, 0.55, 0.8, 0.9, 1.45, 3.2), (), "Dips before the coat below was ready")  # fmt: skip
    else:
        yield Paragraph(f"Dips before the coat below was ready: {NOT_READY}.")
    looks = tuple(_released(record, clock))
    if looks:
        yield Table(("looked", "coat", "by", "finding", "what held"), looks, (1.35, 0.55, 0.8, 1.4, 4.1), (),
                    "Looks at a tree on hold")  # fmt: skip
    undone = tuple(
        (clock.at(one.event.time), event_words(one.event), one.event.by or "—", clock.at(undo.time), undo.by or "—")
        for one in record.life.taken_back
        if (undo := one.taken_back) is not None
    )
    if undone:
        yield Table(("said for", "what", "by", "taken back", "by"), undone, (1.35, 2.4, 1, 1.35, 1), (),
                    "Taken back: it counts for nothing above")  # fmt: skip
    else:
        yield Paragraph("Taken back: nothing.")


def _early(record: ShellRecord, clock: RoomClock) -> Iterator[tuple[str, ...]]:
    for below, coat in zip(record.coats, record.coats[1:], strict=False):
        said = _said_early(coat)
        ready = below.in_force is not None and below.in_force.state in (State.READY, State.COMPLETE)
        if said is not None or not ready:
            words = said or "nothing of it: its own verdict on the new coat does not mention it"
            yield (
                clock.at(coat.coat.dip.time), str(coat.coat.number), coat.coat.dip.by or "—", in_force(below),
                dryness(below.history.last if below.history else None), words,
            )  # fmt: skip


def _said_early(coat: CoatRecord) -> str | None:
    reasons = [reason for verdict in coat.history.verdicts[:3] for reason in verdict.reasons] if coat.history else []
    return next((reason.text for reason in reasons if reason.code == ReasonCode.REDIPPED_EARLY), None)


def _released(record: ShellRecord, clock: RoomClock) -> Iterator[tuple[str, ...]]:
    for coat in record.coats:
        for look in (event for event in coat.findings if isinstance(event, Look)):
            verdicts = coat.history.verdicts if coat.history else ()
            before = [verdict for verdict in verdicts if verdict.time <= look.time]
            held = _holds(before[-1]) if before else []
            note = f" ({look.note})" if look.note else ""
            yield (clock.at(look.time), str(coat.coat.number), look.by or "—", look.finding + note,
                   "; ".join(held) or "nothing held")  # fmt: skip


def _holds(verdict: Verdict) -> list[str]:
    return [r.text for r in verdict.reasons if effect_of(r) is Effect.HOLD]


def _alarms(record: ShellRecord, clock: RoomClock) -> Iterator[Block]:
    yield Heading("Alarms")
    rows = []
    for alarm in record.alarms:
        over = clock.time(alarm.cleared, alarm.raised) if alarm.cleared else "not in this record"
        rows.append((clock.at(alarm.raised), over, f"{alarm.severity}: {alarm.kind}, {alarm.subject}", str(alarm.said),
                     ", ".join(alarm.acknowledged) or "—", cause(alarm.kind, alarm.text)))  # fmt: skip
    if not rows:
        yield Paragraph("No alarm about this tree, or about the air where it hung.")
        return
    head = ("raised", "over", "what", "said", "acknowledged by", "words")
    yield Table(head, tuple(rows), (1.45, 1.45, 1.5, 0.5, 1.3, 2.9), (3,), "About this tree and its racks' air")


def cause(kind: str, text: str) -> str:
    """First part of an alarm's text: what was wrong. Why it matters and what to do are left out of the record."""
    known, text = KINDS.get(kind), text.removeprefix("Still: ").removeprefix("Worse now: ")
    for severity in known.severities if known else ():
        text = text.partition(known.words(severity).matters)[0] if known else text
    return text.strip()


def _models(record: ShellRecord) -> Iterator[Block]:
    """Each coat's model as it is in this home now; the verdicts themselves say whether it was a starting one then."""
    yield Heading("What the verdicts rest on")
    rows = tuple(_model(name, basis, record) for name, basis in record.models)
    head = ("coat", "model", "weighed runs behind it", "what this shell's verdicts said")
    yield Table(head, rows, (1.2, 2.2, 1.6, 2.6), (), "Coat models, as they are in this home now")
    for name, basis in record.models:
        if basis is not None:
            yield Paragraph(f"{name}: {basis.model.origin}", "quiet")


def _model(name: str, basis: Basis | None, record: ShellRecord) -> tuple[str, ...]:
    codes = {r.code for v in record.verdicts if v.coat == name for r in v.reasons}
    then = "starting model, wide bounds" if ReasonCode.STARTING_MODEL in codes else "no starting model"
    if basis is None:
        return name, "none of that name", "—", then
    counted = f"; {words}" if (words := counted_words(basis.model)) else ""
    if not basis.is_own:
        return name, f"the model of {basis.source}, bounds widened{counted}", "none of this coat", then
    model = basis.model
    if model.is_starting_model:
        return name, f"starting, from published ranges{counted}", "none of this shop", then
    judged = "median_pct" in model.error and model.error.get("runs", FEWEST_TO_SAY) >= FEWEST_TO_SAY
    error = f", half of those left out within {model.error['median_pct']:.0f} %" if judged else ""
    return name, "fitted on this shop's weighings", f"{model.runs}{error}", then


def _sensors(record: ShellRecord, clock: RoomClock) -> Iterator[Block]:
    rows = tuple(_sensor(sensor, record, clock) for sensor in record.sensors)
    if rows:
        yield Table(("sensor", "at", "quantity", "last calibrated", "found"), rows, (1.5, 1.6, 1, 1.2, 3), (),
                    "Sensors whose readings counted")  # fmt: skip
    else:
        yield Paragraph("No sensor's readings counted.")


def _sensor(sensor: SensorRecord, record: ShellRecord, clock: RoomClock) -> tuple[str, ...]:
    place, quantity, name = sensor.channel
    kept = sensor.calibration
    found = str(kept.document.get("verdict", "")) if kept else "no calibration on record"
    due = kept.document.get("due") if kept else None
    where = "the room" if place == "room" else rack_name(place, record.room)
    return (name or "(unnamed)", where, quantity, clock.at(kept.time)[:10] if kept else "—",
            f"{found}; due again {due}" if due else found)  # fmt: skip
