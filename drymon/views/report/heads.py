"""What both the first page and the rest of a record begin with: recipe, how it ended, the last word on it."""

from collections.abc import Mapping

from drymon.shop.facts.events import Dip, Leave, Look, TreeEvent
from drymon.shop.facts.outcome import State
from drymon.views.report.record import ShellRecord
from drymon.views.report.room_clock import RoomClock

GONE: Mapping[type[TreeEvent], str] = {
    Leave: "left the room",
    Look: "scrapped",
    Dip: "its name given on",
}
STATE_WORDS = {State.COMPLETE: "complete (the last coat is dry; nothing is said of dewax or pour)"}


def recipe_of(record: ShellRecord) -> str:
    """`four coats (standard)`; "" where no dip named a recipe."""
    name = recipe_name(record)
    recipe = record.room.recipe_by_name.get(name)
    return f"{recipe.label} ({name})" if recipe and recipe.label else name


def recipe_name(record: ShellRecord) -> str:
    """The recipe that the last dip that names one names."""
    return next((coat.coat.recipe for coat in reversed(record.coats) if coat.coat.recipe), "")


def gone_words(record: ShellRecord) -> str:
    """`left the room, by Ravi`; "" for a tree that hangs still."""
    ended = record.life.ended_by
    return "" if ended is None else f"{GONE[type(ended)]}, by {ended.by or 'nobody named'}"


def last_word(record: ShellRecord, clock: RoomClock) -> str:
    """The last state that was said of it, and when."""
    if not record.verdicts:
        return "none"
    last = record.verdicts[-1]
    return f"{STATE_WORDS.get(last.state, last.state.value)}, {clock.at(last.time)}"
