"""What the page needs from the service around it, handed in so that nothing here reads a clock or writes a disk."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal, Protocol

from drymon.messages.settings import HomeConfig, Where
from drymon.shop.alarms.alarm_book import AlarmBook
from drymon.store.writer import Writer


class AlarmActor(Protocol):
    """Lets a person act on the alarm book."""

    def __call__(self, act: Callable[[AlarmBook], AlarmBook], key: str, change: str, who: str) -> None:
        """AlarmError where the act makes no sense."""


@dataclass(frozen=True)
class Picture:
    """A picture asked for: `kind` (one of picture_views.KINDS), its subject and how many hours back it reaches (0: its
    own choice).

    as_of: of a tree's, the last word on it: a picture of an earlier word is another one.
    """

    kind: str
    name: str
    hours: int = 0
    as_of: datetime | None = None


@dataclass(frozen=True, slots=True)
class FitState:
    """How the fit that was started last from the page stands.

    outcome: `done`, `doubted` (written, but a curve misses its runs), `failed`, or `cut off` where the service or
    somebody else ended it. words: what the fit printed; step: what it is doing, or did last.
    """

    outcome: Literal["runs", "done", "doubted", "failed", "cut off"]
    began: datetime
    by: str
    coat: str
    words: str
    step: str = ""
    ended: datetime | None = None


class House(Protocol):
    """What the page has done about the house: files of the home, child processes, the service itself."""

    def keep_room(self, before: str, after: str) -> None:
        """Write room.toml anew and keep the one before; SetupError where it is not `before` any more."""

    def start_anew(self) -> None:
        """End the service in a moment and start it again, by room.toml and models as they are then."""

    def start_fit(self, coat: str, by: str) -> None:
        """Start a fit, of all coats where `coat` is empty; LearningError where one runs already."""

    def fit(self) -> FitState | None:
        """The fit that was started last from the page; None where there was none."""


@dataclass(frozen=True)
class Ports:
    """The service's side of the page.

    publish: one message at QoS 1; BrokerError where the broker does not have it. draw: an SVG, report: a tree's record
    as "html" or "pdf", labels: sheets as a PDF, by the words of `drymon labels`; all None where none could be made.
    secret: of the room's page, None where there is none. token: lets commands on this machine in.
    """

    config: HomeConfig
    database: Where
    now: Callable[[], datetime]
    running: Callable[[], float]
    pause: Callable[[float], None]
    publish: Callable[[str, dict[str, Any]], None]
    write: Writer
    alarm: AlarmActor
    broker_online: Callable[[], bool]
    draw: Callable[[Picture], bytes | None]
    report: Callable[[str, str], bytes | None]
    labels: Callable[[list[str]], bytes | None]
    secret: Callable[[], str | None]
    token: str
    house: House
