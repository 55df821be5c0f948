"""What happened, as a story to be read: messages in the order they were heard and said, told line by line. Pure."""

import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from math import inf
from typing import Any
from zoneinfo import ZoneInfo

from drymon.messages.message import Message
from drymon.messages.times import parse_time
from drymon.messages.topics import log_prefix, out_prefix
from drymon.shop.facts.outcome import State
from drymon.shop.facts.reason_code import ReasonCode
from drymon.shop.facts.setup import Tank
from drymon.views.table import MARKS

TOLD_BY_TREES = ("tree-ready", "tree-hold", "redipped-early")
"""Kinds of alert that the line about the tree has told already, or tells better."""
HEARD: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "look": lambda said: f"{said.get('by') or 'somebody'} looked: {said.get('finding')}{_quoted(said.get('note'))}",
    "felt": lambda said: f"{said.get('by') or 'somebody'} felt it: {said.get('finding')}",
    "undo": lambda said: f"{said.get('by') or 'somebody'} took back what was said last",
    "move": lambda said: f"moved to {said.get('rack')}",
    "leave": lambda said: "left the room",
    "fan": lambda said: f"fans switched {'on' if said.get('on') else 'off'}",
}

WORDS = {
    State.DRYING: "drying",
    State.READY: "ready to redip",
    State.HOLD: "hold",
    State.UNKNOWN: "cannot tell",
    State.COMPLETE: "complete",
}


class Timeline:
    """Tells changes only: dips, states, racks that are ready, alerts, what people reported."""

    def __init__(self, room: str, timezone: str, tanks: Iterable[Tank] = ()) -> None:
        self._tanks = {tank.name: tank for tank in tanks}
        self._out, self._log = out_prefix(room), log_prefix(room)
        self._zone = ZoneInfo(timezone)
        self._trees: dict[str, tuple[str, str]] = {}
        self._likely: set[tuple[str, str]] = set()
        self._racks: dict[str, bool] = {}
        self._alarms: set[str] = set()
        self._day = ""
        self.counts: Counter[str] = Counter()

    def lines(self, message: Message) -> Iterator[str]:
        """The lines that this message adds, with a heading where a new day begins."""
        told = list(self._tell(message))
        local = message.arrived.astimezone(self._zone)
        day = f"{local:%A} {local.day} {local:%B %Y}"
        if told and day != self._day:
            yield from ([""] if self._day else []) + [day]
            self._day = day
        for subject, words in told:
            yield f"  {local:%H:%M}  {subject:<10}  {words}"

    def _tell(self, message: Message) -> Iterator[tuple[str, str]]:
        said = _object(message.payload)
        if message.topic.startswith(self._log):
            yield from self._heard(message.topic.removeprefix(self._log), said)
        elif message.topic.startswith(self._out + "tree/") and said:
            yield from self._tree(said)
        elif message.topic.startswith(self._out + "rack/") and said:
            yield from self._rack(said)
        elif message.topic == self._out + "alert":
            yield from self._alert(said)

    def _heard(self, event: str, said: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        self.counts[event] += 1
        if event in HEARD:
            yield str(said.get("tree") or said.get("rack") or "?"), f"· {HEARD[event](said)}"
        elif event == "slurry":
            tank = str(said.get("slurry"))
            yield tank, f"· {said.get('by') or 'somebody'} checked it: {_checked(said, self._tanks.get(tank))}"

    def _tree(self, said: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        tree, state, dipped_at = said["tree"], said["state"], said["dipped_at"]
        before = self._trees.get(tree)
        self._trees[tree] = (state, dipped_at)
        if before is None or before[1] < dipped_at:
            yield tree, f"↓ dip {said['number']}, {said['coat']}, on {said['rack']}: {_outlook(said)}"
            early = [reason["text"] for reason in said["reasons"] if reason["code"] == ReasonCode.REDIPPED_EARLY]
            yield from ((tree, f"! {text}") for text in early)
        elif before[0] != state:
            self.counts[state] += 1
            yield tree, f"{MARKS[State(state)]} {WORDS[State(state)]}{_why(said)}"
        if _is_likely(said) and (tree, dipped_at) not in self._likely:
            self._likely.add((tree, dipped_at))
            yield tree, f"→ {said['advice']}"

    def _rack(self, said: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        rack, ready = said["rack"], bool(said["ready"])
        before, self._racks[rack] = self._racks.get(rack, False), ready
        if ready and not before:
            self.counts["rack ready"] += 1
            yield rack, "✔ rack ready: every tree that awaits a dip is ready"

    def _alert(self, said: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        if not said or said["kind"] in TOLD_BY_TREES or said["kind"] == "rack-ready":
            return
        kind, text = said["kind"].replace("-", " "), said["text"]
        if said["state"] == "cleared":
            self._alarms.discard(said["id"])
            yield said["subject"], f"o {kind}, over: {_sentences(text)[-1]}"
        elif said["id"] not in self._alarms:
            self._alarms.add(said["id"])
            self.counts["alarms"] += 1
            yield said["subject"], f"! {kind}: {_sentences(text)[0]}"


def _outlook(said: Mapping[str, Any]) -> str:
    return str(said["advice"]) if said["state"] == State.DRYING else f"{said['state']}, {_first_reason(said)}"


def _why(said: Mapping[str, Any]) -> str:
    match said["state"]:
        case State.COMPLETE:
            return ""
        case State.READY:
            return f": {said['advice']}"
        case _:
            return f": {_first_reason(said)}"


def _is_likely(said: Mapping[str, Any]) -> bool:
    """Whether its likely moment has come, so that somebody may feel it."""
    best = said["dry_at"]["best"]
    return said["state"] == State.DRYING and best is not None and parse_time(best) <= parse_time(said["time"])


def _first_reason(said: Mapping[str, Any]) -> str:
    reasons = said["reasons"]
    return str(reasons[0]["text"]) if reasons else "no reason given"


def _sentences(text: str) -> list[str]:
    """An alarm's text has cause, consequence, action and time to respond; a story needs one of them."""
    return [sentence.rstrip(".") + "." for sentence in text.split(". ")]


def _object(payload: bytes) -> Mapping[str, Any]:
    try:
        said = json.loads(payload)
    except ValueError:
        return {}
    return said if isinstance(said, dict) else {}


def _checked(said: Mapping[str, Any], tank: Tank | None) -> str:
    """`cup 36.8 s, too thick (28 to 34 s)`, `cup 30.6 s after 1.5 L of water`."""
    seconds, water = said.get("seconds"), said.get("water_added")
    if not isinstance(seconds, int | float):
        return "no cup"
    after = f" after {water:g} L of water" if isinstance(water, int | float) else ""
    low, high = (tank.seconds if tank else None) or (0.0, inf)
    found = "too thin" if seconds < low else "too thick" if seconds > high else ""
    return f"cup {seconds:g} s{after}" + (f", {found} ({low:g} to {high:g} s)" if found else "")


def _quoted(note: object) -> str:
    return f' ("{note}")' if note else ""
