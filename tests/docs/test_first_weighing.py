"""The page on the first weighing tells what drymon would tell: its story is played through the real command."""

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

PAGE = (Path(__file__).parents[2] / "docs" / "first-weighing.md").read_text(encoding="utf-8")
BEGIN = datetime(2031, 3, 3, 7, 0, tzinfo=UTC)
DIPPED = BEGIN + timedelta(hours=1)


def weighings() -> list[tuple[int, float]]:
    """Minutes after the dip and grams, as the page's table has them."""
    return [(int(minutes), float(grams)) for minutes, grams in re.findall(r"\| (\d+) min \| ([\d.]+) g \|", PAGE)]


def told(row: str) -> tuple[float, float]:
    """Likely and sure hours of a row of the page."""
    found = re.search(rf"\| {row} \| ([\d.]+) h \| ([\d.]+) h \|", PAGE)
    assert found is not None
    return float(found[1]), float(found[2])


def story() -> Iterator[tuple[datetime, str, str]]:
    """What the sensors and the people say."""
    for minute in range(6 * 60):
        at = BEGIN + timedelta(minutes=minute, seconds=5)
        yield at, "room/temperature", "22.0"
        yield at, "room/humidity", "50.0"
    for place, tree in enumerate(("owl", "heron", "witness-1")):
        dip = {"tree": tree, "rack": "rack-a", "coat": "backup", "number": 4, "shelter": "open"}
        yield DIPPED + timedelta(minutes=place), "log/dip", json.dumps(dip)
    for minutes, grams in weighings():
        weighed = {"tree": "witness-1", "mass": grams, "unit": "g"}
        yield DIPPED + timedelta(minutes=minutes + 2), "log/weigh", json.dumps(weighed)


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, str]]:
    """What is said of the open tree, in order."""
    folder = tmp_path_factory.mktemp("first-weighing")
    lines = [
        json.dumps({"time": f"{at:%Y-%m-%dT%H:%M:%SZ}", "topic": f"drymon/shop/{topic}", "payload": payload})
        for at, topic, payload in sorted(story())
    ]
    (folder / "stream.jsonl").write_text("\n".join(lines) + "\n", encoding="utf-8")
    home, out = folder / "home", folder / "out.jsonl"
    for words in (["init"], ["replay", str(folder / "stream.jsonl"), "--out", str(out)]):
        command = [sys.executable, "-P", "-m", "drymon.cli", "--home", str(home), *words]
        subprocess.run(command, check=True, capture_output=True, stdin=subprocess.DEVNULL, timeout=300)
    messages = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    return [json.loads(one["payload"]) for one in messages if one["topic"].endswith("/out/tree/owl")]


def hours(tree: dict[str, str]) -> tuple[float, float]:
    """Likely and sure hours after the dip."""
    dry_at: dict[str, str] = tree["dry_at"]  # type: ignore[assignment]
    likely, sure = (
        datetime.fromisoformat(dry_at[end]) - datetime.fromisoformat(tree["dipped_at"]) for end in ("best", "late")
    )
    return likely / timedelta(hours=1), sure / timedelta(hours=1)


def test_the_page_has_five_weighings() -> None:
    assert len(weighings()) == 5


def test_before_the_weighings_the_hours_are_those_of_the_page(said: list[dict[str, str]]) -> None:
    assert hours(said[0]) == pytest.approx(told("at the dip"), abs=0.15)


def test_after_the_weighings_the_hours_are_those_of_the_page(said: list[dict[str, str]]) -> None:
    last = DIPPED + timedelta(minutes=weighings()[-1][0] + 4)
    after = next(tree for tree in said if datetime.fromisoformat(tree["time"]) >= last)
    assert hours(after) == pytest.approx(told("after the fifth weighing"), abs=0.15)
    assert hours(after)[1] < hours(said[0])[1] - 3.0
