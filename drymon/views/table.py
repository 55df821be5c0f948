"""The room on a terminal: racks and their trees, in a wide or a narrow form, with or without colour. Pure."""

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass

from drymon.messages.names import natural
from drymon.readback.now import Now, age, percent
from drymon.shop.facts.local_time import dated, on_clock, say
from drymon.shop.facts.outcome import AirNow, Bounds, RackStatus, State, Verdict, recorded_in
from drymon.shop.facts.sensor_state import SensorState
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.facts.value_words import value_words
from drymon.shop.verdict.reasons import WIDENING
from drymon.views.expected import expected

MARKS = {State.DRYING: "■", State.READY: "✔", State.HOLD: "▲", State.UNKNOWN: "?", State.COMPLETE: "●"}
PLAIN = str.maketrans({"■": "#", "✔": "+", "▲": "!", "●": "*", "█": "#", "▒": "=", "·": ".", "│": "|",
                       "°": "", "–": "-", "─": "-", "²": "2", "µ": "u", "×": "x", "→": ">"})  # fmt: skip
"""For terminals and files that know ASCII only."""
COLOURS = {
    State.DRYING: "36",
    State.READY: "32;1",
    State.HOLD: "31;1",
    State.UNKNOWN: "33",
    State.COMPLETE: "2",
}
"""SGR parameters (ECMA-48); the word and the mark stand beside them, so colour carries nothing alone."""

NARROW = 88
"""Below this many columns each tree gets lines instead of columns."""
BAR = 20
NEXT_SHOWN = 3


@dataclass(frozen=True)
class Paper:
    """What the table is written on: columns, whether colour is wanted, whether it knows more than ASCII."""

    width: int = 100
    colour: bool = False
    unicode: bool = True


def table(now: Now, room: RoomSetup, paper: Paper) -> str:
    """The whole status as text, wrapped to `paper.width`."""
    lines = [*_wrapped(_head(now, room), paper), *_plan(now, room, paper), ""]
    statuses = {rack.rack: rack for rack in now.racks}
    for rack, trees in _by_rack(now, room).items():
        lines += [*_rack(rack, statuses.get(rack), now, room, paper)]
        lines += [line for tree in trees for line in _tree(tree, now, room, paper)]
        lines.append("")
    lines += [*_sensors(now, paper), *_refused(now, room, paper)]
    text = "\n".join(line.rstrip() for line in lines).rstrip() + "\n"
    return text if paper.unicode else text.translate(PLAIN).encode("ascii", "replace").decode()


def _by_rack(now: Now, room: RoomSetup) -> dict[str, list[Verdict]]:
    """The room's racks in their order, then any that only old trees know."""
    racks: dict[str, list[Verdict]] = {rack.name: [] for rack in room.racks}
    for tree in sorted(now.trees, key=lambda verdict: natural(verdict.tree)):
        racks.setdefault(tree.rack, []).append(tree)
    return racks


def _head(now: Now, room: RoomSetup) -> str:
    moment = f"{on_clock(now.time, room.timezone):%a} {dated(now.time, room.timezone)}"
    service = "service running" if now.online else "SERVICE NOT RUNNING: no verdict below holds"
    return f"{room.label or room.name} · {moment} ({room.timezone}) · {service}"


def _plan(now: Now, room: RoomSetup, paper: Paper) -> Iterator[str]:
    """What to dip now and next; nothing where no plan holds."""
    if now.plan is None or not (now.plan.now or now.plan.next):
        return
    ready = ", ".join(f"{dip.called} ({dip.coat} {dip.number})" for dip in now.plan.now) or "nothing"
    soon = [f"{say(dip.at, now.time, room.timezone)} {dip.called} ({dip.coat} {dip.number})" for dip in now.plan.next]
    yield from _wrapped(f"Dip now: {ready}. Next: {', '.join(soon[:NEXT_SHOWN]) or 'nothing'}.", paper)


def _rack(name: str, status: RackStatus | None, now: Now, room: RoomSetup, paper: Paper) -> Iterator[str]:
    rack = room.rack_by_name.get(name)
    title = f"{name}, {rack.label}" if rack and rack.label else name
    yield from _wrapped(f"{title}   {_air(status)}   {_rack_word(status, now, room)}", paper)


def _air(status: RackStatus | None) -> str:
    air = status.air if status else AirNow()
    words = [
        f"{value:{form}} {unit}"
        for value, form, unit in (
            (air.temperature_c, ".1f", "°C"),
            (air.humidity_pct, ".0f", "% RH"),
            (air.airflow_m_per_s, ".1f", "m/s"),
            *((value, f".{row.digits}f", f"{row.unit} {row.name}") for row, value in recorded_in(air)),
        )
        if value is not None
    ]
    return " · ".join(words) or "air not known"


