"""How thick the edges of a shop's trees are, by their look: plain data."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Edges:
    """How much longer than its faces the thickest edge or drip of a tree takes: so much more at the `least` and at the
    `most`, shares of the faces' time, in a `share` of all trees (assumed). Where they are sharp and the slurry runs,
    edges carry 25 to 40 % more than flat faces (common practice, no source), some 20 to 35 % more than the mean that a
    scale sees, for they are in it: that much longer where the air sets the pace, the square of it (1.8) where the way
    through the coat does, for a layer's time goes with the square of its thickness (Crank 1975).
    """

    least: float
    most: float
    share: float


EDGES: Mapping[str, Edges] = MappingProxyType(
    {"even": Edges(0.0, 0.1, 0.5), "usual": Edges(0.0, 0.3, 0.35), "thick": Edges(0.2, 0.8, 1.0)}
)
"""By the look of the trees, as the room's set-up says it. A scale sees the mean of the faces, a verdict is about the
slowest.
"""

USUAL_EDGES = "usual"

NO_EDGES = Edges(0.0, 0.0, 1.0)
"""Of the faces alone."""
