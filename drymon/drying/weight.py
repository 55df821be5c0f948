"""A load cell's readings, folded one by one into a trustworthy mass: knocks out, dips found, gaps survived.

The filter is a local-linear-trend Kalman filter on (mass, rate) with white-noise acceleration (Bar-Shalom, Li &
Kirubarajan 2001, "Estimation with Applications to Tracking and Navigation", section 6.2.2), gated and with its reading
noise learnt from bounded innovations, so that a fan's buffeting widens it instead of deceiving it. A reading outside
the gate waits: if the mass comes back it was a knock, a lift or a drop-out; if it stays, the median of what waited
tells the size of the step. Evaporation is slow and never adds mass, so a lasting step is never drying:

- up by more than `CellLimits.dip_kg` against the hanging tree: a dip, proposed to whoever asks, not assumed;
- down by as much at once: another tree, or a piece is gone; told, and the mass goes on where it was;
- away altogether: the tree was lifted, its last mass is remembered and compared with what is hung back;
- smaller, either way: the zero moved (a draught, a touched cable); the mass goes on where it was.

A coarse cell shows the same digits for minutes and then the next ones: its step is learnt, and is no jump.

Drift slower than the gate cannot be seen by any filter; `weight_evidence` carries it as a random walk. Masses in kg,
times in s (any common origin), rates in kg/s. Pure and cheap: about 10 microseconds a reading.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import median
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

StepKind = Literal["dip", "fall", "lifted", "hung", "shift"]


@dataclass(frozen=True, slots=True)
class CellLimits:
    """What is taken for granted of a load cell and of trees; common practice (no source) unless said otherwise.

    noise_kg: first guess of one reading's standard deviation; dip_kg: a lasting rise of more is a dip, a sudden fall of
    more no drying; settle_s, settle_readings: how long, and in how many readings, a step must last to be believed;
    gate: rejection at so many
    standard deviations; gap_s: silence after which the trend is forgotten.
    """

    noise_kg: float = 0.002
    dip_kg: float = 0.02
    settle_s: float = 60.0
    settle_readings: int = 4
    gate: float = 4.5
    gap_s: float = 1800.0
    smallest_noise_kg: float = 0.0002
    lifted_share: float = 0.4


@dataclass(frozen=True, slots=True)
class MassStep:
    """A lasting jump: when its first reading came (s), by how much the hanging mass changed (kg), and what it looks
    like.
    """

    time_s: float
    size_kg: float
    kind: StepKind


@dataclass(frozen=True, slots=True)
class WeightSignal:
    """The state of one cell after a reading.

    mass, rate: smoothed mass (kg, without zero shifts) and its change (kg/s), with variances and covariance; noise:
    standard deviation of one reading, learnt; shift: sum of the zero's jumps, to be subtracted from raw readings;
    step: the jump found with this very reading, else None; waiting: readings outside the gate, not yet explained;
    hung: mass of the tree before it was lifted, None while it hangs; taken, rejected: readings used and thrown away;
    raw: the reading itself, kg; digit: the smallest step that raw readings have made, infinite before the first.
    """

    time_s: float
    mass: float
    rate: float = 0.0
    variance: float = 0.0
    covariance: float = 0.0
    rate_variance: float = 0.0
    noise: float = 0.002
    shift: float = 0.0
    step: MassStep | None = None
    waiting: tuple[tuple[float, float], ...] = ()
    hung: float | None = None
    taken: int = 1
    rejected: int = 0
    raw: float = math.nan
    digit: float = math.inf

    @property
    def mass_sd(self) -> float:
        """Standard deviation of `mass`, kg: scatter only, without the zero's slow drift."""
        return math.sqrt(self.variance)

    @property
    def hangs(self) -> bool:
        """The tree is on the cell."""
        return self.hung is None


UNTOLD_S = 2700.0
"""A lasting step so long after what was told is another event's: no coat is redipped sooner, and by then slurry has
dripped off and sand been shaken off (assumed).
"""

