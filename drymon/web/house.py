"""What the page has done about the house: room.toml, fits, a new start of the service."""

import threading
from collections.abc import Callable
from pathlib import Path

from drymon.messages.room_edit import keep_room
from drymon.service.clock import Clock
from drymon.views.page.ports import FitState
from drymon.web.fit_job import FitJob

ANSWER_FIRST_S = 1.0
"""Until the service ends, so that the answer to whoever asked for it still leaves."""


class House:
    """The service's side of what an owner does on the page. start_anew: ends the service and starts it again."""

    def __init__(self, home: Path, clock: Clock, start_anew: Callable[[], None]) -> None:
        self._home, self._clock, self._start_anew = home, clock, start_anew
        self._writing = threading.Lock()
        self._fits = FitJob(home, clock)

    def keep_room(self, before: str, after: str) -> None:
        """Write room.toml anew and keep the one before; SetupError where it is not `before` any more."""
        with self._writing:
            keep_room(self._home, before, after, self._clock.wall())

    def start_anew(self) -> None:
        """End the service in a moment and start it again, by room.toml and models as they are then."""
        timer = threading.Timer(ANSWER_FIRST_S, self._start_anew)
        timer.daemon = True
        timer.start()

    def start_fit(self, coat: str, by: str) -> None:
        """Start a fit, of all coats where `coat` is empty; LearningError where one runs already."""
        self._fits.start(coat, by)

    def fit(self) -> FitState | None:
        """The fit that was started last from the page; None where there was none."""
        return self._fits.state()

    def stop(self) -> None:
        """End what works for the page."""
        self._fits.stop()
