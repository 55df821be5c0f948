"""The pages and what is installed: links lead somewhere, examples are understood, the unit is shut off."""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

from drymon_sensors.cli.main import COMMANDS
from drymon_sensors.config import parse
from drymon_sensors.sources import KINDS
from drymon_sensors.sources.base import Machine

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

ROOT = Path(__file__).parents[1]
PAGES = sorted((ROOT / "README.md", *(ROOT / "wiring").glob("*.md"), *(ROOT / "overlays").glob("*.md")))
BLOCK = re.compile(r"^```(\S*)[ \t]*([^\n`]*)\n(.*?)^```[ \t]*$", re.MULTILINE | re.DOTALL)
README = (ROOT / "README.md").read_text(encoding="utf-8")
UNIT = ROOT / "install/drymon-sensors.service"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    for link in re.findall(r"\]\(([^)\s#]+)", BLOCK.sub("", page.read_text(encoding="utf-8"))):
        assert link.startswith("http") or (page.parent / link).exists(), link


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_shell_is_shell_and_says_that_it_needs_a_machine(page: Path) -> None:
    for language, mark, text in BLOCK.findall(page.read_text(encoding="utf-8")):
        assert language in ("", "sh", "toml")
        if language == "sh":
            assert mark == "machine", "nothing runs it"
            assert subprocess.run(["sh", "-n"], input=text, text=True, timeout=10).returncode == 0


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_example_of_a_configuration_is_understood(page: Path, tmp_path: Path) -> None:
    for language, _, text in BLOCK.findall(page.read_text(encoding="utf-8")):
        if language == "toml":
            data = {"node": {"device": "node-1"}, **tomllib.loads(text)}
            config = parse(data, str(tmp_path), Machine())
            assert config.sensors or config.scales


@pytest.mark.parametrize("page", [page for page in PAGES if page.parent.name == "wiring"], ids=lambda page: page.name)
def test_every_wiring_page_has_its_cautions(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert "## Cautions" in text
    if page.name == "weight.md":
        assert "rated second catch" in text
        assert "Keep from under it" in text


def options(name: str) -> set[str]:
    parser = argparse.ArgumentParser()
    import_module(f"drymon_sensors.cli.{name}").register(parser)
    return set(re.findall(r"(?<![\w-])--[a-z]+", parser.format_help())) - {"--help"}


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_told_with_its_options(name: str) -> None:
    row = next(line for line in README.splitlines() if line.startswith(f"| `drymon-sensors {name}"))
    assert set(re.findall(r"--[a-z]+", row)) == options(name)


def test_every_kind_is_told_with_its_quantities() -> None:
    for name, kind in KINDS.items():
        row = next(line for line in README.splitlines() if line.startswith(f"| `{name}` |"))
        said = row.split("|")[2].strip()
        assert said == "all" or set(said.split(", ")) == set(kind.quantities)


def test_the_unit_is_shut_off_from_the_machine() -> None:
    """systemd's own judgement; 2.0 of 10 is the most that we allow ourselves (0 is the safest)."""
    done = _systemd("security", "--offline=true", str(UNIT))
    level = re.search(r"exposure level for drymon-sensors\.service: ([\d.]+)", done.stdout)
    assert level, done.stdout + done.stderr
    assert float(level[1]) <= 2.0


def test_the_unit_has_no_word_that_systemd_does_not_know() -> None:
    done = _systemd("verify", str(UNIT))
    assert [line for line in done.stderr.splitlines() if "drymon" in line and "not executable" not in line] == []


def _systemd(*words: str) -> subprocess.CompletedProcess[str]:
    try:
        return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, timeout=60)
    except FileNotFoundError:
        pytest.skip("needs systemd-analyze")


@pytest.mark.parametrize("name", ["install.sh", "drymon-sensors"])
def test_the_scripts_are_shell(name: str) -> None:
    done = subprocess.run(["sh", "-n", str(ROOT / "install" / name)], capture_output=True, text=True, timeout=10)
    assert (done.returncode, done.stderr) == (0, "")
