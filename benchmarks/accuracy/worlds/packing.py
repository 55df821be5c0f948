"""Coats pack tighter with their number: what the shell below sucks in leaves fines and binder in their pores."""

from dataclasses import dataclass

import numpy as np

from benchmarks.accuracy.worlds.moist import Array


@dataclass(frozen=True)
class Packing:
    """most: by how much harder water moves in late coats than in the first (1: twice as hard); levels: coats until it
    levels off."""

    most: float
    levels: float

    def harder(self, below: Array | float) -> Array:
        """How many times as hard water moves in a coat with so many coats below it."""
        return np.asarray(1.0 - self.most * np.expm1(-np.asarray(below) / self.levels))


def draw(rng: np.random.Generator) -> Packing:
    """From none to four times as hard, levelling early or late."""
    return Packing(float(rng.uniform(0.0, 3.0)), float(np.exp(rng.uniform(np.log(0.8), np.log(8.0)))))
