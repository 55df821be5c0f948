"""Compiled templates are kept from start to start, while they are what the templates say."""

from pathlib import Path

import pytest
from jinja2 import Environment, FileSystemLoader

from drymon.views.page.compiled import kept


class Counting(Environment):
    """How many templates it compiled."""

    compiled = 0

    def compile(self, *args, **kwargs):
        self.compiled += 1
        return super().compile(*args, **kwargs)


@pytest.fixture
def start(tmp_path: Path, monkeypatch):
    """What a fresh process says of a template, and how many it compiled for that."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))

    def started(text: str) -> tuple[str, int]:
        (tmp_path / "one.html").write_text(text, "utf-8")
        environment = Counting(loader=FileSystemLoader(tmp_path), bytecode_cache=kept())
        return environment.get_template("one.html").render(name="t-1"), environment.compiled

    return started


def test_a_template_is_compiled_once_and_again_when_it_says_something_else(start) -> None:
    assert start("{{ name }} is wet") == ("t-1 is wet", 1)
    assert start("{{ name }} is wet") == ("t-1 is wet", 0)
    assert start("{{ name }} is dry") == ("t-1 is dry", 1)
    assert start("{{ name }} is dry") == ("t-1 is dry", 0)


def test_what_was_kept_and_is_damaged_is_compiled_anew(start, tmp_path: Path) -> None:
    start("{{ name }} is wet")
    (file,) = (tmp_path / "cache").rglob("*.cache")
    file.write_bytes(file.read_bytes()[:-40])
    assert start("{{ name }} is wet") == ("t-1 is wet", 1)


def test_a_user_without_a_cache_folder_has_templates_all_the_same(start, tmp_path: Path) -> None:
    (tmp_path / "cache").write_text("in the way", "utf-8")
    assert [start("{{ name }} is wet") for _ in range(2)] == [("t-1 is wet", 1)] * 2
