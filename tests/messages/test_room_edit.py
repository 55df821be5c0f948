"""room.toml changed in place: comments stay, what was not asked for is as it was, and nobody's work is overwritten."""

import tomllib
from datetime import UTC, datetime, timedelta
from difflib import unified_diff
from pathlib import Path

import pytest

from drymon.errors import SetupError
from drymon.messages import tables
from drymon.messages.allowed import allowed_words, default_of
from drymon.messages.config import parse_home, problems_of
from drymon.messages.home import template
from drymon.messages.in_force import models_mark, room_is_in_force
from drymon.messages.room_edit import (
    MOST_KEPT,
    add_entry,
    keep_room,
    read_room,
    remove_entry,
    set_entry,
    set_single,
)

NOON = datetime(2031, 3, 3, 12, 0, tzinfo=UTC)
TEXT = template()


def difference(before: str, after: str) -> list[str]:
    lines = unified_diff(before.splitlines(), after.splitlines(), n=0, lineterm="")
    return [line for line in lines if not line.startswith(("---", "+++", "@@"))]


def test_a_changed_value_keeps_its_comment_and_a_new_key_stands_before_the_next_head() -> None:
    after = set_entry(TEXT, "coat", 4, {"dry_at": 0.96, "usual_wait_h": 4, "room": {"humidity_pct": [30, 50]}})
    changed = difference(TEXT, after)
    gone, come = [line for line in changed if "dry_at" in line]
    assert gone[:15] == "-dry_at = 0.95 "
    assert come == "+dry_at = 0.96" + gone[14:]
    assert "# bars with 88 % gone" in come
    assert len(changed) == 5, "that line, the band's line, one line more"
    coat = tomllib.loads(after)["coat"][3]
    assert (coat["usual_wait_h"], coat["room"]["humidity_pct"], coat["room"]["temperature_c"]) == (
        4,
        [30, 50],
        [20, 26],
    )
    assert after.index("usual_wait_h = 4\n") < after.index("[[coat]]", after.index("dry_at = 0.96"))


def test_an_added_rack_stands_behind_the_racks_and_before_the_words_on_load_cells() -> None:
    after = add_entry(TEXT, "rack", {"name": "rack-c", "label": "By the door", "air": None})
    assert difference(TEXT, after) == ["+", "+[[rack]]", '+name = "rack-c"', '+label = "By the door"']
    assert after.index('name = "rack-b"') < after.index('name = "rack-c"') < after.index("# Load cells")
    assert [rack.name for rack in parse_home(after, Path("/home")).room.racks] == ["rack-a", "rack-b", "rack-c"]


def test_the_head_of_the_next_part_stays_when_the_last_coat_goes() -> None:
    after = remove_entry(TEXT, "coat", 5)
    assert [coat["name"] for coat in tomllib.loads(after)["coat"]][-1] == "backup"
    assert "# Recipes: the order of coats." in after
    assert [line[0] for line in difference(TEXT, after)] == ["-"] * 8


def test_a_table_that_was_not_there_is_made_and_the_last_entry_takes_its_head_along() -> None:
    hours = set_single(TEXT, "hours", {"days": ["Mon", "Sat"], "from": "07:00", "to": None})
    assert tomllib.loads(hours)["hours"] == {"days": ["Mon", "Sat"], "from": "07:00"}
    tank = add_entry(TEXT, "slurry", {"name": "tank-1", "coats": ["backup"]})
    assert "slurry" not in tomllib.loads(remove_entry(tank, "slurry", 1))
    empty = set_entry(TEXT, "coat", 5, {"room": dict.fromkeys(["temperature_c", "humidity_pct", "airflow_m_per_s"])})
    assert "room" not in tomllib.loads(empty)["coat"][4]


def test_what_is_written_as_a_table_of_its_own_is_changed_there() -> None:
    text = '[room]\nname = "shop"\n\n[[coat]]\nname = "x"\nfamily = "seal"\n[coat.room]\nswing_c = 2 # K\n\n# the end\n'
    after = set_entry(text, "coat", 1, {"label": "last", "room": {"swing_c": 3}})
    assert tomllib.loads(after)["coat"][0] == {"name": "x", "family": "seal", "label": "last", "room": {"swing_c": 3}}
    assert "swing_c = 3 # K" in after
    assert after.endswith("# the end\n")


