"""A wet cloth or a dipped piece at the terminal, one answer at a time."""

import re
import shlex
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from textwrap import fill
from typing import TYPE_CHECKING, Any

from drymon.cli.calibration_walk import Talk
from drymon.cli.home import wall
from drymon.errors import LearningError, SetupError
from drymon.messages.times import stamp
from drymon.messages.typed import area_of, gravity_of, mass_of, percent_of, sides_of, whole_of
from drymon.messages.typed_times import typed_time
from drymon.views.by_scale import weighed_cloth, weighed_dip

if TYPE_CHECKING:
    from drymon.views.by_scale.weighed import Told

WIDE = 110
"""Of a line at a terminal."""

HOW_CLOTH = (
    "An empty answer ends the weighings; `stop` leaves and keeps nothing. A mass may have its time before it, on the "
    "room's clock: 14:20 401 g."
)
HOW_DIP = "`stop` leaves and keeps nothing."

_TIMED = re.compile(r"(\d{1,2}:\d\d)\s+(.+)")


class ScaleWalk(Talk, ABC):
    """What both talks have in common."""

    @abstractmethod
    def told(self) -> "Told":
        """Ask until something comes out. Raises Stopped."""

    @abstractmethod
    def as_command(self) -> str:
        """What was answered so far as a command, "" where that is too little."""

    def farewell(self) -> None:
        """Nothing that was typed is lost."""
        self.say("Nothing was kept.")
        if command := self.as_command():
            self.say(f"To go on later, add to this and say it:\n{command}")

    def steps(self, *steps: str) -> None:
        """What to do, before anything is asked."""
        for step in steps:
            self.say(fill(step, WIDE))

    def asked(self, question: str, read: Callable[[str], object], empty: bool = False) -> str:
        """An answer that can be read, asked until it is one; where `empty`, also none at all."""
        while True:
            answer = self.answer(question)
            if not answer and empty:
                return ""
            try:
                read(answer)
            except (LearningError, SetupError) as error:
                self.say(f"  {error}. Once more:")
            else:
                return answer


@dataclass
class ClothWalk(ScaleWalk):
    """words: what was said as options already. judge: tells from words and weighings what comes out."""

    rack: str
    timezone: str
    judge: "Callable[[dict[str, str], list[tuple[datetime, str]]], Told]"
    words: dict[str, str]
    ask: Callable[[str], str] = input
    say: Callable[[str], Any] = print
    now: Callable[[], datetime] = wall
    weighings: list[tuple[datetime, str]] = field(default_factory=list)

    def told(self) -> "Told":
        """Sizes first, then masses, until an empty answer and enough of them."""
        self.steps(*weighed_cloth.HOW, HOW_CLOTH)
        for name, question, read, empty in (
            ("size", "width x length of one strip, cm: ", lambda text: sides_of(text, 2), False),
            ("strips", "how many strips (1): ", lambda text: whole_of(text, "strips", 50), True),
            ("dry", "dry mass of all strips, g (empty: not weighed): ", mass_of, True),
        ):
            self.words[name] = self.words[name] or self.asked(question, read, empty)
        while True:
            answer = self.asked(f"mass {len(self.weighings) + 1}, g: ", self._weighing, empty=True)
            if answer:
                self.weighings.append(self._weighing(answer))
                self.say(f"  at {self.weighings[-1][0].astimezone():%H:%M}; hang it back at once")
            elif (told := self._judged()) is not None:
                return told

    def as_command(self) -> str:
        """With what was weighed by its time."""
        if not self.words["size"]:
            return ""
        said = [f"--{name} {shlex.quote(text)}" for name, text in self.words.items() if text]
        masses = [f"--weighed {shlex.quote(f'{stamp(time)}={mass}')}" for time, mass in self.weighings]
        return " ".join((f"drymon calibrate airflow {self.rack} --wet-cloth", *said, *masses))

    def _weighing(self, answer: str) -> tuple[datetime, str]:
        timed = _TIMED.fullmatch(answer)
        mass_of(timed[2] if timed else answer)
        now = self.now()
        return (typed_time(timed[1].zfill(5), self.timezone, now), timed[2]) if timed else (now, answer)

    def _judged(self) -> "Told | None":
        try:
            return self.judge(self.words, self.weighings)
        except LearningError as error:
            self.say(f"  {error}. Go on with a further mass, or `stop`:")
            return None


@dataclass
class DipWalk(ScaleWalk):
    """words: what was said as options already. judge: tells from the words what comes out."""

    coat: str
    judge: "Callable[[dict[str, str]], Told]"
    words: dict[str, str]
    ask: Callable[[str], str] = input
    say: Callable[[str], Any] = print

    def told(self) -> "Told":
        """Size, masses, slurry; where they do not go together, both masses are asked for anew."""
        self.steps(*weighed_dip.HOW, HOW_DIP)
        self._size()
        self._slurry()
        while True:
            self.words["before"] = self.asked("mass before the dip, g: ", mass_of)
            self.words["after"] = self.asked("mass after it, drained, g: ", mass_of)
            self.words["stucco"] = "" if self.wants("was that before the stucco?") else "yes"
            try:
                return self.judge(self.words)
            except LearningError as error:
                self.say(f"  {error}. Once more, or `stop`:")

    def as_command(self) -> str:
        """What is known of the piece; masses of a dip that was not judged are of no use later."""
        if not (self.words["before"] and self.words["after"]):
            return ""
        said = [f"--{name} {shlex.quote(text)}" for name, text in self.words.items() if text and name != "stucco"]
        stucco = ["--after-stucco"] if self.words["stucco"] else []
        return " ".join((f"drymon calibrate pickup {self.coat}", *said, *stucco))

    def _size(self) -> None:
        if self.words["size"] or self.words["area"]:
            return
        sides = self.asked(
            "length x width x height of the piece, cm (empty: its wetted area instead): ", _box, empty=True
        )
        self.words["size"] = sides
        if not sides:
            self.words["area"] = self.asked("wetted area, cm2: ", area_of)

    def _slurry(self) -> None:
        if any(self.words[name] for name in ("solids", "water", "gravity")):
            return
        solids = self.asked("solids in the slurry, % by mass (empty: not known): ", _solids, empty=True)
        self.words["solids"] = solids
        if not solids:
            self.words["gravity"] = self.asked("its specific gravity (empty: not known): ", gravity_of, empty=True)
        if self.words["gravity"]:
            self.words["flour"] = self.asked("its flour (fused-silica, aluminosilicate, alumina, zircon): ", _flour)


def _box(text: str) -> object:
    return sides_of(text, 3)


def _solids(text: str) -> object:
    return percent_of(text, "share of solids")


def _flour(text: str) -> object:
    from drymon.drying.pickup import FLOURS

    if text not in FLOURS:
        raise LearningError(f"flour: received {text!r}; allowed are {', '.join(FLOURS)}")
    return text
