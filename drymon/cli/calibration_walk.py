"""A calibration's points, asked for at the terminal one answer at a time."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from drymon.cli.points import COLUMNS, Column, Row, value_of
from drymon.errors import LearningError

if TYPE_CHECKING:
    from drymon.learning.calibration import Calibrated

WALKS = {
    "cell": (
        "Empty the hook and let the cell settle for a minute. Hang known masses on it, from nothing up to the\n"
        "heaviest tree and down again, one or two repeated. Keep from under the load; it needs a second catch."
    ),
    "humidity": (
        "Put the sensor into a closed jar over a saturated salt slurry (wet crystals, not in the liquid), at\n"
        "one steady temperature between 15 and 30 degC, and wait for half a day. Gloves; wash your hands;\n"
        "some salts irritate. Three salts around the room's humidity are best. The salts:"
    ),
    "airflow": "Hold the reference right beside the sensor, in the same draught, and average both over a minute.",
    "temperature": "Put sensor and reference into the same moving air, or into one stirred bath in bags; wait 15 min.",
}
HOW = (
    "A number is in the unit shown, or has its own behind it, such as {example}.\n"
    "An empty answer in place of a new point ends; `back` takes the last answer back; `stop` leaves and keeps nothing."
)
EXAMPLES = {"cell": "500 g or 2.2 lb", "humidity": "72 F", "airflow": "200 ft/min", "temperature": "72 F"}


class Stopped(Exception):
    """Whoever is asked wants to end, and nothing kept."""


class Talk:
    """Questions and answers at a terminal."""

    ask: Callable[[str], str]
    say: Callable[[str], Any]

    def answer(self, question: str) -> str:
        """One answer. Raises Stopped at its `stop`, or where no more can come."""
        try:
            answer = self.ask(question).strip()
        except EOFError:
            self.say("")
            raise Stopped from None
        if answer.lower() == "stop":
            raise Stopped
        return answer

    def wants(self, question: str) -> bool:
        """Yes or no, asked until it is one of them. Raises Stopped."""
        while True:
            answer = self.answer(f"{question} (yes or no): ").lower()
            if answer in ("y", "yes", "n", "no"):
                return answer.startswith("y")
            self.say(f"  received {answer!r}; allowed are yes and no")


@dataclass
class Walk(Talk):
    """The talk. `judge` tells from the points what was found; LearningError where they do not do yet."""

    kind: str
    judge: "Callable[[list[Row]], Calibrated]"
    ask: Callable[[str], str] = input
    say: Callable[[str], Any] = print
    answers: list[str] = field(default_factory=list)

    def points(self) -> "tuple[list[Row], Calibrated]":
        """Ask until the points are enough and an empty answer ends them. Raises Stopped."""
        self._begin()
        while True:
            column = self._next()
            answer = self.answer(f"{column.asked(len(self.rows()) + 1)}: ")
            if answer.lower() == "back":
                self._back()
            elif answer:
                self._take(column, answer)
            elif self.half():
                self.say(f"  {column.words}: received nothing; {self.half()} waits for it: type it, `back` or `stop`")
            elif found := self._judged():
                return self.rows(), found

    def rows(self) -> list[Row]:
        """The points that are whole."""
        names = [column.name for column in COLUMNS[self.kind]]
        whole = len(self.answers) - len(self.answers) % len(names)
        return [dict(zip(names, self.answers[n : n + len(names)], strict=True)) for n in range(0, whole, len(names))]

    def _begin(self) -> None:
        self.say(WALKS[self.kind])
        if self.kind == "humidity":
            from drymon.learning.salts import SALTS

            for formula, salt in SALTS.items():
                self.say(f"  {formula:<9} {salt.name:<20} {salt.humidities[1]:.0f} %RH")
        self.say(HOW.format(example=EXAMPLES[self.kind]))

    def _next(self) -> Column:
        columns = COLUMNS[self.kind]
        return columns[len(self.answers) % len(columns)]

    def half(self) -> str:
        """What was typed of a point that is not whole."""
        columns = COLUMNS[self.kind]
        begun = len(self.answers) % len(columns)
        typed = zip(columns, self.answers[len(self.answers) - begun :], strict=False)
        return ", ".join(f"{column.words} {answer}" for column, answer in typed) if begun else ""

    def _take(self, column: Column, answer: str) -> None:
        """Keep an answer that can be one; else say what is allowed, and the same is asked again."""
        answer = answer.replace(",", ".")
        try:
            value = value_of(column, answer)
        except LearningError as error:
            self.say(f"  {column.words}: {error}. Once more:")
            return
        self.answers.append(answer)
        if isinstance(value, float) and answer[-1].isalpha() and not answer.endswith(column.unit):
            self.say(f"  that is {value:g} {column.unit}")

    def _back(self) -> None:
        taken = f"  {self.answers.pop()!r} is taken back" if self.answers else "  nothing was answered yet"
        self.say(taken)

    def _judged(self) -> "Calibrated | None":
        """What the points say; None, with why, where they do not do: more may be added, or the last taken back."""
        try:
            return self.judge(self.rows())
        except LearningError as error:
            self.say(f"  {error}. Go on with a further point, `back` or `stop`:")
            return None
