"""Water that the dried binder holds: it moves with the air's humidity, so dryness can reverse in damp air.

Guggenheim-Anderson-de Boer isotherm with the working constants for a dried colloidal-silica binder (assumed: C 20, K
0.75; no
open measurement on shells was found; range C 5 to 100, K 0.6 to 0.9). Its amplitude belongs to the coat model.
"""

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

GAB_C = 20.0
GAB_K = 0.75
REFERENCE_HUMIDITY_PCT = 50.0
"""Removable water is counted down to what the shell holds in air of this humidity."""


def gab(humidity_pct: npt.ArrayLike) -> Array:
    """Loading in monolayers, q/m = C K a / ((1 - K a)(1 - K a + C K a)), at the water activity a = RH/100.

    Humidity 0 to 100 %, any shape. Source: Anderson 1946, de Boer 1953, Guggenheim 1966 (from memory).
    """
    ka = GAB_K * np.minimum(np.maximum(np.asarray(humidity_pct, dtype=np.float64) / 100.0, 0.0), 1.0)
    return np.asarray(GAB_C * ka / ((1.0 - ka) * (1.0 - ka + GAB_C * ka)))


GAB_REFERENCE = float(gab(REFERENCE_HUMIDITY_PCT))
GAB_SLOPE = float((gab(75.0) - gab(50.0)) / 0.25)
"""Mean slope between 50 and 75 % RH, monolayers per unit of activity: how fast damp air refills the binder."""


def excess(humidity_pct: npt.ArrayLike) -> Array:
    """Monolayers held above those at the reference humidity; negative in drier air."""
    return gab(humidity_pct) - GAB_REFERENCE
