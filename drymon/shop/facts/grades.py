"""Stucco grades by sieve opening: each next grade begins where the last one ends; none is skipped (common practice,
no source).
"""

from drymon.drying.sieves import opening_um
from drymon.shop.facts.findings import GradeSkipped

SIEVE_GAP = 1.5
"""A gap up to two sieve steps (ASTM E11 openings rise by the fourth root of two) is no skipped grade."""


def coarsest(mesh: tuple[int, ...] | None) -> float | None:
    """Opening [um] of the grade's coarse end, None for slurry only or an unknown grade."""
    return max(opening_um(number) for number in mesh) if mesh else None


def skipped(before_um: float | None, mesh: tuple[int, ...] | None) -> GradeSkipped | None:
    """The skipped grade when this one begins well above the coarse end of the last, else None."""
    if before_um is None or not mesh:
        return None
    finest = min(opening_um(number) for number in mesh)
    if finest <= SIEVE_GAP * before_um:
        return None
    return GradeSkipped("x".join(map(str, mesh)), finest, before_um)
