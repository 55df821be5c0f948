"""What a finger says of a drying tree: censored observations of when its faces, or its pockets, were dry."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from drymon.drying.touch import felt_dry
from drymon.learning.forward import Courses, Fleet, Marks, hours_of

Array = npt.NDArray[np.float64]

SLIP = 0.1
"""Chance that a finger says the other thing, however wet or dry it is (assumed)."""

TARGET_LEFT = 0.05
"""Share of the water left in a coat that is dry (room.toml's default)."""


class Touches:
    """All that was felt of the runs of a fleet."""

    def __init__(self, fleet: Fleet) -> None:
        found = [(index, touch) for index, run in enumerate(fleet.runs) for touch in run.touches if run.felt]
        self.run = np.array([index for index, _ in found], dtype=np.int64)
        depth = np.array([touch.pocket for _, touch in found], dtype=np.int64) * (fleet.zones[self.run] - 1)
        self._row = fleet.first[self.run] + depth
        self._dry = np.array([touch.dry for _, touch in found], dtype=bool)
        grids = {i: 3600.0 * hours_of(fleet, i) for i in set(self.run.tolist())}
        self._marks = [
            Marks.of(np.maximum.accumulate(grids[i] + 1e-6 * np.arange(len(grids[i]))), np.array([touch.time_s]))
            for i, touch in found
        ]

    def __len__(self) -> int:
        return len(self.run)

    def residuals(self, course: Courses) -> Array:
        """sqrt(-2 log chance) of every touch, (touches, trials): squared and added up it is their likelihood."""
        left = np.stack([marks.at(course.left[:, row])[0] for marks, row in zip(self._marks, self._row, strict=True)])
        dry = felt_dry(left, TARGET_LEFT)
        chance = SLIP + (1.0 - 2.0 * SLIP) * np.where(self._dry[:, None], dry, 1.0 - dry)
        return np.sqrt(-2.0 * np.log(chance))
