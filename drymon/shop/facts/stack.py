"""The stack of coats that a piece asks for, and what speaks against a recipe. Common practice throughout, no source;
what is assumed beyond it says so. The shop's own choice always wins.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from drymon.shop.facts import grades
from drymon.shop.facts.setup import CoatType, Family, Recipe, RoomSetup

ZIRCON, FINE, COARSE, BARE = (80, 120), (50, 100), (30, 50), ()
"""Stucco by its ASTM E11 numbers: rounded zircon sand, fused silica 50x100 and 30x50, none."""

STUCCO = {ZIRCON: "zircon sand 80x120", FINE: "fused silica 50x100", COARSE: "fused silica 30x50", BARE: "no stucco"}

CARRIES_KG = 11.3
"""25 lb: what the usual stack carries at most; 20 lb is the careful end."""
CARRIES_WORDS = "20 to 25 lb (9 to 11 kg)"
PRIMES, BACKUPS = 3, 6
MOST_MORE = 4
"""Backup coats beyond the usual six that are suggested by weight (assumed): beyond, ask somebody who has done it."""
FACE_UM = 180
"""A first stucco with a coarser end shows on the casting (assumed: No. 80, the coarse end of the zircon sand)."""


class Metal(StrEnum):
    """What is poured."""

    BRONZE = "bronze"
    ALUMINIUM = "aluminium"
    IRON = "iron"


@dataclass(frozen=True, slots=True)
class Piece:
    """What is to be cast. metal_kg: with its gates; None: not known. detail: it has fine detail."""

    metal: Metal
    metal_kg: float | None = None
    detail: bool = True
    sharp_edges: bool = False
    heavy_parts: bool = False
    slurry_first: bool = False


@dataclass(frozen=True, slots=True)
class Layer:
    """A coat of the stack, and why it is there."""

    family: Family
    mesh: tuple[int, ...]
    why: str

    @property
    def stucco(self) -> str:
        """What is strewn on it."""
        return STUCCO[self.mesh]


def suggest(piece: Piece) -> list[Layer]:
    """The stack for a piece, from the pattern outwards."""
    return [*_primes(piece), *_backups(piece), Layer("seal", BARE, "binds the last stucco, and dries as a coat does")]


def _primes(piece: Piece) -> list[Layer]:
    found = []
    if piece.slurry_first:
        found.append(Layer("prime", BARE, "bare slurry takes the detail; it may craze or lift if it waits too long"))
    iron = piece.metal is Metal.IRON
    if iron or not piece.slurry_first:
        found.append(Layer("prime", ZIRCON, "fine, dense, rounded: the face of the casting"))
    if iron:
        found.append(Layer("prime", ZIRCON, "iron is poured hotter: a second zircon coat"))
    fine = max(PRIMES - len(found), 1) if piece.detail else 1
    whys = ["the step from zircon to coarse stucco: no grade is skipped", "fine detail: three prime coats"]
    return found + [Layer("prime", FINE, whys[min(place, 1)]) for place in range(fine)]


def _backups(piece: Piece) -> list[Layer]:
    whys = [f"the usual six carry {CARRIES_WORDS} of metal"] * BACKUPS
    kg = piece.metal_kg or 0.0
    by_weight = min(max(math.ceil(kg / CARRIES_KG) - 1, 0), MOST_MORE)
    whys += [f"{kg:.0f} kg of metal: more than the usual stack carries (how many more is assumed)"] * by_weight
    whys += ["sharp straight edges: stucco is thin there, and they crack first"] * piece.sharp_edges
    return [Layer("backup", COARSE, why) for why in whys]


def reminders(piece: Piece) -> list[str]:
    """What to think of besides the coats."""
    found = [
        "Clean and degrease the pattern as its maker says, and let it dry: slurry must wet it all over.",
        "Stir the slurry, check it with its cup, and log it, before the first tree.",
        "Stucco and dry slurry make silica dust: wet methods, extraction, a fitted respirator where rules ask for one.",
    ]
    if piece.heavy_parts:
        found.append("Heavy parts: dip them alone once or twice more between backup coats, and let them dry as a coat.")
    if piece.sharp_edges:
        found.append("Sharp edges: brush slurry along them before a dip, or round them off on the pattern.")
    if (piece.metal_kg or 0.0) > CARRIES_KG * (1 + MOST_MORE):
        found.append("So much metal is beyond what is suggested here: ask somebody who has poured such a piece.")
    return found


def coat_for(setup: RoomSetup, layer: Layer) -> CoatType | None:
    """The shop's own coat that is such a layer: of its family, with its stucco, or one that tells no stucco; None where
    it has none.
    """
    own = [kind for kind in setup.coats if kind.family == layer.family and kind.stucco_mesh in (layer.mesh, None)]
    return min(own, key=lambda kind: kind.stucco_mesh is None, default=None)


def remarks(setup: RoomSetup, recipe: Recipe) -> list[str]:
    """What speaks against a recipe, or is to be known of it, from the first coat outwards; [] where nothing does."""
    kinds = [setup.coat_by_name[name] for name in recipe.coats]
    return [*_of_face(kinds), *_of_steps(kinds), *_of_strength(kinds)]


def _of_face(kinds: Sequence[CoatType]) -> Iterator[str]:
    primes = [kind for kind in kinds if kind.family == "prime"]
    if not primes:
        yield "no prime coat: the face is as coarse as the backup stucco"
        return
    bare = primes[0].stucco_mesh == BARE
    if bare:
        yield "the first coat is bare slurry: it takes detail, and may craze or lift if it waits too long"
    first = next((um for kind in primes if (um := grades.coarsest(kind.stucco_mesh)) is not None), None)
    if first is not None and first > FACE_UM and not bare:
        yield f"the first stucco is coarse ({first:.0f} um): it shows on the casting; zircon sand 80x120 is usual"
    zircon = sum((grades.coarsest(kind.stucco_mesh) or math.inf) <= FACE_UM for kind in primes)
    if zircon == 1:
        yield "one zircon coat: enough for bronze and aluminium; iron asks for two"
    if len(primes) < PRIMES:
        yield f"{len(primes)} prime coat{'s' * (len(primes) > 1)}: three are usual where there is fine detail"


def _of_steps(kinds: Sequence[CoatType]) -> Iterator[str]:
    """Grades from coat to coat, bare slurry between them left out."""
    before: float | None = None
    for number, kind in enumerate(kinds, 1):
        coarsest = grades.coarsest(kind.stucco_mesh)
        if (gap := grades.skipped(before, kind.stucco_mesh)) is not None:
            yield (
                f"coat {number} ({kind.name}): stucco {gap.mesh} begins at {gap.finest_um:.0f} um on a coat that ended "
                f"at {gap.before_um:.0f} um: a grade is skipped"
            )
        if coarsest is not None and before is not None and coarsest < before:
            yield f"coat {number} ({kind.name}): a finer stucco on a coarser one; grades go from fine to coarse"
        before = coarsest or before
    for number, (below, above) in enumerate(pairwise(kinds), 2):
        if _ORDER.index(above.family) < _ORDER.index(below.family):
            yield f"coat {number} ({above.name}): a {above.family} coat on a {below.family} coat"


_ORDER: tuple[Family, ...] = ("prime", "backup", "seal")


def _of_strength(kinds: Sequence[CoatType]) -> Iterator[str]:
    backups = sum(kind.family == "backup" for kind in kinds)
    if backups < BACKUPS:
        yield f"{backups} backup coats: six are usual, which carry {CARRIES_WORDS} of metal; for smaller pieces only"
    if kinds[-1].family != "seal":
        yield "no seal coat at the end: loose stucco falls off, and into the shell"
