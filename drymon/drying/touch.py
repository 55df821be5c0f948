"""What a finger feels of a drying surface."""

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

SHARPNESS = 4.0
"""A surface is felt as dry the likelier the nearer it is to dry: this power of the share gone over the share that must
be gone (assumed).
"""


def felt_dry(left: npt.ArrayLike, target: float) -> Array:
    """Chance that a surface with this share of its water left is felt as dry, 0 to 1. target: share left in a dry one.

    Without the slips and doubts of whoever feels: who asks allows for these. Any shape.
    """
    gone = (1.0 - np.asarray(left, dtype=np.float64)) / (1.0 - target)
    return np.asarray(np.clip(gone, 0.0, 1.0) ** SHARPNESS)
