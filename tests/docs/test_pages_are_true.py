"""The reference pages against the program: nothing undocumented, nothing documented that is not there.

The program's own tables are the outside here: the pages are what is checked.
"""

import io
import json
import os
import re
import shutil
import subprocess
from contextlib import redirect_stdout
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from types import UnionType
from typing import Annotated, Union, get_args, get_origin

import pytest
from pydantic import BaseModel

from drymon.cli.commands import COMMANDS, Command
from drymon.cli.main import main
from drymon.drying.quantities import LIMITS, Quantity
from drymon.messages import log_tables
from drymon.messages.config import parse_home
from drymon.messages.log_events import EVENTS
from drymon.messages.outgoing import verdict_dict
from drymon.messages.tables import HomeFile
from drymon.messages.units import IMPOSSIBLE, UNITS
from drymon.shop.facts.outcome import State, Verdict, When
from drymon.shop.verdict.reasons import REASONS, Effect
from tests.docs.markdown import DOCS, REPOSITORY, anchors, blocks, links, section, tables

PAGES = sorted((*REPOSITORY.glob("*.md"), *DOCS.glob("**/*.md")))
NAMED_BY_README = ("first-day", "room", "messages", "commands", "weighing", "limits")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_resolve(page: Path) -> None:
    for link in links(page):
        if re.match(r"(https?|mailto):", link):
            continue
        file, _, anchor = link.partition("#")
        target = (page.parent / file).resolve() if file else page
        assert target.exists(), f"{page.name}: {link} leads nowhere"
        if anchor:
            assert anchor in anchors(target), f"{page.name}: {target.name} has no heading for #{anchor}"
    assert page.stat().st_size > 0


def test_every_picture_is_shown_somewhere() -> None:
    """A picture that no page shows is forgotten when the page it shows changes."""
    shown = {(page.parent / link).resolve() for page in PAGES for link in links(page) if link.endswith(".png")}
    kept = set((DOCS / "pictures").glob("*.png"))
    assert kept
    assert kept == shown


@pytest.mark.parametrize("name", NAMED_BY_README)
def test_the_readme_names_the_page(name: str) -> None:
    assert f"docs/{name}.md" in links(REPOSITORY / "README.md")


def test_no_line_is_wider_than_a_page_can_be_read() -> None:
    """Prose, so that a diff can be read; tables and their links are as wide as they are."""
    for page in PAGES:
        wide = [line for line in page.read_text("utf-8").splitlines() if len(line) > 160 and not line.startswith("|")]
        assert not wide, f"{page.name}: {wide[0][:60]}… is {len(wide[0])} wide"


# --- messages.md ---


def test_the_page_s_verdict_has_the_keys_of_a_real_one() -> None:
    """A program is written by the example: what it shows must come, and all that comes is shown."""
    shown = next(block.text for block in blocks(DOCS / "messages.md") if '"safe_to_redip"' in block.text)
    at, never = datetime(2031, 3, 3, tzinfo=UTC), When(None, None, None)
    real = verdict_dict(Verdict(at, at, "t-7", "rack-a", "backup", 4, at, State.READY, None, never, None, ()))
    assert list(json.loads(shown)) == list(real)
    told = {
        key for table in tables(section(DOCS / "messages.md", "A tree")) for row in table for key in row[0].split(", ")
    }
    plain = {"time", "valid_until", "tree", "rack", "coat", "number", "dipped_at", "safe_to_redip"}
    assert told == set(real) - plain


# --- commands.md -----------------------------------------------------------------------------------------------------


@cache
def helped(*words: str) -> str:
    """What --help says."""
    said = io.StringIO()
    with redirect_stdout(said):
        assert main([*words, "--help"]) == 0
    return said.getvalue()


def parts_of(name: str) -> list[str]:
    """The words that may follow a command that has such: `plot rack`, `user add`."""
    whole = helped(name)
    return (
        re.findall(r"^    ([a-z][a-z-]+)(?:$|  | \()", whole, re.MULTILINE)
        if re.search(r"[A-Z]+ \.\.\.", whole)
        else []
    )


def options_of(name: str) -> set[str]:
    """All options of a command and its parts, but for those that every command has."""
    texts = [helped(name), *(helped(name, part) for part in parts_of(name))]
    return set().union(*map(options_in, texts))


def options_in(text: str) -> set[str]:
    return set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", text)) - {"--home", "--help"}


