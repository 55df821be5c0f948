"""Everything that drymon keeps: one SQLite file per room. Nothing else in drymon knows SQL."""

from drymon.store.record import Mark
from drymon.store.store import Store

__all__ = ["Mark", "Store"]
