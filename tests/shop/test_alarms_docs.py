"""The page about alarms names every kind with its severity and its meaning, and its configuration is one that loads."""

import re
from pathlib import Path

import pytest

from drymon.messages.config import load_home
from drymon.shop.alarm_kinds import KINDS

PAGE = (Path(__file__).parents[2] / "docs" / "alarms.md").read_text(encoding="utf-8")
ROOM = '[room]\nname = "shop"\n[[rack]]\nname = "rack-a"\n[[coat]]\nname = "backup"\nfamily = "backup"\n'


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_is_in_the_table(name: str) -> None:
    row = next(line for line in PAGE.splitlines() if line.startswith(f"| `{name}` |"))
    cells = [cell.strip() for cell in row.strip("|").split("|")]
    assert cells[1] == KINDS[name].severity
    assert cells[5] == KINDS[name].meaning


def test_no_kind_is_in_the_table_that_is_not_there() -> None:
    named = set(re.findall(r"^\| `([a-z-]+)` \|", PAGE, re.MULTILINE))
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
