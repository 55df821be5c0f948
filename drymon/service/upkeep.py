"""What the service keeps in order beside its readings: room on the disk, backups, the files of its models."""

import logging
import shutil
from datetime import datetime
from pathlib import Path

from drymon.messages.coat_models import model_doubts
from drymon.messages.settings import DB_FILE, Keep, Where
from drymon.service.backups import Backups
from drymon.shop.alarms.alarm_book import OF_FILE, AlarmBook, Condition, Key, Truth
from drymon.shop.facts.outcome import DoubtKind
from drymon.store.backup import backups_folder
from drymon.store.store import Store

log = logging.getLogger(__name__)

DISK_LOW, DISK_WELL = 0.05, 0.07


class Upkeep:
    """One home's.

    To be made when the service takes up its models: what is wrong with one then stays so while it runs.
    """

    def __init__(self, home: Path, database: Where, store: Store, keep: Keep) -> None:
        self._home, self._store, self._keep = home, store, keep
        self._is_more_to_clear = False
        self.backups = Backups(database, backups_folder(home / DB_FILE))
        self._doubts = model_doubts(home)
        for told in self._doubts.values():
            log.error("%s", told)

    def conditions(self, book: AlarmBook) -> list[Condition]:
        """What is to be reported every minute; `book`: where what was reported before may stand."""
        return [self._disk(), *self._models(book)]

    def tend(self, now: datetime, clock_known: bool) -> None:
        """Every minute: roll-ups, and where the clock is known what has become too old, and a backup a day."""
        if not clock_known:
            self._store.roll_up(now)
            return
        self._is_more_to_clear = self._store.tidy(now, self._keep)
        self.backups.tend(now)

    def clear_on(self) -> None:
        """Every second, while much is to be cleared away: one step, so that nobody waits for long."""
        if self._is_more_to_clear:
            self._is_more_to_clear = False  # where it fails, the next minute tries again
            self._is_more_to_clear = self._store.clear_step()

    def stop(self) -> None:
        """Leave nothing running."""
        self.backups.stop()

    def _models(self, book: AlarmBook) -> list[Condition]:
        known = {key.subject for key in book.entries if key.kind == DoubtKind.MODEL and key.occasion == OF_FILE}
        return [
            Condition(
                Key(DoubtKind.MODEL, coat, OF_FILE),
                Truth.HOLDS if coat in self._doubts else Truth.CLEAR,
                f"The model file of {coat} cannot be used: {self._doubts.get(coat, 'it can again')}.",
                "Start drymon again when that is done.",
            )
            for coat in sorted(known | set(self._doubts))
        ]

    def _disk(self) -> Condition:
        usage = shutil.disk_usage(self._home)
        free = usage.free / usage.total
        truth = Truth.HOLDS if free < DISK_LOW else Truth.CLEAR if free > DISK_WELL else Truth.UNCLEAR
        what = f"{usage.free / 1e6:.0f} MB are left on the disk of {self._home}."
        return Condition(Key("disk-full-soon", "disk"), truth, what)
