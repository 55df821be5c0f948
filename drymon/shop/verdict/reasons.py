"""The one table of reasons: code, effect, text, what releases it."""

from collections.abc import Iterable
from dataclasses import dataclass, fields
from datetime import datetime, tzinfo
from enum import IntEnum
from typing import TYPE_CHECKING

from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import Reason, Severity, State
from drymon.shop.facts.reason_code import ReasonCode

if TYPE_CHECKING:  # whoever only reads what was said makes no findings: each class costs a command its moment
    from drymon.shop.facts.findings import Finding


class Effect(IntEnum):
    """What a reason does to a tree's state; the lowest number present decides."""

    UNKNOWN = 0
    HOLD = 1
    DRYING = 2
    WIDENS = 3


@dataclass(frozen=True, slots=True)
class Kind:
    """One row: `text` is a format string over the finding's facts; `release` says what takes the reason away.

    Of a reason that holds: how grave that is, and what whoever looks should look for (common practice, no source). Of
    one that makes it unknown: what to do until the evidence is back, a format string over `rack` and `coat`.
    """

    effect: Effect
    text: str
    release: str
    severity: Severity | None = None
    look_for: str = ""
    to_do: str = ""


_EVIDENCE, _TIME, _LOOK, _NONE = "evidence coming back", "drying, time", "look", "-"

REASONS: dict[ReasonCode, Kind] = {
    ReasonCode.CLOCK_UNKNOWN: Kind(
        Effect.UNKNOWN,
        "the clock of this computer is not to be trusted, so no drying time is: check date and time",
        _EVIDENCE,
        to_do="set date and time of drymon's computer",
    ),
    ReasonCode.COAT_UNKNOWN: Kind(
        Effect.UNKNOWN,
        "no coat named {coat} in room.toml: add it there, or undo the dip and enter it again",
        _EVIDENCE,
        to_do="add {coat} to room.toml, or undo the dip and say it again",
    ),
    ReasonCode.WORKING_OUT: Kind(
        Effect.UNKNOWN,
        "something was told late, so its drying since then is worked out anew: this takes some seconds to minutes",
        _TIME,
        to_do="look here again in some minutes",
    ),
    ReasonCode.AIR_UNKNOWN: Kind(
        Effect.UNKNOWN,
        "no trusted {missing} for {rack} in the last {limit:.0f} min: look at the sensor",
        _EVIDENCE,
        to_do="see to the sensor of {rack}: its power, cable, radio and place",
    ),
    ReasonCode.GRADE_SKIPPED: Kind(
        Effect.HOLD,
        "stucco {mesh} begins at {finest_um:.0f} um on a coat that ended at {before_um:.0f} um: a grade was skipped; "
        "look before the next dip",
        _LOOK,
        "warning",
        look_for="bare spots, pits and loose grains where the coarse stucco sits on the fine coat",
    ),
    ReasonCode.TOO_LONG: Kind(
        Effect.HOLD,
        "this coat has waited {waited:.1f} h, at most {limit:.1f} h are allowed: look for crazing and lifting",
        _LOOK,
        "warning",
        look_for="hair cracks, edges that lift, stucco that rubs off as dust",
    ),
    ReasonCode.LOST_TOO_FAST: Kind(
        Effect.HOLD,
        "lost at least {rate:.0f} % of its water per hour, at most {limit:.0f} % are allowed: look for crazing",
        _LOOK,
        "warning",
        look_for="hair cracks, at thin edges and sharp corners first",
    ),
    ReasonCode.SWING: Kind(
        Effect.HOLD,
        "the air swung by {swing:.1f} K while it dried, at most {limit:.1f} K are allowed: look for lifting",
        _LOOK,
        "warning",
        look_for="coats that have come off the pattern: a dull knock, blisters, hair cracks at corners",
    ),
    ReasonCode.WEIGHT_DISAGREES: Kind(
        Effect.HOLD,
        "the weight and the air tell different stories ({what}): look at the tree, its hook and the load cell",
        _LOOK,
        "danger",
        look_for="the wrong tree on the cell, a hook or hose that touches, a dip that nobody told, dripping, a "
        "piece that is gone",
    ),
    ReasonCode.WET: Kind(Effect.DRYING, "{gone} of the water is gone; {needed:.0f} % is needed, {expected}", _TIME),
    ReasonCode.POCKET_WET: Kind(
        Effect.DRYING,
        "the open faces are dry, the pockets are not: {gone} of their water is gone; {needed:.0f} % is needed, "
        "{expected}",
        _TIME,
    ),
    ReasonCode.TOO_SOON: Kind(
        Effect.DRYING, "the binder needs its time to gel: not before {until}, however dry the air", _TIME
    ),
    ReasonCode.WEIGHT_FALLING: Kind(Effect.DRYING, "the scale still sees water leave: {rate:.1f} g per hour", _TIME),
    ReasonCode.WEIGHING_AWAITED: Kind(
        Effect.DRYING, "by its weight it is dry; the next weighing of its load cell has to say the same", _TIME
    ),
    ReasonCode.AIR_TOO_DAMP: Kind(
        Effect.DRYING,
        "air at {now:.0f} % RH is too damp to be sure of it within 14 days; {would_do:.0f} % RH or less would do",
        _TIME,
    ),
    ReasonCode.POCKET_UNLEARNED: Kind(
        Effect.HOLD,
        "by the air it should be dry, but no {shelter} tree with this coat has been weighed yet: look into the pockets",
        _LOOK,
        "warning",
        look_for="pockets that are dark, shiny or cool to the finger: those are wet still",
    ),
    ReasonCode.TAIL_UNLEARNED: Kind(
        Effect.HOLD,
        "by the air it should be dry, but the weighed runs stopped too early to tell the end of drying: look",
        _LOOK,
        "warning",
        look_for="places that are dark, shiny or cool to the finger, the deepest first: those are wet still",
    ),
    ReasonCode.MODEL_DOUBT: Kind(
        Effect.HOLD,
        "by the air it should be dry, but {doubt}: look",
        _LOOK,
        "warning",
        look_for="places that are dark, shiny or cool to the finger, the deepest first: those are wet still",
    ),
    ReasonCode.TAKEN_BACK: Kind(Effect.WIDENS, "it was called ready at {when} and is not now: {why}", _NONE),
    ReasonCode.AIRFLOW_ASSUMED: Kind(Effect.WIDENS, "no air speed is measured for {rack}: {how}", _NONE),
    ReasonCode.STARTING_MODEL: Kind(
        Effect.WIDENS, "no weighed run of this coat yet: wide bounds from published ranges", _NONE
    ),
    ReasonCode.OUTSIDE_EXPERIENCE: Kind(Effect.WIDENS, "the air was outside what the model of {coat} has seen", _NONE),
    ReasonCode.BURIED_WATER: Kind(Effect.WIDENS, "{what}", _NONE),
    ReasonCode.REDIPPED_EARLY: Kind(
        Effect.WIDENS,
        "the coat below was {state} when this one was dipped ({known}): its water is carried on",
        _NONE,
    ),
}
"""In the order in which they are told."""

