"""Trees on racks in the simulated room: dips with their scatter, the truth about the slowest part, the mass a
scale feels."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from benchmarks.accuracy.air import RoomAir
from benchmarks.accuracy.surroundings import Surroundings
from benchmarks.accuracy.worlds.moist import Array, convection
from benchmarks.accuracy.worlds.protocol import Part, World

TURBULENCE = 1.5  # room air is rougher than a wind tunnel's: 1.1 to 1.6 (common practice)


@dataclass
class Tree:
    """One tree. area m2; diameter m; heat J/m2K behind the surface; bare kg; place: its luck in the air,
    factor on transfer; slow_zone: factor on the sheltered zones' transfer."""

    name: str
    rack: str
    shelter: str = "open"
    area: float = 0.3
    diameter: float = 0.045
    heat: float = 5000.0
    bare: float = 2.0
    place: float = 1.0
    slow_zone: float = 1.0
    cell: str | None = None


@dataclass
class DipTruth:
    """What really happened to one coat. Minutes count from the recording's start."""

    tree: str
    rack: str
    coat: str
    number: int
    shelter: str
    minute: int
    cell: str | None = None
    weighed: bool = False
    end: int | None = None  # minute of the next dip; None: none came
    gone: Array = field(default_factory=lambda: np.zeros(0))  # slowest part, one value a minute from the dip on
    dry_minute: float | None = None  # from the recording's start
    slurry: float = 1.0  # its slurry's pick-up that day and week, over the usual
    oracle_minute: float | None = None  # the same with nominal scatter: what full knowledge of the physics could say


@dataclass(frozen=True)
class Scatter:
    """Standard deviations on the log scale of what differs between equal dips."""

    day: float = 0.02  # the slurry of the day
    pickup: float = 0.02
    place: float = 0.03
    turn: float = 0.015  # how the tree hangs after this dip
    zone: float = 0.05  # how deep this tree's pockets are
    week: float = 0.0  # the slurry of the week