def test_every_command_has_its_section_and_no_other_has() -> None:
    heads = re.findall(r"^## (\w+)$", (DOCS / "commands.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert set(heads) == {command.name for command in COMMANDS}
    assert len(heads) == len(set(heads))


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.name)
def test_every_option_of_the_command_is_told(command: Command) -> None:
    """As its --help says them, those of its parts included; what all log events have is told with `dip`."""
    said = section(DOCS / "commands.md", command.name)
    told = options_in(said)
    if command.module == "event_words":
        told |= options_in(section(DOCS / "commands.md", "dip"))
    there = options_of(command.name)
    assert there <= told, f"{command.name}: --help knows {sorted(there - told)}, the page does not"
    for part in parts_of(command.name):
        assert f"{command.name} {part}" in said, f"{command.name} {part} is not told"


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.name)
def test_no_option_is_told_that_the_command_has_not(command: Command) -> None:
    """In no page, wherever it writes `drymon NAME …`."""
    for page in PAGES:
        for call in re.findall(rf"\bdrymon {command.name}\b([^|`\n>]*)", page.read_text(encoding="utf-8")):
            strange = options_in(call) - options_of(command.name)
            assert not strange, f"{page.name}: drymon {command.name} has no {sorted(strange)}"


# --- room.md ---------------------------------------------------------------------------------------------------------


def tables_of_room() -> dict[str, type[BaseModel]]:
    """Every table of room.toml by the heading of its section in the page."""
    found = {name: model for name, model in _inner(HomeFile).items()}
    return found | {f"notify.{name}": model for name, model in _inner(found["notify"]).items()}


def _inner(model: type[BaseModel]) -> dict[str, type[BaseModel]]:
    found = {}
    for name, field in model.model_fields.items():
        inner = [kind for kind in _parts(field.annotation) if isinstance(kind, type) and issubclass(kind, BaseModel)]
        if inner:
            found[name] = inner[0]
    return found


def _parts(annotation: object) -> list[object]:
    if get_origin(annotation) in (list, Annotated, Union, UnionType):
        return [part for argument in get_args(annotation) for part in _parts(argument)]
    return [annotation]


@pytest.mark.parametrize("heading", sorted(tables_of_room()))
def test_every_key_of_the_table_is_told_with_its_default(heading: str) -> None:
    model = tables_of_room()[heading]
    text = re.split(r"^### ", section(DOCS / "room.md", heading), maxsplit=1, flags=re.MULTILINE)[0]
    rows = {row[0]: row for row in tables(text)[0]}
    keys = {field.alias or name: field for name, field in model.model_fields.items()}
    assert set(rows) == set(keys)
    for name, field in keys.items():
        told = rows[name][1]
        if field.is_required():
            assert told == "required", f"{heading}.{name} is required"
        elif isinstance(field.default, str | float | int | list) and field.default != []:
            assert told.strip('"') == _as_toml(field.default), f"{heading}.{name}: the page says {told}"
        else:
            assert told not in ("required", ""), f"{heading}.{name} has a default"


def _as_toml(value: object) -> str:
    if isinstance(value, float) and value.is_integer():
        return f"{value:.0f}"
    return str(value)


def test_the_bands_of_a_coat_are_told() -> None:
    model = _inner(tables_of_room()["coat"])["room"]
    rows = tables(section(DOCS / "room.md", "coat"))[1]
    assert {row[0] for row in rows} == set(model.model_fields)


def test_the_small_room_is_understood(tmp_path: Path) -> None:
    text = next(block.text for block in blocks(DOCS / "room.md") if block.mark == "room")
    (tmp_path / "broker.password").write_text("secret")
    config = parse_home(text, tmp_path)
    assert [coat.name for coat in config.room.coats] == ["prime-first", "backup"]
    assert config.broker is not None
    assert config.broker.port == 1883


# --- messages.md -----------------------------------------------------------------------------------------------------


def test_limits_and_windows_are_those_of_the_program() -> None:
    rows = {row[0]: row[1:] for row in tables(section(DOCS / "messages.md", "Limits and windows"))[0]}
    assert set(rows) == set(LIMITS)
    for quantity, limits in LIMITS.items():
        unit, also, low, high, least, most, change, stuck, partner = rows[quantity]
        assert unit == limits.unit
        assert {unit, *also.split(", ")} == set(UNITS[quantity])
        assert (float(low), float(high)) == (limits.low, limits.high)
        assert (float(least), float(most)) == IMPOSSIBLE[quantity]
        assert _number(change, float("inf")) == limits.change_per_min
        assert _number(stuck, None) == limits.stuck_after_min
        if limits.partner is not None:
            assert partner == f"{limits.partner} moved by {limits.partner_moves:g}"


def _number(cell: str, where_none: float | None) -> float | None:
    return where_none if cell == "-" else float(cell)


EFFECTS = {
    Effect.UNKNOWN: "unknown",
    Effect.HOLD: "hold",
    Effect.DRYING: "drying",
    Effect.WIDENS: "widens the bounds, explains",
}


