"""Coat models as earlier versions wrote them, read as today's: what they did not know is put as they took it."""

from typing import Any

ADDED: dict[str, tuple[float, float]] = {
    "end": (0.02, 0.8),
    "pace": (1.0, 0.05),
    "growth_3": (1.0, 0.03),
    "growth_5": (1.0, 0.03),
    "growth_8": (1.0, 0.03),
    "growth_12": (1.0, 0.03),
    "damp": (1.0, 0.05),
    "warm": (1.0, 0.05),
    "wind": (1.0, 0.05),
}
"""Parameters that format 1 did not have: centre, and standard deviation on the working scale (assumed)."""


def in_this_format(data: dict[str, Any]) -> dict[str, Any]:
    """The tables of a model file in format 2; anything but a sound format 1 comes back as it is, to be judged.

    Format 1 counted a deep pocket's transfer over an open face, format 2 counts it over the pocket before it.
    """
    own = data.get("parameters")
    if data.get("format") != 1 or not isinstance(own, dict) or set(own) & set(ADDED):
        return data
    new = {**own, **{name: {"centre": centre, "sd": sd} for name, (centre, sd) in ADDED.items()}}
    try:
        new["deep"] = {**own["deep"], "centre": min(own["deep"]["centre"] / own["pocketed"]["centre"], 1.0)}
    except (KeyError, TypeError, ZeroDivisionError):
        return data
    return {**data, "format": 2, "parameters": new, **_correlation(data.get("correlation"))}


def _correlation(matrix: Any) -> dict[str, Any]:
    """The correlation with independent rows for what was added."""
    if not isinstance(matrix, list) or not all(isinstance(row, list) for row in matrix):
        return {}
    size = len(matrix) + len(ADDED)
    wider = [[*row, *[0.0] * len(ADDED)] for row in matrix]
    wider += [[float(i == j) for j in range(size)] for i in range(len(matrix), size)]
    return {"correlation": wider}
