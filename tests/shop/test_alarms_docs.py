"""The page about alarms names every kind with its severity and its meaning, and its configuration is one that loads."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drymon.messages.config import load_home
from drymon.shop.alarms.alarm_book import AlarmBook, Condition, Key, Truth
from drymon.shop.alarms.alarm_kinds import KINDS
from drymon.shop.alarms.raising import update
from drymon.shop.verdict.reasons import REASONS, Effect

PAGE = (Path(__file__).parents[2] / "docs" / "alarms.md").read_text(encoding="utf-8")
ROOM = '[room]\nname = "shop"\n[[rack]]\nname = "rack-a"\n[[coat]]\nname = "backup"\nfamily = "backup"\n'


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_is_in_the_table(name: str) -> None:
    row = next(line for line in PAGE.splitlines() if line.startswith(f"| `{name}` |"))
    cells = [cell.strip() for cell in row.strip("|").split("|")]
    kind = KINDS[name]
    grades = [kind.severities[0], *kind.severities[1:][-1:]]
    assert cells[1] == " to ".join(grades)
    assert cells[2:5] == [span(kind.on_delay), span(kind.off_delay), span(kind.repeat) if kind.repeat else "never"]
    assert cells[5] == kind.meaning


def span(length: timedelta) -> str:
    """As the page says it: at once, 10 min, 24 h."""
    minutes = int(length.total_seconds()) // 60
    return "at once" if not minutes else f"{minutes} min" if minutes < 60 else f"{minutes // 60} h"


def listed_after(words: str) -> list[str]:
    """The kinds that a point of the page names after these words."""
    point = PAGE.split(words)[1].split(".\n")[0]
    return re.findall(r"`([a-z-]+)`", point)


def test_the_page_says_what_stays_listed_once_it_is_over_and_what_until_somebody_has_seen_it() -> None:
    assert listed_after("stays listed once it is over") == [name for name, kind in KINDS.items() if kind.lingers]
    assert listed_after("has been done and is over stands") == [name for name, kind in KINDS.items() if kind.happened]


@pytest.mark.parametrize("name", KINDS)
def test_what_is_over_is_listed_as_the_page_says(name: str) -> None:
    """Raised, and gone for two days without anybody's having looked."""
    book, begin = AlarmBook(), datetime(2031, 3, 3, 6, tzinfo=UTC)
    for minutes, truth in ((0, Truth.HOLDS), (60, Truth.HOLDS), (120, Truth.CLEAR), (3000, Truth.CLEAR)):
        said = [Condition(Key(name, "rack-a"), truth, "It is so.", "Do it soon.")]
        book, _ = update(book, begin + timedelta(minutes=minutes), said)
    assert bool(book.standing()) is (name in listed_after("stays listed once it is over"))


def test_what_to_look_for_is_the_programs() -> None:
    rows = re.findall(r"^\| `([a-z-]+)` \| (\w+) \| ([^|]+) \|$", PAGE.split("## What to look for")[1], re.MULTILINE)
    holds = {code: kind for code, kind in REASONS.items() if kind.effect is Effect.HOLD}
    assert rows == [(code, kind.severity, kind.look_for) for code, kind in holds.items()]


def test_no_kind_is_in_the_table_that_is_not_there() -> None:
    table = PAGE.split("kinds: begin")[1].split("kinds: end")[0]
    named = set(re.findall(r"^\| `([a-z-]+)` \|", table, re.MULTILINE))
    assert named == set(KINDS)


def test_the_configuration_shown_is_one_that_loads(tmp_path: Path) -> None:
    shown = re.search(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    assert shown is not None
    (tmp_path / "room.toml").write_text(ROOM + shown[1], encoding="utf-8")
    for name in ("mail.password", "hook.secret", "apprise.urls"):
        (tmp_path / name).write_text("secret\n")
    notify = load_home(tmp_path).notify
    assert notify.mails[0].to == ("kim@example.org",)
    assert notify.webhooks[0].least_severity == "danger"
    assert notify.apprises[0].kinds == ("rack-ready",)
