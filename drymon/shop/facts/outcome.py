"""What drymon says: verdicts on trees, the state of racks, alerts. Plain data; the wire form is made in `messages`."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Literal

from drymon.drying.quantities import RECORDED, Recorded
from drymon.shop.facts.sensor_state import SensorState


class State(StrEnum):
    """A tree's state. READY is the only one that is safe to redip."""

    DRYING = "drying"
    READY = "ready"
    HOLD = "hold"
    UNKNOWN = "unknown"
    COMPLETE = "complete"


Severity = Literal["notice", "warning", "danger"]
SEVERITIES: tuple[Severity, ...] = ("notice", "warning", "danger")
"""From mild to grave."""


def gravest(severities: Iterable[Severity]) -> Severity:
    """The gravest of some; a notice where there is none."""
    return max(severities, key=SEVERITIES.index, default="notice")


@dataclass(frozen=True, slots=True)
class Reason:
    """Why: a code and its text for people. code: a `ReasonCode`, or what an older record has in its place.

    severity: how far from safe what it tells of is, where an alarm goes by it; not published.
    """

    code: str
    text: str
    severity: Severity | None = None


@dataclass(frozen=True, slots=True)
class Bounds:
    """Share of the removable water gone from the slowest part: 5 % bound, best, 95 % bound (0 to 1)."""

    low: float
    best: float
    high: float


@dataclass(frozen=True, slots=True)
class When:
    """A moment with its 5 % and 95 % bounds; None: not within the forecast's 14 days, or not to be told."""

    early: datetime | None
    best: datetime | None
    late: datetime | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What drymon says of a tree at `time`; to be read as unknown after `valid_until`.

    dry_at: when it is both dry and gelled. last_coat: nothing is dipped after it; for the rack, not published. advice:
    what to do, in one line; "" in records from before there was any.
    """

    time: datetime
    valid_until: datetime
    tree: str
    rack: str
    coat: str
    number: int
    dipped_at: datetime
    state: State
    dryness: Bounds | None
    dry_at: When
    redip_by: datetime | None
    reasons: tuple[Reason, ...]
    shelter: str = "pocketed"
    recipe: str = ""
    next_coat: str | None = None
    last_coat: bool = False
    label: str = ""
    advice: str = ""

    @property
    def called(self) -> str:
        """What people call the tree: its label, else its name."""
        return self.label or self.tree

    @property
    def safe_to_redip(self) -> bool:
        """True for READY alone."""
        return self.state is State.READY


@dataclass(frozen=True, slots=True)
class AirNow:
    """A rack's air as evidence stands: None where nothing fresh and trusted is known."""

    temperature_c: float | None = None
    humidity_pct: float | None = None
    airflow_m_per_s: float | None = None
    pressure_pa: float | None = None
    airflow_assumed: bool = False
    co2_ppm: float | None = None


def recorded_in(air: AirNow) -> list[tuple[Recorded, float]]:
    """What is known of the air beyond what verdicts rest on."""
    found = ((row, getattr(air, row.key)) for row in RECORDED.values())
    return [(row, value) for row, value in found if value is not None]


@dataclass(frozen=True, slots=True)
class RackStatus:
    """A rack: ready when at least one tree awaits a dip and every tree that does is ready."""

    time: datetime
    valid_until: datetime
    rack: str
    ready: bool
    ready_at: When | None
    waiting_for: str | None
    trees: Mapping[str, State]
    air: AirNow


@dataclass(frozen=True, slots=True)
class PlannedDip:
    """A coming dip. at: when the plan has it. allowed: when it may be done: likely, as planned with `ASSURANCE`, and if
    all dries a good deal slower. until: by when it must be done. note: what to mind, in a sentence, or "". dry: when
    the coat is dry that is dipped `at`: likely and surely.
    """

    tree: str
    coat: str
    number: int
    rack: str
    at: datetime
    allowed: When
    until: datetime | None = None
    note: str = ""
    label: str = ""
    dry: When | None = None

    @property
    def called(self) -> str:
        """What people call the tree: its label, else its name."""
        return self.label or self.tree


@dataclass(frozen=True, slots=True)
class PlanAir:
    """The air at a rack by which a plan was made: degC, %RH, m/s (None: not measured), Pa. assumed: the range of air
    speeds that stands for one that is not measured, m/s.
    """

    temperature_c: float
    humidity_pct: float
    airflow: float | None
    assumed: tuple[float, float]
    pressure_pa: float


@dataclass(frozen=True, slots=True)
class DayPlan:
    """What to dip now, next (until people go home, today or when they come next, within a day) and later, each by
    time. finishes: when each tree's last coat is dry. air: by which air at each rack, of those where it is known.
    """

    time: datetime
    valid_until: datetime
    now: tuple[PlannedDip, ...]
    next: tuple[PlannedDip, ...]
    later: tuple[PlannedDip, ...]
    finishes: Mapping[str, When]
    air: Mapping[str, PlanAir] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TreeGone:
    """The tree left (or its only dip was undone): its topic is to be cleared."""

    time: datetime
    tree: str


@dataclass(frozen=True, slots=True)
class Alert:
    """A change of an alarm or notice. `id` is the same for its raised and its cleared message."""

    time: datetime
    id: str
    kind: str
    subject: str
    severity: Severity
    state: Literal["raised", "cleared"]
    text: str


Outcome = Verdict | RackStatus | DayPlan | TreeGone | Alert


@dataclass(frozen=True, slots=True)
class SensorStatus:
    """A sensor's last word, and what may be thought of it.

    moved: how many points drier a humidity sensor that drifted or disagrees reads than it should by the others.
    """

    place: str
    quantity: str
    sensor: str
    time: datetime
    value: float
    unit: str
    state: SensorState
    moved: float = 0.0


class DoubtKind(StrEnum):
    """What is doubted; the value names the alarm that tells of it."""

    CELL = "cell-doubt"
    MODEL = "model-doubt"


@dataclass(frozen=True, slots=True)
class Doubt:
    """A load cell (subject: the cell) or a coat's model (subject: the coat) whose word is doubted now, and why."""

    kind: DoubtKind
    subject: str
    text: str


@dataclass(frozen=True, slots=True)
class Standing:
    """Everything that holds at `time`: what status, page and alarms look at. on_cells: the tree on each cell that has
    gone silent.
    """

    time: datetime
    trees: Mapping[str, Verdict]
    racks: Mapping[str, RackStatus]
    sensors: tuple[SensorStatus, ...]
    doubts: tuple[Doubt, ...]
    clock_known: bool
    on_cells: Mapping[str, str]