def test_reasons_are_those_of_the_program_in_their_order() -> None:
    rows = tables(section(DOCS / "messages.md", "Reasons"))[0]
    assert [row[0] for row in rows] == list(REASONS)
    for code, effect, text, release in rows:
        kind = REASONS[code]
        wanted = re.sub(r"\{(\w+)[^}]*\}", r"<\1>", kind.text)
        assert (effect, text, release) == (EFFECTS[kind.effect], wanted, kind.release)


def test_log_events_are_those_of_the_program_with_their_keys() -> None:
    rows = {row[0]: row[1] for row in tables(section(DOCS / "messages.md", "Log events"))[0]}
    assert set(rows) == set(EVENTS)
    common = set(log_tables.EventTable.model_fields)
    for name, (table, _) in EVENTS.items():
        assert set(rows[name].split(", ")) == set(table.model_fields) - common, name


# --- install/ --------------------------------------------------------------------------------------------------------


def test_the_unit_is_shut_off_from_the_machine() -> None:
    """systemd's own judgement; 2.0 of 10 is the most that we allow ourselves (0 is the safest)."""
    done = _systemd("security", "--offline=true", str(DOCS / "install/drymon.service"))
    level = re.search(r"exposure level for drymon\.service: ([\d.]+)", done.stdout)
    assert level, done.stdout + done.stderr
    assert float(level[1]) <= 2.0


def test_the_unit_has_no_word_that_systemd_does_not_know() -> None:
    done = _systemd("verify", str(DOCS / "install/drymon.service"))
    complaints = [line for line in done.stderr.splitlines() if "drymon" in line and "is not executable" not in line]
    assert complaints == []


def _systemd(*words: str) -> "subprocess.CompletedProcess[str]":
    try:
        return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, timeout=60)
    except FileNotFoundError:
        pytest.skip("needs systemd-analyze")


@pytest.mark.parametrize("name", ["install.sh", "drymon-sensor", "drymon-wrapper"])
def test_the_scripts_are_shell(name: str) -> None:
    done = subprocess.run(["sh", "-n", str(DOCS / "install" / name)], capture_output=True, text=True, timeout=10)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("name", ["", "Thermo", "a/b", "drymon", "-x", "a b"])
def test_a_sensor_of_a_wrong_name_is_refused(name: str) -> None:
    script = str(DOCS / "install/drymon-sensor")
    done = subprocess.run(["sh", script, name], capture_output=True, text=True, timeout=10)
    assert done.returncode == 2
    assert "drymon-sensor: " in done.stderr
    assert done.stdout == ""


def test_a_sensor_s_password_comes_into_the_file_whole(tmp_path: Path) -> None:
    """The broker's file is replaced, not rewritten: what is cut short by the power is the old one, with its rights."""
    tool = shutil.which("mosquitto_passwd")
    if tool is None:
        pytest.skip("mosquitto_passwd is not installed")
    passwords = tmp_path / "drymon.passwd"
    passwords.write_text("drymon:$7$101$there\nold:$7$101$there\n")
    passwords.chmod(0o640)
    before = passwords.open()
    (tmp_path / "systemctl").write_text("#!/bin/sh\n")
    (tmp_path / "systemctl").chmod(0o755)
    script = (DOCS / "install/drymon-sensor").read_text().replace("/etc/mosquitto/drymon.passwd", str(passwords))
    env = {**os.environ, "PATH": f"{tmp_path}:{os.environ['PATH']}"}
    for name in ("thermo-1", "old", "thermo-1"):
        done = subprocess.run(["sh", "-c", script, "sh", name], capture_output=True, text=True, timeout=30, env=env)
        assert (done.returncode, done.stderr) == (0, "")
    names = sorted(line.split(":")[0] for line in passwords.read_text().splitlines())
    assert names == ["drymon", "old", "thermo-1"]
    assert before.read() == "drymon:$7$101$there\nold:$7$101$there\n", "who reads on meets no half of it"
    before.close()
    assert passwords.stat().st_mode & 0o777 == 0o640
    assert sorted(file.name for file in tmp_path.iterdir() if file.name.startswith("drymon")) == [
        "drymon.passwd",
        "drymon.passwd.lock",
    ]


def test_a_sensor_of_its_own_user_may_say_every_quantity() -> None:
    rights = (DOCS / "install" / "acl").read_text(encoding="utf-8")
    allowed = re.findall(r"^pattern write drymon/\+/\+/(\w+)/#$", rights, re.MULTILINE)
    assert sorted(allowed) == sorted(quantity.value for quantity in Quantity)
