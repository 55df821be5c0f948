"""What one trial room's examination gave."""

from dataclasses import dataclass, field

from benchmarks.accuracy.score import Row


@dataclass
class Result:
    """One trial room's marks for one number of weighed runs."""

    world: str
    air: str
    seed: int
    runs: int
    rows: list[Row]
    baselines: dict[str, list[float]]
    fit_s: float
    replay_s: float
    notes: list[str] = field(default_factory=list)
