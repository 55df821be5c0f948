"""Wet bulbs: a million states in numpy against psychrolib's loop, side by side in one run; and the live form's cost.

    python benchmarks/moist_air.py

psychrolib is timed on 20,000 of the same states and scaled to a million (it works one state at a time, so
its time is proportional). The table also says by how much the two disagree on those states.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import psychrolib
from numpy.typing import NDArray

from drymon.drying import air, surface

STATES = 1_000_000
SAMPLE = 20_000
PRESSURE_PA = 101_325.0


def main() -> None:
    draw = np.random.default_rng(1)
    temperature, humidity = draw.uniform(5.0, 40.0, STATES), draw.uniform(20.0, 95.0, STATES)
    psychrolib.SetUnitSystem(psychrolib.SI)
    ours, ours_s = _timed(lambda: np.asarray(air.wet_bulb(temperature, humidity, PRESSURE_PA)))
    theirs, sample_s = _timed(lambda: _loop(temperature[:SAMPLE], humidity[:SAMPLE]))
    theirs_s = sample_s * STATES / SAMPLE
    apart = np.abs(ours[:SAMPLE] - theirs)[theirs > 0.05].max()
    print(f"{'wet bulbs, 5-40 degC, 20-95 %RH':<46}{'seconds':>10}{'ratio':>9}")
    print(f"{f'drymon (numpy), {STATES:,} states':<46}{ours_s:>10.3f}{1:>9.0f}")
    scaled = f"psychrolib, {SAMPLE:,} states, scaled to {STATES:,}"
    print(f"{scaled:<46}{theirs_s:>10.2f}{theirs_s / ours_s:>9.0f}")
    print(f"largest difference above 0 degC: {apart:.4f} K (psychrolib's bisection stops at 0.001 K)")
    _live_form()


def _live_form() -> None:
    """What each rack costs each minute: one state of air, and 256 air speeds; beside 256 full balances at once."""
    speeds = np.linspace(0.0, 4.0, 256)
    _, drive_s = _timed(lambda: np.array([surface.air_drive(22.0, 50.0, 101_325.0).deficit for _ in range(100)]))
    _, speeds_s = _timed(lambda: np.array([surface.transfer_coefficients(speeds)[0] for _ in range(100)]))
    _, full_s = _timed(lambda: surface.evaporation(22.0, 50.0, speeds).rate)
    print(f"{'a rack each minute':<46}{'microseconds':>14}")
    for words, seconds in (("drive", drive_s / 100), ("256 speeds", speeds_s / 100), ("256 full balances", full_s)):
        print(f"{words:<46}{1e6 * seconds:>14.0f}")


def _timed(work: Callable[[], NDArray[np.float64]]) -> tuple[NDArray[np.float64], float]:
    """The result and the best of three times, in seconds."""
    times = []
    for _ in range(3):
        start = time.perf_counter()
        result = work()
        times.append(time.perf_counter() - start)
    return result, min(times)


def _loop(temperature: NDArray[np.float64], humidity: NDArray[np.float64]) -> NDArray[np.float64]:
    states = zip(temperature.tolist(), (humidity / 100.0).tolist(), strict=True)
    return np.array([psychrolib.GetTWetBulbFromRelHum(t, rh, PRESSURE_PA) for t, rh in states])


if __name__ == "__main__":
    main()
