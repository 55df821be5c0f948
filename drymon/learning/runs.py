"""Weighings of one tree between a dip and the next, made into a run: smoothed, bounded, judged."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drymon.drying import sorption, surface, weight
from drymon.drying.weight_evidence import bench_sds, bench_step
from drymon.learning.run import Run, RunAir, Touch

Array = npt.NDArray[np.float64]

EVERY_S = 120.0
"""A cell's smoothed mass is taken this often."""

ABOUT_S = 180.0
"""It is read off a line through the readings of so long before and after."""

FEWEST_TAKEN = 3
"""The first readings of a cell teach its filter and count for nothing."""

FEWEST_WEIGHINGS = 4
SHORTEST_H = 0.4
LEAST_KNOWN_AIR = 0.8
"""Share of the time that must be covered by readings: a room changes little in half an hour (assumed)."""
LEAST_SIGNAL = 8.0
"""Loss over the error of a weighing below which a run tells nothing."""

LEAST_STEPS = 10.0
"""Steps of the scale's digits that a run must lose to teach: within one step its curve can be any (assumed)."""

MOST_GAIN = 0.25
"""Share of the loss that a bench weighing may exceed the one before by: more is another tree or
another scale.
"""

DRIP_FADES_S, DRIP_SHARE = 150.0, 0.05
"""Slurry drips for minutes after the dip: weighings then are off by a share of the water, and that fades with this
time (assumed).
"""


@dataclass(frozen=True, slots=True)
class Weighed:
    """Weighings (n,) each: s since the dip, kg, standard deviation in kg; whether by a cell; what was noticed; why they
    cannot teach, "" where they can; the step of the scale's digits, 0 where it is not known.
    """

    times_s: Array
    masses_kg: Array
    sds_kg: Array
    on_cell: bool
    notes: tuple[str, ...] = ()
    problem: str = ""
    digit_kg: float = 0.0


def from_bench(weighings: Sequence[tuple[float, float]]) -> Weighed:
    """Hand weighings (s since the dip, kg), each with a bench scale's error."""
    times, masses = _columns(sorted(weighings))
    notes: tuple[str, ...] = ()
    slip = _slip(masses)
    if slip is not None:
        notes = (f"the weighing of {masses[slip]:.3f} kg fits neither of its neighbours and was left out",)
        times, masses = np.delete(times, slip), np.delete(masses, slip)
    sds = _dripping(times, masses, bench_sds(masses))
    return Weighed(times, masses, sds, False, notes, digit_kg=bench_step(masses))


def _slip(masses: Array) -> int | None:
    """Place of the one weighing without which no mass rises as no drying tree's does: a slip of the pen or of the hand.
    None where nothing rises, where that is not cured so, or where too few others are left.
    """
    if len(masses) <= FEWEST_WEIGHINGS or not _rises(masses):
        return None
    cured = [place for place in range(1, len(masses)) if not _rises(np.delete(masses, place))]
    return cured[0] if len(cured) == 1 else None


def _rises(masses: Array) -> bool:
    """Whether a mass rises by more than `MOST_GAIN` of what is lost in all."""
    loss = float(masses[0] - masses.min())
    return bool(np.diff(masses).max() > MOST_GAIN * loss)


def dip_before(readings: Iterable[tuple[float, float]]) -> float | None:
    """When a load cell saw a dip (s since the one that was told), of raw readings before that one; None if it saw none.

    Such a dip was told late, and without its time: the run has lost its beginning.
    """
    signal: weight.WeightSignal | None = None
    for time_s, mass in readings:
        if signal is not None or np.isfinite(mass):
            signal = weight.step(signal, time_s, mass)
        if signal is not None and signal.step is not None and signal.step.kind == "dip":
            return signal.step.time_s
    return None


def from_cell(readings: Iterable[tuple[float, float]]) -> Weighed:
    """A load cell's raw readings (s since the dip, kg): filtered, taken every `EVERY_S` while the tree hangs.

    Ends where the cell sees a dip that nobody logged, or another tree; the first minutes of lifting and hanging count
    for nothing.
    """
    signal: weight.WeightSignal | None = None
    accepted: list[tuple[float, float]] = []
    noise = weight.SMALLEST_SD_KG
    notes: list[str] = []
    for time_s, mass in readings:
        if signal is None and not np.isfinite(mass):
            continue
        before, signal = signal, weight.step(signal, time_s, mass)
        if before is not None and signal.taken < before.taken:
            accepted = []  # it has begun anew: what it had read was an empty hook
        if signal.step is not None and signal.step.kind == "dip" and accepted and signal.step.time_s > 600.0:
            notes.append(f"the cell saw a dip {signal.step.time_s / 3600:.1f} h after this one that nobody logged")
            break
        if signal.step is not None and signal.step.kind == "fall" and signal.step.time_s > weight.UNTOLD_S:
            notes.append(f"the weight fell all at once {signal.step.time_s / 3600:.1f} h after the dip: another tree?")
            break
        if signal.step is not None and signal.step.kind in ("dip", "fall", "hung") and signal.step.time_s <= 600.0:
            accepted = []  # only now the dipped tree hangs
        if before is not None and signal.taken > before.taken and signal.step is None and _trusted(signal):
            accepted.append((time_s, mass - signal.shift))
            noise = signal.noise
    if signal is not None and signal.rejected > 0.2 * (signal.taken + signal.rejected):
        notes.append("the cell's readings were often disturbed")
    times, masses, sds = _smoothed(*_columns(accepted), noise)
    rounding, step = (weight.rounding(signal), weight.digit_step(signal)) if signal is not None else (0.0, 0.0)
    sds = _dripping(
        times, masses, np.hypot(sds, rounding)
    )  # readings between two steps of the digits share their error
    return Weighed(times, masses, sds, True, tuple(notes), digit_kg=step)


