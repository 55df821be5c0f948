"""Published tables, read once: every row carries its source in its last columns."""

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

PUBLISHED = Path(__file__).parents[1] / "published"


@pytest.fixture(scope="session")
def published() -> Callable[[str], list[dict[str, str]]]:
    def read(name: str) -> list[dict[str, str]]:
        with open(PUBLISHED / f"{name}.csv", newline="", encoding="utf-8") as lines:
            return list(csv.DictReader(lines))

    return read