_RATE_SD = 3.0e-5  # kg/s, about 0.1 kg/h: fastest loss of a usual tree, the first guess's width
ACCELERATION = 1.0e-15  # kg2/s3, spectral density: a rate may change by 7 g/h within an hour
_RATE_MEMORY_S = 1.0e5  # and by a fifth of itself
_LEARN, _USUAL_S, _SPARSE = 0.04, 15.0, 3.0  # of the noise by each reading; sparse readings teach more each
_MOST_WAITING, _LEAST_APART = 40, 1 / 30  # of the time that a step must last: together they outlast it at any rate
_WARM_UP = 5
_SAME_KG = 1e-6  # raw readings nearer than this are the same digits


def step(signal: WeightSignal | None, time_s: float, mass_kg: float, cell: CellLimits = CellLimits()) -> WeightSignal:
    """Fold one raw reading into the signal; None begins one. NaN and readings out of order are ignored."""
    if signal is None:
        return _begin(time_s, mass_kg, cell)
    if not math.isfinite(mass_kg) or time_s <= signal.time_s:
        return replace(signal, step=None, rejected=signal.rejected + 1)
    signal = _finer(signal, mass_kg, cell)
    if time_s - signal.time_s > cell.gap_s:
        return _after_gap(signal, time_s, mass_kg, cell)
    ahead = _predict(signal, time_s)
    surprise = mass_kg - ahead.shift - ahead.mass
    if _fits(ahead, surprise, cell):
        return _update(ahead, surprise, cell, time_s - signal.time_s)
    return _wait(ahead, time_s, mass_kg, cell)


def _finer(signal: WeightSignal, mass_kg: float, cell: CellLimits) -> WeightSignal:
    """The signal with its digits' step, and a reading's noise no less than they leave open."""
    change = abs(mass_kg - signal.raw)
    digit = min(signal.digit, change) if change > _SAME_KG else signal.digit
    finer = replace(signal, raw=mass_kg, digit=digit)
    return replace(finer, noise=max(signal.noise, rounding(finer, cell)))


def digit_step(signal: WeightSignal, cell: CellLimits = CellLimits()) -> float:
    """The step of the cell's digits, kg; 0 where none was seen yet that is smaller than a dip's."""
    return signal.digit if signal.digit <= cell.dip_kg else 0.0


def rounding(signal: WeightSignal, cell: CellLimits = CellLimits()) -> float:
    """Standard deviation, kg, of what the cell's digits leave open (a uniform error: step / sqrt(12))."""
    return digit_step(signal, cell) / math.sqrt(12.0)


def _fits(ahead: WeightSignal, surprise: float, cell: CellLimits) -> bool:
    """Inside the gate; while others wait on the same side the gate is half as wide, so that a step of a few
    standard deviations is not swallowed reading by reading.
    """
    spread = math.sqrt(ahead.variance + ahead.noise**2)
    gate = cell.gate
    if ahead.waiting and (ahead.waiting[-1][1] - ahead.shift - ahead.mass) * surprise > 0:
        gate *= 0.5
    near = max(gate * spread, digit_step(ahead, cell) + gate * ahead.mass_sd)
    return abs(surprise) <= near and surprise < max(cell.dip_kg, cell.gate * ahead.noise)


def _begin(time_s: float, mass_kg: float, cell: CellLimits) -> WeightSignal:
    if not math.isfinite(mass_kg):
        raise ValueError(f"first reading of a cell: received {mass_kg} kg, a finite mass is needed; skip it")
    return WeightSignal(time_s, mass_kg, 0.0, cell.noise_kg**2, 0.0, _RATE_SD**2, cell.noise_kg, raw=mass_kg)


