"""The people of a simulated room: they dip what is dry (never much too soon), in working hours, and weigh what was
chosen, on a bench scale or by hanging it on a load cell."""

from collections import Counter

import numpy as np

from benchmarks.accuracy.foundry import Foundry
from benchmarks.accuracy.shop import DRY_AT, RECIPE, PartPlan, Shop
from benchmarks.accuracy.stream import Recording

EVERY = {("backup", "open"): 5, ("backup", "pocketed"): 3}  # weighed dips are spread over days and coat numbers
QUOTA = {"open": 1 / 2, "pocketed": 1 / 3, "deep": 1 / 6}
PLANNED = (0.02, 0.15, 0.35, 0.6, 0.85, 1.1, 1.5, 2.0)
"""When a bench weighing is due, in usual waits; fewer are spread over the same span."""


def quota(shelter: str, runs: int) -> int:
    """How many of `runs` weighed runs of a coat are of this shelter: the first open, the second pocketed, the
    third deep."""
    if runs <= 3:
        return int(runs > list(QUOTA).index(shelter))
    return round(runs * QUOTA[shelter])


class Day:
    """The people at work in one part of a shop's record. runs: weighed runs per coat type. weighings: what was written
    down, by tree: minute and grams."""

    def __init__(
        self, shop: Shop, plan: PartPlan, recording: Recording, foundry: Foundry, rng: np.random.Generator, runs: int
    ) -> None:
        self.shop, self.recording, self.foundry, self.rng, self.runs = shop, recording, foundry, rng, runs
        self.scale = shop.weighing
        self.hours = (5.0, 22.0) if shop.air == "steady" else (6.5, 18.0)
        self.wanted: dict[str, float] = {}
        self.weighed: Counter[tuple[str, str]] = Counter()
        self.seen: Counter[tuple[str, str]] = Counter()
        first, count = foundry.minute + 6 * 60 + 30, len(foundry.trees)
        self.begin = {name: first + 7 * i + 1440 * int(plan.spread * i / count) for i, name in enumerate(foundry.trees)}
        self.free_at = 0
        self.free = {rack: cells_of(shop, rack) for rack in shop.racks}
        self.due: dict[str, list[float]] = {}
        self.weighings: dict[str, list[tuple[float, float]]] = {name: [] for name in foundry.trees}

    def work(self, until: int) -> None:
        """Until the recording ends; then the shells dry on without anybody."""
        foundry = self.foundry
        while foundry.minute < foundry.minutes:
            if foundry.minute < until:
                for name in foundry.trees:
                    self._attend(name)
            foundry.step()

    def _attend(self, name: str) -> None:
        foundry, minute = self.foundry, self.foundry.minute
        if name in foundry.last and foundry.last[name].weighed and not self.scale.cells:
            self._weigh(name)
        hour = minute / 60.0 % 24.0
        if minute >= self.free_at and self.hours[0] <= hour < self.hours[1] and self._wants_a_dip(name):
            self._dip(name)

    def _wants_a_dip(self, name: str) -> bool:
        foundry, minute = self.foundry, self.foundry.minute
        if name not in foundry.last:
            return minute >= self.begin[name]
        if foundry.number[name] >= len(RECIPE):
            return False
        if name not in self.wanted and foundry.gone(name) >= DRY_AT:
            took = minute - foundry.last[name].minute
            self.wanted[name] = minute + took * float(self.rng.uniform(0.5, 1.0)) + 15.0
        return minute >= self.wanted.get(name, np.inf) and foundry.gone(name) >= DRY_AT

    def _dip(self, name: str) -> None:
        foundry, minute = self.foundry, self.foundry.minute
        tree, coat = foundry.trees[name], RECIPE[foundry.number[name]]
        key = (coat, tree.shelter)
        turn = self.seen[key] % EVERY.get(key, 1) == 0
        weighed = turn and self.weighed[key] < quota(tree.shelter, self.runs)
        hung = self._change_cell(name, weighed) if self.scale.cells else weighed
        self.seen[key] += hung == weighed  # no cell free: the next one's turn
        weighed = hung
        self.weighed[key] += weighed
        if weighed and self.scale.before and not self.scale.cells:
            self._put_on_scale(name, minute - 0.5)
        foundry.dip(name, coat, weighed)
        self.recording.log(
            minute, "dip", tree=name, rack=tree.rack, coat=coat, number=foundry.number[name],
            shelter=tree.shelter, cell=foundry.hung.get(name), recipe="standard",
        )  # fmt: skip
        self.wanted.pop(name, None)
        self.free_at = minute + 4
        if weighed and self.scale.times and not self.scale.after:
            self.due[name] = self._planned(coat, tree.shelter)

    def _change_cell(self, name: str, weighed: bool) -> bool:
        """Take a tree off its load cell, and hang it on a free one where this dip is to be weighed and there is one."""
        foundry, rack = self.foundry, self.foundry.trees[name].rack
        had = foundry.hung.get(name)
        if had is not None:
            self.free[rack].append(had)
            self.recording.log(foundry.minute - 0.4, "move", tree=name, rack=rack)
        cell = self.free[rack].pop(0) if weighed and self.free[rack] else None
        foundry.hang(name, cell)
        return cell is not None

    def _planned(self, coat: str, shelter: str) -> list[float]:
        """Minutes after the dip at which somebody means to weigh."""
        count = int(self.rng.integers(self.scale.times, self.scale.times + 2))
        shares = np.interp(np.linspace(0, 1, count), np.linspace(0, 1, len(PLANNED)), PLANNED)
        about = 60.0 * self.shop.usual_h[coat, shelter] * shares * self.rng.uniform(0.8, 1.2, count)
        return sorted(max(5.0, minutes) for minutes in about)

    def _weigh(self, name: str) -> None:
        since = self.foundry.minute - self.foundry.last[name].minute
        if not 6.0 <= self.foundry.minute / 60.0 % 24.0 < 22.0:
            return
        after = self.scale.after
        if after:
            due = since in after or (since > after[-1] and since % 120 == 0)
        else:
            left = [minutes for minutes in self.due[name] if minutes > since]
            due, self.due[name] = len(left) < len(self.due[name]), left
        if due:
            self._put_on_scale(name, self.foundry.minute)

    def _put_on_scale(self, name: str, minute: float) -> None:
        scale = self.scale
        mass = self.foundry.mass(name) * 1000.0 + scale.error_g * float(self.rng.standard_normal())
        said = round(mass / scale.step_g) * scale.step_g
        if scale.slips and self.rng.random() < scale.slips:
            said += float(self.rng.choice((-1, 1)) * self.rng.choice((10, 100)))  # one digit misread
        if scale.minutes > 1:
            last = self.foundry.last[name].minute
            minute = max(scale.minutes * round(minute / scale.minutes), last + 1)
        self.weighings[name].append((minute, said))
        self.recording.log(minute, "weigh", tree=name, mass=said, unit="g")


def cells_of(shop: Shop, rack: str) -> list[str]:
    """The load cells of a rack in a fit room whose dips are weighed on them."""
    first = 1 + shop.racks.index(rack) * shop.weighing.cells
    return [f"cell-{i}" for i in range(first, first + shop.weighing.cells)]
