"""The home folder: where it is, and a new one."""

import re
from pathlib import Path

import pytest

from drymon.errors import SetupError
from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home, parse_home
from drymon.messages.home import locate_home, make_home, template, usual_wait_of


def test_a_new_home_loads_and_has_a_model_for_every_coat(tmp_path) -> None:
    make_home(tmp_path / "home")
    config = load_home(tmp_path / "home")
    assert config.broker is None
    assert {recipe.name for recipe in config.room.recipes} == {"bronze", "iron", "slurry-first"}
    assert {coat.name for coat in config.room.coats} <= set(load_models(tmp_path / "home"))


def test_the_iron_recipe_has_two_zircon_coats() -> None:
    config = parse_home(template(), Path("home"))
    assert config.room.recipe_by_name["iron"].coats[:3] == ("prime-first", "prime-first", "prime-fine")
    assert config.room.coat_by_name["slurry-only-first"].stucco_mesh == ()


def test_an_existing_room_is_never_overwritten(tmp_path) -> None:
    file = make_home(tmp_path)
    file.write_text("mine")
    with pytest.raises(SetupError, match="exists already"):
        make_home(tmp_path)
    assert file.read_text() == "mine"


def test_what_is_commented_out_is_right_too() -> None:
    """Whoever takes the comment signs away must not meet an error."""
    everything = re.sub(r"^# (?=\[|[a-z_]+ = )", "", template(), flags=re.MULTILINE)
    config = parse_home(everything, Path("home"))
    assert config.broker.tls
    assert len(config.notify.webhooks) == 1
    assert config.sources[0].topic == "workshop/thermo3"


def test_a_usual_wait_is_written_into_the_coats_of_its_family_and_changes_nothing_else() -> None:
    said = template({"prime": 12.0, "backup": 4.75})
    config = parse_home(said, Path("home"))
    waits = {coat.name: coat.usual_wait_h for coat in config.room.coats}
    primes = dict.fromkeys(("prime-first", "prime-fine", "slurry-only-first"), 12.0)
    assert waits == {**primes, "backup": 4.75, "seal": None}
    before, after = template().splitlines(), said.splitlines()
    apart = [(old, new) for old, new in zip(before, after, strict=True) if old != new]
    assert len(apart) == 4
    assert apart[0] == (
        "# usual_wait_h = 6                   # what you have been waiting: see above",
        "usual_wait_h = 12                    # what you have been waiting: see above",
    )


@pytest.mark.parametrize(
    ("answer", "hours"),
    [
        ("4", 4.0),
        (" 4.5 ", 4.5),
        ("4,5", 4.5),
        ("6 h", 6.0),
        ("6H", 6.0),
        ("336", 336.0),
        ("0.1", 0.1),
        ("", None),
        (" ", None),
    ],
)
def test_hours_are_taken_as_people_write_them(answer, hours) -> None:
    assert usual_wait_of(answer) == hours


@pytest.mark.parametrize("answer", ["0", "-1", "336.1", "inf", "nan", "h", "4 d", "four", "4-6", "1.000,5"])
def test_what_can_be_no_hours_is_told_with_what_is_allowed(answer) -> None:
    with pytest.raises(
        ValueError, match=f"received {answer!r}; allowed are hours above 0, at most 336, such as 4 or 4.5"
    ):
        usual_wait_of(answer)


def test_where_a_home_is(tmp_path) -> None:
    assert locate_home(tmp_path, {"DRYMON_HOME": "/elsewhere"}) == tmp_path
    assert locate_home(None, {"DRYMON_HOME": "/elsewhere"}) == Path("/elsewhere")
    assert locate_home(None, {}).name == "drymon"


def test_a_home_that_cannot_be_made(tmp_path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(SetupError, match="cannot be made a home"):
        make_home(tmp_path / "file" / "home")


def test_a_new_home_is_its_owners_alone_and_an_existing_folder_keeps_its_rights(tmp_path) -> None:
    make_home(tmp_path / "new" / "home")
    assert (tmp_path / "new" / "home").stat().st_mode & 0o777 == 0o700
    there = tmp_path / "there"
    there.mkdir(mode=0o750)
    make_home(there)
    assert there.stat().st_mode & 0o777 == 0o750
