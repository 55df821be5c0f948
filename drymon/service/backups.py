"""A backup of the database a day, copied and checked by a child process: the loop never waits for the card."""

import logging
import os
import socket
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

from drymon.messages.settings import Server, Where

log = logging.getLogger(__name__)

KEPT = 7
TURN = f"\0drymon-copies-{os.getuid()}"
"""Of Linux's abstract names, which nobody can leave behind: whoever has bound it makes a copy."""
AGAIN_AFTER = timedelta(hours=1)


class Backups:
    """Those of one database, in `folder`. Not for several threads."""

    def __init__(self, database: Where, folder: Path) -> None:
        self._database, self._folder = database, folder
        self.copying: subprocess.Popen[bytes] | None = None
        self._failed: datetime | None = None

    def tend(self, now: datetime) -> None:
        """Every minute: begin today's where there is none yet, take up the end of one begun. Returns at once."""
        if self.copying is not None:
            if self.copying.poll() is not None:
                self._end(self.copying, now)
        elif not self._today(now).exists() and not (self._failed and abs(now - self._failed) < AGAIN_AFTER):
            self._begin(self._today(now))

    def stop(self) -> None:
        """End a copy that is being made; what there is of it goes when the next one begins."""
        if self.copying is not None:
            self.copying.kill()
            self.copying.communicate()
            self.copying = None

    def _today(self, now: datetime) -> Path:
        return self._folder / f"drymon-{now:%Y-%m-%d}.db"

    def _begin(self, target: Path) -> None:
        """Rooms of one server take turns on a machine, else a hundred of them would copy at midnight."""
        if not isinstance(self._database, Server):
            self._copy(target)
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as turn:
            try:
                turn.bind(TURN)
            except OSError:  # another one copies; in a minute it may be our turn
                return
            self._copy(target, turn.fileno())

    def _copy(self, target: Path, *kept: int) -> None:
        """kept: descriptors that stay open for as long as the copying lasts."""
        for left_over in self._folder.glob("*.part"):
            left_over.unlink()
        command = [sys.executable, "-P", "-m", "drymon.store.copying", str(self._database), str(target)]
        self.copying = subprocess.Popen(command, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, pass_fds=kept)

    def _end(self, copying: "subprocess.Popen[bytes]", now: datetime) -> None:
        said = copying.communicate()[1].decode(errors="replace").strip()
        self.copying, self._failed = None, now if copying.returncode else None
        if copying.returncode:
            log.error("no backup of the database: %s; trying again in an hour", said.rpartition("\n")[2] or "no word")
            return
        for old in sorted(self._folder.glob("drymon-????-??-??.db"))[:-KEPT]:
            old.unlink()