def test_entries_that_stand_apart_are_not_gathered_behind_ones_back() -> None:
    text = TEXT + '\n[[coat]]\nname = "x"\nfamily = "seal"\n'
    with pytest.raises(SetupError, match="stand apart from each other; put them one after another by hand"):
        set_entry(text, "coat", 6, {"label": "last"})


def test_windows_line_ends_stay(tmp_path: Path) -> None:
    (tmp_path / "room.toml").write_bytes(TEXT.replace("\n", "\r\n").encode())
    before = read_room(tmp_path)
    keep_room(tmp_path, before, set_single(before, "room", {"altitude_m": 310}), NOON)
    assert (tmp_path / "room.toml").read_bytes().count(b"\r\n") == TEXT.count("\n")


def test_the_file_before_is_kept_beside_it_with_its_rights_and_only_so_many(tmp_path: Path) -> None:
    file = tmp_path / "room.toml"
    file.write_text(TEXT)
    file.chmod(0o640)
    before = TEXT
    for step in range(MOST_KEPT + 3):
        after = set_single(before, "room", {"altitude_m": step + 1})
        old = keep_room(tmp_path, before, after, NOON + timedelta(seconds=step))
        assert old.read_text() == before
        before = after
    assert file.read_text() == before
    assert file.stat().st_mode & 0o777 == old.stat().st_mode & 0o777 == 0o640
    kept = sorted(tmp_path.glob("room.toml.*"))
    assert (len(kept), kept[-1]) == (MOST_KEPT, old)


def test_what_somebody_else_changed_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "room.toml").write_text(TEXT + "# by hand\n")
    with pytest.raises(SetupError, match="changed by somebody else meanwhile"):
        keep_room(tmp_path, TEXT, TEXT.replace("rack-b", "rack-c"), NOON)
    assert (tmp_path / "room.toml").read_text() == TEXT + "# by hand\n"
    assert [file.name for file in tmp_path.iterdir()] == ["room.toml"]


@pytest.mark.parametrize(
    ("table", "key", "wrong"),
    [
        (tables.CoatTable, "dry_at", 95),
        (tables.CoatTable, "longest_wait_h", 0),
        (tables.BandTable, "humidity_pct", [-1, 50]),
        (tables.SlurryTable, "density", [0.1, 2.0]),
        (tables.HoursTable, "from", "7 o'clock"),
        (tables.RoomTable, "timezone", "Foundry/Yard"),
    ],
)
def test_what_is_allowed_is_said_in_the_words_of_the_refusal(table, key, wrong) -> None:
    head = {
        "CoatTable": '[[coat]]\nname = "x"\nfamily = "seal"\n',
        "SlurryTable": '[[slurry]]\nname = "x"\ncoats = []\n',
    }
    name = {"BandTable": '[[coat]]\nname = "x"\nfamily = "seal"\n[coat.room]\n', "HoursTable": "[hours]\n"}
    before = head.get(table.__name__) or name.get(table.__name__) or ""
    written = f"'{wrong}'" if key == "timezone" else f'"{wrong}"' if isinstance(wrong, str) else str(wrong)
    told = problems_of(f'[room]\nname = "shop"\n{before}{key} = {written}\n', Path("/home"))
    words = allowed_words(table, key)
    assert len(words) > 3
    assert any(line.endswith(f"allowed is {words}") for line in told), told


def test_where_nothing_is_given_the_default_is_told() -> None:
    assert (default_of(tables.CoatTable, "dry_at"), default_of(tables.HoursTable, "to")) == (0.95, "24:00")
    assert default_of(tables.CoatTable, "longest_wait_h") is None
    assert allowed_words(tables.RackTable, "label") == ""


def test_in_force_is_what_was_read_whatever_stands_in_comments(tmp_path: Path) -> None:
    config = parse_home(TEXT, tmp_path)
    assert room_is_in_force("# a word\n" + TEXT, config)
    assert not room_is_in_force(set_entry(TEXT, "coat", 4, {"dry_at": 0.96}), config)
    assert not room_is_in_force("not TOML at all", config)
    mark = models_mark(tmp_path)
    (tmp_path / "models").mkdir()
    assert models_mark(tmp_path) == mark
    (tmp_path / "models" / "backup.toml").write_text("a model")
    assert models_mark(tmp_path) != mark
