"""Values below nothing, as typed: the check of a value says what is wrong with it, nobody takes it for an option."""

import pytest

from drymon.cli.main import build_parser


@pytest.mark.parametrize("words", [["weigh", "t-1", "-1.5", "kg"], ["weigh", "t-1", "-1.5kg", "--by", "kim"]])
def test_a_mass_below_nothing_arrives_as_it_was_typed(words: list[str]) -> None:
    args = build_parser("event_words").parse_args(words)
    assert " ".join(args.mass) in ("-1.5 kg", "-1.5kg")
    assert args.subject == "t-1"


def test_a_command_without_such_values_still_knows_its_options(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as leaving:
        build_parser("event_words").parse_args(["dip", "t-1", "backup", "rack-a", "-3kg"])
    assert leaving.value.code == 2
    assert "-3kg" in capsys.readouterr().err


def test_words_after_a_space_of_their_own_are_left_alone() -> None:
    args = build_parser("event_words").parse_args(["weigh", "t-1", "4.2", "--by", " -kim"])
    assert args.by == " -kim"
