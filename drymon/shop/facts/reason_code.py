"""The codes by which a verdict's reasons are published and recorded."""

from enum import StrEnum


class ReasonCode(StrEnum):
    """The value is what topics and records say; `verdict/reasons.py` says what each does, and its text."""

    CLOCK_UNKNOWN = "clock-unknown"
    COAT_UNKNOWN = "coat-unknown"
    WORKING_OUT = "working-out"
    AIR_UNKNOWN = "air-unknown"
    GRADE_SKIPPED = "grade-skipped"
    TOO_LONG = "too-long"
    LOST_TOO_FAST = "too-fast"
    SWING = "swing"
    WEIGHT_DISAGREES = "weight-disagrees"
    WET = "wet"
    POCKET_WET = "pocket-wet"
    TOO_SOON = "too-soon"
    WEIGHT_FALLING = "weight-falling"
    WEIGHING_AWAITED = "weighing-awaited"
    AIR_TOO_DAMP = "air-too-damp"
    POCKET_UNLEARNED = "pocket-unlearned"
    TAIL_UNLEARNED = "tail-unlearned"
    MODEL_DOUBT = "model-doubt"
    TAKEN_BACK = "taken-back"
    AIRFLOW_ASSUMED = "airflow-assumed"
    STARTING_MODEL = "starting-model"
    OUTSIDE_EXPERIENCE = "outside-experience"
    BURIED_WATER = "buried-water"
    REDIPPED_EARLY = "redipped-early"