WIDENING = tuple(
    code for code, kind in REASONS.items() if kind.effect is Effect.WIDENS and code is not ReasonCode.TAKEN_BACK
)
"""Reasons that decide nothing: they widen the bounds and explain. That a call was taken back widens nothing: it is
news of the call before.
"""

ORDER = {code: index for index, code in enumerate(REASONS)}
_CODES = {code.value: code for code in REASONS}


def reason_of(finding: "Finding", now: datetime, zone: tzinfo) -> Reason:
    """The reason in words, moments as they are said at `now`."""
    kind = REASONS[finding.code]
    facts = {field.name: getattr(finding, field.name) for field in fields(finding)}
    told = {name: say(fact, now, zone) if isinstance(fact, datetime) else fact for name, fact in facts.items()}
    severity = getattr(finding, "severity", kind.severity)  # some know how far from safe this one was
    return Reason(finding.code, kind.text.format(**told), severity)


def effect_of(reason: Reason) -> Effect:
    """What a published reason does. One that an older record has and the table has not any more decides nothing."""
    code = _CODES.get(reason.code)
    return REASONS[code].effect if code is not None else Effect.WIDENS


def codes_of(reasons: Iterable[Reason], effect: Effect) -> list[ReasonCode]:
    """Codes of the published reasons that have this effect, in their order."""
    found = (_CODES.get(reason.code) for reason in reasons)
    return [code for code in found if code is not None and REASONS[code].effect is effect]


def holds_told(reasons: Iterable[Reason]) -> frozenset[ReasonCode]:
    """Codes among published reasons that hold a tree until a look."""
    return frozenset(codes_of(reasons, Effect.HOLD))


def decide(findings: "list[Finding]", last_coat: bool) -> State:
    """The state that the findings make: unknown before hold before drying; else complete after the last coat, else
    ready.
    """
    effect = min((REASONS[finding.code].effect for finding in findings), default=Effect.WIDENS)
    states = {Effect.UNKNOWN: State.UNKNOWN, Effect.HOLD: State.HOLD, Effect.DRYING: State.DRYING}
    return states.get(effect, State.COMPLETE if last_coat else State.READY)
