"""Coat models of earlier versions are read: what they knew stays, what they did not know is as they took it to be."""

from pathlib import Path

import pytest

from drymon.drying.coat_model import PARAMETERS
from drymon.errors import SetupError
from drymon.messages.coat_models import format_model, parse_model, sealed

OLD = (Path(__file__).parent / "backup_format_1.toml").read_text(encoding="utf-8")
ADDED = ("end", "pace", "growth_3", "growth_5", "growth_8", "growth_12", "damp", "warm", "wind")


def matrix(size: int) -> str:
    rows = [[1.0 if i == j else 0.3 if {i, j} == {0, 2} else 0.0 for j in range(size)] for i in range(size)]
    return f"correlation = {rows}\n"


def test_a_file_of_format_1_is_read() -> None:
    model = parse_model(OLD, "backup.toml")
    assert set(model.parameters) == set(PARAMETERS)
    assert (model.parameters["water"].centre, model.parameters["water"].sd) == (0.3, 0.35)
    assert model.parameters["exponent"].centre == 1.0
    assert model.doubt == ""


def test_what_it_did_not_know_changes_nothing() -> None:
    """No discrepancy, no growth but the water's, an end too late to be felt."""
    model = parse_model(OLD, "backup.toml")
    for name in set(ADDED) - {"end"}:
        assert model.parameters[name].centre == 1.0
        assert model.parameters[name].sd < 0.1
    assert model.parameters["end"].centre < 0.05


def test_its_deep_pockets_stay_as_slow_as_they_were() -> None:
    """Format 1 counted a deep pocket over the open face, format 2 over the pocket that is its mouth."""
    model = parse_model(OLD, "backup.toml")
    deep = model.parameters["pocketed"].centre * model.parameters["deep"].centre
    assert deep == pytest.approx(0.06)


def test_its_correlation_is_kept_and_what_is_new_has_none() -> None:
    text = sealed(OLD.replace("\n[parameters]", f"{matrix(14)}\n[parameters]", 1))
    found = parse_model(text, "backup.toml").correlation
    assert found is not None
    assert found[0][2] == found[2][0] == 0.3
    assert all(found[i][j] == (i == j) for i in range(14, len(PARAMETERS)) for j in range(len(PARAMETERS)))


def test_it_is_written_in_todays_format() -> None:
    model = parse_model(OLD, "backup.toml")
    again = format_model(model)
    assert "\nformat = 2\n" in again
    assert parse_model(again, "backup.toml") == model


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("format = 1", "format = 3", "format"),
        ("water = { centre = 0.3, sd = 0.35 }\n", "", "water"),
        ("deep = { centre = 0.06, sd = 0.6 }\n", "", "deep"),
        ("[parameters]\n", "[parameters]\nend = { centre = 0.1, sd = 0.5 }\n", "format"),
    ],
)
def test_what_is_no_sound_old_file_is_refused_in_words(before: str, after: str, told: str) -> None:
    assert before in OLD
    with pytest.raises(SetupError, match=told):
        parse_model(sealed(OLD.replace(before, after, 1)), "backup.toml")


def test_a_correlation_of_another_size_is_refused() -> None:
    text = sealed(OLD.replace("\n[parameters]", f"{matrix(9)}\n[parameters]", 1))
    with pytest.raises(SetupError, match="correlation"):
        parse_model(text, "backup.toml")
