"""Everything that drymon keeps: one database per room. Nothing else in drymon knows SQL."""

from drymon.store.alone import is_in_use, is_there, only_writer
from drymon.store.backup import restore
from drymon.store.buckets import Bucket
from drymon.store.calibrations import Calibration
from drymon.store.history import Channel, DoubtedSpan, Refused
from drymon.store.lock import HomeLock, InUse, is_held
from drymon.store.nodes import Mark
from drymon.store.notices import AlarmChange, Notice
from drymon.store.people import AuditLine, LeftOut, User
from drymon.store.readers import Readers
from drymon.store.sessions import Session
from drymon.store.store import Store

__all__ = [
    "AlarmChange",
    "AuditLine",
    "Bucket",
    "Calibration",
    "Channel",
    "DoubtedSpan",
    "HomeLock",
    "InUse",
    "LeftOut",
    "Mark",
    "Notice",
    "Readers",
    "Refused",
    "Session",
    "Store",
    "User",
    "is_held",
    "is_in_use",
    "is_there",
    "only_writer",
    "restore",
]
