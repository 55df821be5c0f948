"""Messages that the service died over. The same one does not get a third try: it would come back after each start.

The service also dies for reasons that are no message's: kill, the power, a want of memory. Such a death falls on
whatever was worked on, and a sensor in quiet air says the same words for hours. So a suspect is worked on alone, which
leaves a second chance death a moment's time, and whoever is set aside is tried again a day later.

What is being worked on is noted in a small file, without a sync: a process that is killed, for whatever reason, leaves
it behind, and only the power's loss, which no message causes, may take it along.
"""

import logging
import os
from datetime import UTC, datetime, timedelta
from hashlib import blake2b
from pathlib import Path

from drymon.messages.message import Message

log = logging.getLogger(__name__)

FILE = "drymon.working"
TRIES = 2
AGAIN = timedelta(days=1)
"""How long the words of a message that is set aside are not tried again."""
MOST = 1000
"""Messages whose deaths are remembered."""

_IDLE = "-" * 32


class Suspects:
    """One home's. `begin` each message, `done` when what was begun is on disk."""

    def __init__(self, home: Path) -> None:
        self._path = home / FILE
        self._begun: set[str] = set()
        self._file: int | None = None
        self._deaths, self._aside = _left_behind(self._path)
        self._write()

    def suspected(self, message: Message) -> bool:
        """Whether the service has died over this message: it is worked on alone."""
        return bool(self._deaths) and _name(message) in self._deaths

    def condemned(self, message: Message) -> bool:
        """Whether the service has died over this message as often as it may, and a day has not passed since."""
        name = _name(message) if self._deaths else ""
        if self._deaths.get(name, 0) < TRIES:
            return False
        if name not in self._aside:
            self._aside[name] = message.arrived
            self._write()
        since = self._aside[name]
        if since <= message.arrived < since + AGAIN:
            return True
        del self._aside[name]
        self._deaths[name] = TRIES - 1
        self._write()
        return False

    def begin(self, message: Message) -> None:
        """This message is worked on from now on."""
        name = _name(message)
        if name in self._deaths:
            self._begun.add(name)
        self._note(name)

    def pause(self) -> None:
        """No message is worked on from now on, but nothing is on disk yet."""
        self._note(_IDLE)

    def done(self) -> None:
        """Clear the messages begun since the last call: they are on disk, and none of them killed the service."""
        self._note(_IDLE)
        if self._begun:
            for name in self._begun:
                self._deaths.pop(name, None)
            self._begun = set()
            self._write()

    def close(self) -> None:
        """Let go of the file."""
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def _note(self, name: str) -> None:
        if self._file is None:
            return
        try:
            os.pwrite(self._file, name.encode(), 0)
        except OSError as error:
            self._give_up(error)

    def _write(self) -> None:
        lines = [_IDLE, *(self._line(name) for name in self._deaths)]
        try:
            if self._file is None:
                self._file = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
            os.truncate(self._file, os.pwrite(self._file, "\n".join((*lines, "")).encode(), 0))
        except OSError as error:
            self._give_up(error)

    def _line(self, name: str) -> str:
        since = self._aside.get(name)
        return f"{name} {self._deaths[name]}{f' {since.isoformat()}' if since else ''}"

    def _give_up(self, error: OSError) -> None:
        log.warning("%s cannot be written (%s): a message that stops the service would come back", self._path, error)
        self.close()


def _name(message: Message) -> str:
    """The same for the same words on the same topic: what the broker calls a message may change."""
    return blake2b(message.payload, digest_size=16, key=blake2b(message.topic.encode()).digest()).hexdigest()


def _left_behind(path: Path) -> tuple[dict[str, int], dict[str, datetime]]:
    """By what earlier lives left: how often the service died over which message, and since when which is set aside."""
    deaths: dict[str, int] = {}
    aside: dict[str, datetime] = {}
    try:
        worked_on, *lines = path.read_text(encoding="ascii").splitlines() or [_IDLE]
        for name, count, *since in (line.split() for line in lines[-MOST:]):
            deaths[name] = int(count)
            if since:
                aside[name] = datetime.fromisoformat(since[0]).astimezone(UTC)
    except FileNotFoundError:
        return {}, {}
    except (OSError, ValueError) as error:
        log.warning("%s cannot be read (%s); it is begun anew", path, error)
        return {}, {}
    if worked_on != _IDLE:
        deaths[worked_on] = deaths.get(worked_on, 0) + 1
        log.error("the service ended while it worked on a message, for the %d. time in a row", deaths[worked_on])
    return deaths, aside