def _predict(signal: WeightSignal, time_s: float) -> WeightSignal:
    """Carry mass and rate forward (Bar-Shalom et al. eq. 6.2.2-4 with process noise 6.2.2-12)."""
    dt = time_s - signal.time_s
    q = ACCELERATION + signal.rate**2 / _RATE_MEMORY_S
    return replace(
        signal,
        time_s=time_s,
        step=None,
        mass=signal.mass + signal.rate * dt,
        variance=signal.variance + dt * (2 * signal.covariance + dt * (signal.rate_variance + q * dt / 3)),
        covariance=signal.covariance + dt * (signal.rate_variance + q * dt / 2),
        rate_variance=min(signal.rate_variance + q * dt, _RATE_SD**2 + signal.rate**2),
    )


def _update(ahead: WeightSignal, surprise: float, cell: CellLimits, since_s: float = 0.0) -> WeightSignal:
    """Kalman update with the innovation; the reading noise learnt from it, bounded, so that no knock inflates it."""
    total = ahead.variance + ahead.noise**2
    gain, rate_gain = ahead.variance / total, ahead.covariance / total
    ratio = min(surprise**2 / total, 9.0)
    learn = _LEARN * min(max(since_s / _USUAL_S, 1.0), _SPARSE)
    least = max(cell.smallest_noise_kg, rounding(ahead, cell))
    noise = max(ahead.noise * math.sqrt(1.0 + learn * (ratio - 1.0)), least)
    return replace(
        ahead,
        mass=ahead.mass + gain * surprise,
        rate=ahead.rate + rate_gain * surprise,
        variance=(1 - gain) * ahead.variance,
        covariance=(1 - gain) * ahead.covariance,
        rate_variance=ahead.rate_variance - rate_gain * ahead.covariance,
        noise=noise,
        waiting=(),
        taken=ahead.taken + 1,
        rejected=ahead.rejected + len(ahead.waiting),
    )


def _wait(ahead: WeightSignal, time_s: float, mass_kg: float, cell: CellLimits) -> WeightSignal:
    """Keep a reading that does not fit until it is plain whether the mass has moved for good."""
    waiting = _waiting(ahead.waiting, (time_s, mass_kg), cell)
    held = replace(ahead, waiting=waiting)
    recent = [mass for when, mass in waiting if time_s - when <= cell.settle_s]
    if time_s - waiting[0][0] < cell.settle_s or len(waiting) < cell.settle_readings:
        return held
    if len(recent) < cell.settle_readings:  # sparse readings: the last few have to do
        recent = [mass for _, mass in waiting[-cell.settle_readings :]]
    level = median(recent)
    spread = 1.4826 * median(abs(mass - level) for mass in recent)
    if spread > max(cell.gate * ahead.noise, cell.dip_kg / 2) and abs(level - ahead.shift - ahead.mass) > 3 * spread:
        return held  # still swinging
    return _settle(held, level, max(spread, cell.smallest_noise_kg), cell)


def _waiting(
    before: tuple[tuple[float, float], ...], reading: tuple[float, float], cell: CellLimits
) -> tuple[tuple[float, float], ...]:
    """With a new reading. One that comes sooner than they need to be apart takes the newest one's place: else a cell
    that speaks every second would fill its places before any step has lasted, and wait for ever.
    """
    close = len(before) > 1 and before[-1][0] - before[-2][0] < _LEAST_APART * cell.settle_s
    return (*(before[:-1] if close else before), reading)[-_MOST_WAITING:]


def _after_gap(signal: WeightSignal, time_s: float, mass_kg: float, cell: CellLimits) -> WeightSignal:
    """After a silence the trend is forgotten, not the mass.

    Less mass is drying, more mass waits as a possible dip.
    """
    away = time_s - signal.time_s
    back = replace(
        signal,
        time_s=time_s,
        step=None,
        rate=0.0,
        waiting=(),
        covariance=0.0,
        rate_variance=_RATE_SD**2,
        variance=signal.variance + (min(away, 8 * 3600.0) * max(abs(signal.rate), _RATE_SD / 3)) ** 2,
    )
    surprise = mass_kg - back.shift - back.mass
    if not signal.hangs or surprise >= cell.dip_kg or surprise < -cell.lifted_share * abs(back.mass):
        return _wait(back, time_s, mass_kg, cell)
    return _update(back, surprise, cell)


