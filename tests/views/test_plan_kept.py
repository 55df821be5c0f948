"""What the plan promised beside what came: which words are kept, and how they are held against the end."""

import json

from drymon.messages.message import Message
from drymon.views.plan_kept import PlanKept
from tests.views.invented import hours


def stamp(at: float) -> str:
    return f"{hours(at):%Y-%m-%dT%H:%M:%SZ}"


def plan(at: float, **ends: tuple[float, float, float | None] | None) -> Message:
    """A plan at an hour after 05:00 UTC; of each tree the early, likely and late hour of its end."""

    def finish(end: tuple[float, float, float | None] | None) -> dict[str, str | None] | None:
        if end is None:
            return None
        early, best, late = end
        return {"early": stamp(early), "best": stamp(best), "late": None if late is None else stamp(late)}

    trees = {tree.replace("_", "-"): {"finish": finish(end)} for tree, end in ends.items()}
    content = {"time": stamp(at), "trees": trees}
    return Message(hours(at), "drymon/shop/out/plan", json.dumps(content).encode())


def tree(name: str, at: float, state: str) -> Message:
    content = {"tree": name, "time": stamp(at), "state": state}
    return Message(hours(at), f"drymon/shop/out/tree/{name}", json.dumps(content).encode())


def heard(*messages: Message) -> PlanKept:
    kept = PlanKept("shop", "Europe/Berlin")
    for message in messages:
        kept.hear(message)
    return kept


def test_an_end_is_as_told_before_it_or_after_it() -> None:
    """05:00 UTC is six in the morning in Berlin in March."""
    kept = heard(
        plan(1, a=(10, 12, 14), b=(10, 12, 14), c=(10, 12, 14), d=(10, 12, None)),
        tree("a", 13, "complete"),
        tree("b", 9, "complete"),
        tree("c", 16, "complete"),
        tree("d", 40, "complete"),
        tree("e", 12, "complete"),
    )
    head, *rows, last = kept.lines()
    assert head.split() == ["shell", "told", "at", "its", "first", "dip", "came"]
    assert [" ".join(row.split()) for row in rows] == [
        "b Mon 18:00 (Mon 16:00 to Mon 20:00) Mon 15:00 before it",
        "a Mon 18:00 (Mon 16:00 to Mon 20:00) Mon 19:00 as told",
        "c Mon 18:00 (Mon 16:00 to Mon 20:00) Mon 22:00 after it",
        "d Mon 18:00 (Mon 16:00 to beyond the plan) Tue 22:00 as told",
    ]
    assert last.startswith("Of 4 ends told, at the first dip and each morning after, 2 came within what was told;")
    assert last.endswith("less than 3.5 h off."), "1, 3, 4 and 28 h off"


def test_the_first_word_and_one_each_morning_are_kept_until_the_end() -> None:
    kept = heard(
        plan(12, a=None, b=(60, 62, 64)),
        plan(13, a=(60, 62, 64), b=(1, 2, 3)),
        plan(24.5, a=(61, 63, 65), b=(61, 63, 65)),  # half past six: the room is not awake
        plan(25.5, a=(62, 64, 66), b=(62, 64, 66)),
        plan(27.0, a=(1, 2, 3), b=(1, 2, 3)),
        tree("a", 28, "drying"),
        tree("a", 50, "complete"),
        tree("a", 51, "complete"),
        plan(52, a=(1, 2, 3), b=(63, 65, 67)),
    )
    assert [one.best for one in kept.told["a"]] == [hours(62), hours(64)]
    assert [one.best for one in kept.told["b"]] == [hours(62), hours(64), hours(65)]
    assert kept.ended == {"a": hours(50)}


def test_nothing_is_said_where_no_shell_came_to_its_end() -> None:
    assert list(heard(plan(1, a=(10, 12, 14)), tree("a", 3, "drying")).lines()) == []
