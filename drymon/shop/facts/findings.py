"""Reasons as they are found: one class for each code, its fields the facts that its text names.

Percentages are 0 to 100, rates per hour, waits in hours.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import ClassVar

from drymon.shop.facts.outcome import Severity
from drymon.shop.facts.reason_code import ReasonCode


@dataclass(frozen=True, slots=True)
class Finding:
    """A reason that was found for a tree."""

    code: ClassVar[ReasonCode]


@dataclass(frozen=True, slots=True)
class ClockUnknown(Finding):
    """No drying time is known."""

    code = ReasonCode.CLOCK_UNKNOWN


@dataclass(frozen=True, slots=True)
class CoatUnknown(Finding):
    """The set-up has no such coat."""

    code = ReasonCode.COAT_UNKNOWN
    coat: str


@dataclass(frozen=True, slots=True)
class WorkingOut(Finding):
    """A late fact is being folded in."""

    code = ReasonCode.WORKING_OUT


@dataclass(frozen=True, slots=True)
class AirUnknown(Finding):
    """`missing`: the quantities of the rack's air, in words; `limit`: minutes."""

    code = ReasonCode.AIR_UNKNOWN
    missing: str
    rack: str
    limit: float


@dataclass(frozen=True, slots=True)
class GradeSkipped(Finding):
    """`mesh`: `30x50`; sieve openings in um."""

    code = ReasonCode.GRADE_SKIPPED
    mesh: str
    finest_um: float
    before_um: float


@dataclass(frozen=True, slots=True)
class TooLong(Finding):
    """The coat has waited for longer than it may."""

    code = ReasonCode.TOO_LONG
    waited: float
    limit: float


@dataclass(frozen=True, slots=True)
class LostTooFast(Finding):
    """The coat has lost its water faster than it may. A sensor's value that leaps is another matter (`SensorState`)."""

    code = ReasonCode.LOST_TOO_FAST
    rate: float
    limit: float


@dataclass(frozen=True, slots=True)
class Swing(Finding):
    """The air's temperature moved by more than it may [K]."""

    code = ReasonCode.SWING
    swing: float
    limit: float


@dataclass(frozen=True, slots=True)
class WeightDisagrees(Finding):
    """`what`: how weight and air part, in words."""

    code = ReasonCode.WEIGHT_DISAGREES
    what: str


@dataclass(frozen=True, slots=True)
class Wet(Finding):
    """Water is left. The facts are for the text alone, and empty where only the state is asked for."""

    code = ReasonCode.WET
    gone: str = ""
    needed: float = 0.0
    expected: str = ""


@dataclass(frozen=True, slots=True)
class PocketWet(Wet):
    """Water is left in the pockets alone."""

    code = ReasonCode.POCKET_WET


@dataclass(frozen=True, slots=True)
class TooSoon(Finding):
    """The binder gels until then."""

    code = ReasonCode.TOO_SOON
    until: datetime


@dataclass(frozen=True, slots=True)
class WeightFalling(Finding):
    """`rate`: g per hour."""

    code = ReasonCode.WEIGHT_FALLING
    rate: float


@dataclass(frozen=True, slots=True)
class WeighingAwaited(Finding):
    """One more weighing has to find it dry."""

    code = ReasonCode.WEIGHING_AWAITED


@dataclass(frozen=True, slots=True)
class AirTooDamp(Finding):
    """Humidity as it is, and as it would do [%RH]."""

    code = ReasonCode.AIR_TOO_DAMP
    now: float
    would_do: float


@dataclass(frozen=True, slots=True)
class PocketUnlearned(Finding):
    """No tree of this shelter was weighed with this coat."""

    code = ReasonCode.POCKET_UNLEARNED
    shelter: str


@dataclass(frozen=True, slots=True)
class TailUnlearned(Finding):
    """No weighed run of this coat went on to its end."""

    code = ReasonCode.TAIL_UNLEARNED


@dataclass(frozen=True, slots=True)
class ModelDoubt(Finding):
    """`doubt`: what the fit said against the model."""

    code = ReasonCode.MODEL_DOUBT
    doubt: str


@dataclass(frozen=True, slots=True)
class TakenBack(Finding):
    """It was called ready `when`."""

    code = ReasonCode.TAKEN_BACK
    when: datetime
    why: str


@dataclass(frozen=True, slots=True)
class AirflowAssumed(Finding):
    """`how`: what stands in the place of a measured air speed, in words."""

    code = ReasonCode.AIRFLOW_ASSUMED
    rack: str
    how: str


@dataclass(frozen=True, slots=True)
class StartingModel(Finding):
    """No weighed run of this coat."""

    code = ReasonCode.STARTING_MODEL


@dataclass(frozen=True, slots=True)
class OutsideExperience(Finding):
    """The model of this coat has seen no such air."""

    code = ReasonCode.OUTSIDE_EXPERIENCE
    coat: str


@dataclass(frozen=True, slots=True)
class BuriedWater(Finding):
    """`what`: what is known of the water below, in words."""

    code = ReasonCode.BURIED_WATER
    what: str


@dataclass(frozen=True, slots=True)
class RedippedEarly(Finding):
    """The coat below as the dip found it, in words; `severity`: how far from safe that was."""

    code = ReasonCode.REDIPPED_EARLY
    state: str
    known: str
    severity: Severity