def _trusted(signal: weight.WeightSignal) -> bool:
    return signal.hangs and not signal.waiting and signal.taken > FEWEST_TAKEN


def _smoothed(times: Array, masses: Array, noise: float) -> tuple[Array, Array, Array]:
    """Times every `EVERY_S`, the mass there on the line through the readings about them, its standard deviation."""
    rows = []
    due = -np.inf
    for time_s in times:
        if time_s < due:
            continue
        near = slice(*np.searchsorted(times, [time_s - ABOUT_S, time_s + ABOUT_S]))
        rows.append((float(time_s), *weight.on_line(times[near], masses[near], float(time_s), noise)))
        due = time_s + EVERY_S
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


def _columns(rows: Sequence[tuple[float, float]]) -> tuple[Array, Array]:
    table = np.array(rows, dtype=np.float64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _dripping(times: Array, masses: Array, sds: Array) -> Array:
    if not len(masses):
        return sds
    drip = DRIP_SHARE * float(np.ptp(masses)) * np.exp(-times / DRIP_FADES_S)
    return np.asarray(np.hypot(sds, drip))


def problem_of(weighed: Weighed, air: RunAir | None, coat_known: bool) -> str:
    """Why a run cannot teach, "" if it can."""
    count = len(weighed.times_s)
    if not coat_known:
        return "its coat is not in room.toml"
    if weighed.problem:
        return weighed.problem
    if count < FEWEST_WEIGHINGS:
        return f"{count} {'weighing' if count == 1 else 'weighings'}; at least {FEWEST_WEIGHINGS} are needed"
    hours = float(np.ptp(weighed.times_s)) / 3600.0
    if hours < SHORTEST_H:
        return f"weighed over {60 * hours:.0f} min only; at least {60 * SHORTEST_H:.0f} min are needed"
    loss = float(weighed.masses_kg[0] - weighed.masses_kg.min())
    if loss < LEAST_SIGNAL * float(np.median(weighed.sds_kg)):
        return f"lost {1000 * loss:.0f} g, within the error of the scale"
    if loss < LEAST_STEPS * weighed.digit_kg:
        coarse = f"on a scale that shows steps of {1000 * weighed.digit_kg:.3g} g"
        return f"lost {1000 * loss:.0f} g {coarse}: at least {LEAST_STEPS:.0f} steps are needed"
    if _rises(weighed.masses_kg):
        return "the mass rose too much between two weighings: another tree, or something hung on"
    if air is None:
        return "no temperature or humidity was measured"
    if air.known_share < LEAST_KNOWN_AIR:
        return f"the air is known for {100 * air.known_share:.0f} % of the time only"
    return ""


def make_run(  # noqa: PLR0913, by keyword: one for each field of a run
    *,
    id: str,
    tree: str,
    coat: str,
    number: int,
    shelter: str,
    rack: str,
    start_s: float,
    weighed: Weighed,
    air: RunAir | None,
    coat_known: bool = True,
    left_out: str = "",
    notes: Iterable[str] = (),
    held_below: float = 0.0,
    touches: Sequence[Touch] = (),
) -> Run:
    """Put a run together and judge it."""
    return Run(
        id=id,
        tree=tree,
        coat=coat,
        number=number,
        shelter=shelter,
        rack=rack,
        start_s=start_s,
        times_s=weighed.times_s,
        masses_kg=weighed.masses_kg,
        sds_kg=weighed.sds_kg,
        air=air,
        on_cell=weighed.on_cell,
        problem=problem_of(weighed, air, coat_known),
        left_out=left_out,
        notes=(*notes, *weighed.notes),
        held_below=held_below,
        touches=tuple(touches),
    )


def air_by_minute(
    temperature_c: Array,
    humidity_pct: Array,
    speed: Array,
    pressure_pa: Array,
    assumed_speed: Array,
) -> RunAir | None:
    """Air of consecutive minutes from a dip on, NaN where nothing fresh was measured; None if nothing ever was.

    temperature_c, humidity_pct, speed (m/s), pressure_pa, assumed_speed (m/s, where none is measured): (minutes,).
    Gaps take the last known air, or the first.
    """
    known = np.isfinite(temperature_c) & np.isfinite(humidity_pct)
    if not known.any():
        return None
    warm, damp, pressure = (_filled(values) for values in (temperature_c, humidity_pct, pressure_pa))
    wind = np.clip(np.where(np.isfinite(speed), speed, assumed_speed), *surface.SPEED_RANGE_M_PER_S)
    drive = surface.air_drive(warm, damp, pressure)
    h, h_m = surface.transfer_coefficients(wind, warm, pressure)
    radiation = surface.radiative_coefficient(warm)
    return RunAir(
        edges_s=np.arange(len(warm) + 1, dtype=np.float64) * 60.0,
        deficit=np.asarray(drive.deficit),
        saturation=np.asarray(drive.saturation),
        excess=sorption.excess(drive.humidity_pct),
        resistance=np.asarray(surface.air_side_resistance(drive.slope_heat, h, h_m, radiation)),
        temperature_c=warm,
        humidity_pct=damp,
        speed=wind,
        known=known,
    )


def _filled(values: Array) -> Array:
    """The last known value in gaps, the first known one before it."""
    good = np.flatnonzero(np.isfinite(values))
    return np.asarray(values[good[np.maximum(np.searchsorted(good, np.arange(len(values)), "right") - 1, 0)]])