def _settle(held: WeightSignal, level: float, spread: float, cell: CellLimits) -> WeightSignal:
    """Name the lasting jump and go on from its level."""
    since = held.waiting[0][0]
    size = level - held.shift - held.mass
    rough = max(held.noise, min(spread, cell.dip_kg))
    fresh = replace(held, waiting=(), taken=held.taken + 1, noise=min(rough, 3.0 * held.noise))
    if held.taken <= _WARM_UP:
        return replace(_begin(held.time_s, level, cell), noise=rough, raw=held.raw, digit=held.digit)
    if held.hung is not None:
        return _hang(fresh, since, level, rough, cell)
    if size < -max(cell.lifted_share * abs(held.mass), cell.dip_kg):
        lifted = _restart(fresh, level - held.shift, rough)
        return replace(lifted, hung=held.mass, step=MassStep(since, size, "lifted"))
    if size >= cell.dip_kg:
        return replace(_restart(fresh, level - held.shift, rough), step=MassStep(since, size, "dip"))
    if abs(size) <= 3 * spread:  # rougher, not heavier: buffeting has begun
        return _update(replace(fresh, noise=rough), size, cell)
    kind: StepKind = "fall" if size <= -cell.dip_kg else "shift"
    return replace(fresh, shift=held.shift + size, variance=held.variance + spread**2, step=MassStep(since, size, kind))


def _hang(fresh: WeightSignal, since: float, level: float, rough: float, cell: CellLimits) -> WeightSignal:
    """Something hangs again after a lift: the tree as it was, a dipped one, a lighter one, or still nothing."""
    assert fresh.hung is not None
    mass = level - fresh.shift
    if mass < (1 - cell.lifted_share) * fresh.hung:
        return _restart(fresh, mass, rough)
    change = mass - fresh.hung
    kind: StepKind = "dip" if change >= cell.dip_kg else "fall" if change <= -cell.dip_kg else "hung"
    return replace(_restart(fresh, mass, rough), hung=None, step=MassStep(since, change, kind))


def _restart(signal: WeightSignal, mass: float, rough: float) -> WeightSignal:
    """From a new level on, known as well as it has settled. A dip that drips and swings says nothing of the cell's own
    noise, which stays as it was learnt.
    """
    return replace(signal, mass=mass, rate=0.0, variance=rough**2, covariance=0.0, rate_variance=_RATE_SD**2)


FEWEST_FOR_LINE, FEWEST_FOR_SCATTER = 4, 10
SMALLEST_SD_KG = 1e-4


def on_line(times_s: Array, masses_kg: Array, at_s: float, noise_kg: float) -> tuple[float, float]:
    """Mass at `at_s` on the straight line through accepted readings about it (least squares), with its standard
    deviation, kg; of fewer than `FEWEST_FOR_LINE` the reading nearest to it.

    The filter sorts out knocks and steps, but believes in slow changes: it would lag behind a tree in its first half
    hour. times_s, masses_kg: (readings,), at least one; noise_kg: standard deviation of one reading, where they are too
    few to show theirs (median absolute deviation from the line).
    """
    if len(times_s) < FEWEST_FOR_LINE:
        return float(masses_kg[np.argmin(np.abs(times_s - at_s))]), max(noise_kg, SMALLEST_SD_KG)
    design = np.column_stack([np.ones_like(times_s), times_s - at_s])
    inverse = np.linalg.inv(design.T @ design)
    line = inverse @ (design.T @ masses_kg)
    scatter = 1.4826 * median(np.abs(masses_kg - design @ line).tolist())
    if len(times_s) < FEWEST_FOR_SCATTER:
        scatter = max(scatter, noise_kg)
    return float(line[0]), max(scatter, SMALLEST_SD_KG) * float(np.sqrt(inverse[0, 0]))