class Foundry:
    """The room under way, minute by minute. Every tree has a twin without luck: same dips, median scatter
    (the oracle)."""

    def __init__(  # noqa: PLR0913, the last five are set by trials alone
        self,
        world: World,
        trees: Sequence[Tree],
        air: dict[str, RoomAir],
        minutes: int,
        rng: np.random.Generator,
        scatter: Scatter | None = None,
        dry_at: float = 0.95,
        seconds: float = 60.0,
        turbulence: float = TURBULENCE,
    ) -> None:
        self.trees = {tree.name: tree for tree in trees}
        self.air, self.rng, self.scatter, self.dry_at = air, rng, scatter or Scatter(), dry_at
        self.minute, self.minutes, self.seconds = 0, minutes, seconds
        self.zones: dict[str, Array] = {}
        layout: list[tuple[Tree, Part]] = []
        for tree in trees:
            first = len(layout)
            layout += [(tree, part) for part in world.parts[tree.shelter]]
            self.zones[tree.name] = np.arange(first, len(layout))
        self.real = len(layout)
        self.share = np.array([part.share for _, part in layout])
        nominal = np.array([part.reach.factor * turbulence for _, part in layout])
        luck = np.array([tree.place * (tree.slow_zone if part.reach.factor < 1 else 1.0) for tree, part in layout])
        deep = np.array([tree.slow_zone for tree, _ in layout])
        twice = np.concatenate
        self.surroundings = Surroundings(
            [part.reach for _, part in layout] * 2,
            transfer=twice([nominal * luck, nominal]),
            luck=twice([deep, np.ones(self.real)]),
        )
        self.diameter = twice([[tree.diameter for tree, _ in layout]] * 2)
        self.shells = world.body.shells(
            build=twice([[part.build for _, part in layout]] * 2), heat=twice([[tree.heat for tree, _ in layout]] * 2)
        )
        self.racks = sorted(air)
        self.rack_of = np.array([self.racks.index(tree.rack) for tree, _ in layout] * 2)
        self.loads = np.zeros((minutes + 1, 2 * self.real), dtype=np.float32)
        self.hung = {tree.name: tree.cell for tree in trees if tree.cell}  # trees on load cells now
        self.masses = {tree.name: np.full(minutes + 1, np.nan) for tree in trees}
        self.shell = {tree.name: 0.0 for tree in trees}  # dry coats, kg
        self.number = {tree.name: 0 for tree in trees}
        self.dips: list[DipTruth] = []
        self.last: dict[str, DipTruth] = {}
        self._base: dict[int, Array] = {}
        self._day_factor: dict[tuple[int, str], float] = {}
        self._week_factor: dict[tuple[int, str], float] = {}

    def _luck(self, sd: float) -> float:
        return float(np.exp(sd * self.rng.standard_normal()))

    def _slurry(self, coat: str) -> float:
        """What the slurry of the day and of the week does to the pick-up."""
        day, week = (self.minute // 1440, coat), (self.minute // 10080, coat)
        if self.scatter.week > 0.0 and week not in self._week_factor:
            self._week_factor[week] = self._luck(self.scatter.week)
        if day not in self._day_factor:
            self._day_factor[day] = self._luck(self.scatter.day)
        return self._day_factor[day] * self._week_factor.get(week, 1.0)

    def hang(self, name: str, cell: str | None) -> None:
        """Hang a tree on a load cell, or on a plain hook."""
        self.hung.pop(name, None)
        if cell is not None:
            self.hung[name] = cell

    def dip(self, name: str, coat: str, weighed: bool = False) -> DipTruth:
        """Dip a tree now."""
        tree, slurry = self.trees[name], self._slurry(coat)
        pickup = slurry * self._luck(self.scatter.pickup)
        zones = self.zones[name]
        both = np.concatenate([zones, zones + self.real])
        n = len(zones)
        place = np.concatenate([np.full(n, self._luck(self.scatter.turn)), np.ones(n)])
        self.shells.dip(both, coat, np.concatenate([np.full(n, pickup), np.ones(n)]))
        self.surroundings.turn[both] = place
        self.shell[name] += tree.area * 1.7 * pickup
        self.number[name] += 1
        before = self.last.get(name)
        if before is not None:
            before.end = self.minute
        cell = self.hung.get(name)
        truth = DipTruth(
            name, tree.rack, coat, self.number[name], tree.shelter, self.minute, cell, weighed, slurry=slurry
        )
        self.loads[self.minute] = self.shells.load(np.arange(2 * self.real))
        self._base[id(truth)] = self.loads[self.minute].copy()
        self.dips.append(truth)
        self.last[name] = truth
        return truth

    def move(self, name: str, rack: str) -> None:
        """Hang a tree on another rack."""
        self.trees[name].rack = rack
        zones = self.zones[name]
        self.rack_of[np.concatenate([zones, zones + self.real])] = self.racks.index(rack)

    def clear(self, name: str) -> None:
        """The shell is done; a bare pattern takes the tree's place in the simulation."""
        zones = self.zones[name]
        self.shells.clear(np.concatenate([zones, zones + self.real]))
        self.shell[name], self.number[name] = 0.0, 0
        if name in self.last:
            self.last.pop(name).end = self.minute

    def gone(self, name: str) -> float:
        """Share of the removable water gone from the slowest part now (0 to 1; above 1 in dry air)."""
        truth, zones = self.last[name], self.zones[name]
        return float(1.0 - (self.loads[self.minute, zones] / self._base[id(truth)][zones]).max())

    def mass(self, name: str) -> float:
        """What hangs there, kg."""
        tree, zones = self.trees[name], self.zones[name]
        water = float((self.shells.weight(zones) * self.share[zones]).sum()) * tree.area
        return tree.bare + self.shell[name] + water

    def step(self) -> None:
        """One minute."""
        i = min(self.minute, len(self.air[self.racks[0]].temperature) - 1)
        rack = self.rack_of
        now = [self.air[name] for name in self.racks]
        t = np.array([a.temperature[i] for a in now])[rack]
        rh = np.array([a.humidity[i] for a in now])[rack]
        fast = np.array([a.fast[i] for a in now])[rack]
        slow = np.array([a.slow[i] for a in now])[rack]
        duty = np.array([a.duty[i] for a in now])[rack]
        d = self.diameter
        h = duty * convection(fast, d) + (1.0 - duty) * convection(slow, d)
        wind = duty * fast + (1.0 - duty) * slow
        for _ in range(round(60.0 / self.seconds)):
            around = self.surroundings.around(self.seconds, t, rh, wind, h)
            self.surroundings.took(self.shells.step(self.seconds, around))
        self.minute += 1
        self.loads[self.minute] = self.shells.load(np.arange(2 * self.real))
        for name in self.hung:
            self.masses[name][self.minute] = self.mass(name)

    def finish(self) -> list[DipTruth]:
        """All dips with their truth filled in."""
        for truth in self.dips:
            end = truth.end if truth.end is not None else self.minute
            zones, base = self.zones[truth.tree], self._base[id(truth)]
            span = self.loads[truth.minute : end]
            own = 1.0 - (span[:, zones] / base[zones]).max(axis=1)
            twin = 1.0 - (span[:, zones + self.real] / base[zones + self.real]).max(axis=1)
            if len(own):
                own[0] = twin[0] = 0.0
            truth.gone = own.astype(float)
            truth.dry_minute = _crossing(own, self.dry_at, truth.minute)
            truth.oracle_minute = _crossing(twin, self.dry_at, truth.minute)
        return self.dips


def _crossing(gone: Array, level: float, start: int) -> float | None:
    """First moment at or above `level`, minutes, interpolated; None: never."""
    above = np.flatnonzero(gone >= level)
    if not len(above) or above[0] == 0:
        return None
    k = int(above[0])
    return float(start + k - 1 + (level - gone[k - 1]) / (gone[k] - gone[k - 1]))