def _rack_word(status: RackStatus | None, now: Now, room: RoomSetup) -> str:
    if status is None or not status.trees:
        return "no trees" if now.online else "not known"
    if status.ready:
        return "✔ rack ready: all trees that await a dip are ready"
    if status.waiting_for is None:
        return "not ready"
    when = "" if status.ready_at is None else f", {expected(status.ready_at, now.time, room.timezone)}"
    return f"waiting for {status.waiting_for}{when}"


def _tree(tree: Verdict, now: Now, room: RoomSetup, paper: Paper) -> Iterator[str]:
    state = _state(tree.state, paper)
    coat = f"{tree.coat} {tree.number}"
    cells = BAR if paper.width > 44 else BAR // 2
    parts = [_dryness(tree, room, cells), _end(tree, now, room)]
    if paper.width < NARROW:
        yield f"  {state} {tree.called} · {coat}"
        yield from (f"    {part}" for part in parts if part)
    else:
        yield "  ".join((f"  {tree.called:<10} {coat:<16} {state}", f"{parts[0]:<{BAR + 16}}", parts[1]))
    for words in _to_be_read(tree):
        yield from _wrapped(words, paper, indent=4 if paper.width < NARROW else 13)


def _state(state: State, paper: Paper) -> str:
    words = f"{MARKS[state]} {state.value:<8}"
    return f"\x1b[{COLOURS[state]}m{words}\x1b[0m" if paper.colour else words


def _dryness(tree: Verdict, room: RoomSetup, cells: int) -> str:
    if tree.dryness is None:
        return ""
    coat = room.coat_by_name.get(tree.coat)
    low, best, high = (percent(share) for share in (tree.dryness.low, tree.dryness.best, tree.dryness.high))
    return f"{bar(tree.dryness, coat.dry_at if coat else None, cells)} {best} % ({low}–{high})"


def bar(dryness: Bounds, needed: float | None, cells: int = BAR) -> str:
    """`██████▒▒····│·`: surely gone, perhaps gone, not gone, and the share that is needed."""
    sure, perhaps = (max(0, min(cells, int(share * cells))) for share in (dryness.low, dryness.high))
    drawn = ["█"] * sure + ["▒"] * (perhaps - sure) + ["·"] * (cells - perhaps)
    if needed is not None:
        drawn.insert(round(needed * cells), "│")
    return "".join(drawn)


def _end(tree: Verdict, now: Now, room: RoomSetup) -> str:
    if tree.state is State.DRYING:
        ahead = tree.dry_at.best is not None and tree.dry_at.best > now.time
        return f"{'dry at ' if ahead else ''}{expected(tree.dry_at, now.time, room.timezone)}"
    if tree.state is State.READY and tree.redip_by is not None:
        return f"redip by {say(tree.redip_by, now.time, room.timezone)}"
    return ""


def _to_be_read(tree: Verdict) -> Iterator[str]:
    """What to do; what decides, in full; what only widens the bounds, in one line."""
    if tree.advice:
        yield f"→ {tree.advice}"
    wider = [reason for reason in tree.reasons if reason.code in WIDENING]
    yield from (reason.text for reason in tree.reasons if reason not in wider)
    if wider:
        yield "wider bounds: " + ", ".join(reason.code.replace("-", " ") for reason in wider)


def _sensors(now: Now, paper: Paper) -> Iterator[str]:
    doubted = [sensor for sensor in now.sensors if sensor.state is not SensorState.OK]
    if now.sensors:
        yield f"sensors: {len(now.sensors) - len(doubted)} ok, {len(doubted)} to look at"
    for sensor in doubted:
        name = " ".join(part for part in (sensor.place, sensor.quantity, sensor.sensor) if part)
        last = f"{value_words(sensor.value, sensor.unit)}, {age(now.time - sensor.time)} ago"
        yield from _wrapped(f"{name}: {sensor.state.replace('-', ' ')}, last {last}", paper, indent=2)


def _refused(now: Now, room: RoomSetup, paper: Paper) -> Iterator[str]:
    if now.refused_count:
        yield f"refused messages: {now.refused_count}; the latest:"
    for refused in now.refused[:3]:
        words = f"{say(refused.time, now.time, room.timezone)} {refused.topic}: {refused.reason}"
        yield from _wrapped(words, paper, indent=2)


def _wrapped(words: str, paper: Paper, indent: int = 0) -> list[str]:
    return textwrap.wrap(
        words, max(paper.width, 30), initial_indent=" " * indent, subsequent_indent=" " * (indent + 2),
        break_on_hyphens=False, drop_whitespace=True,
    )  # fmt: skip
