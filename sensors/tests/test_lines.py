"""Lines of scales and thermometers: whole ones only, nothing guessed. (The grammar is common practice, no source.)"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon_sensors.sources.lines import LONGEST, LineBuffer, Said, Steady, Words, read_mass, read_temperature, step_of


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("512.4 g", Said("512.4", "g")),
        ("ST,GS,+  512.40g", Said("512.40", "g", True)),
        ("US,NT,-   0.35 kg", Said("-0.35", "kg", False)),
        ("ST,GS    1.128lb", Said("1.128", "lb", True)),
        ("  18.05 OZ", Said("18.05", "oz")),
        ("st;nt; 0.5 KG", Said("0.5", "kg", True)),
        (".5 kg", Said(".5", "kg")),
        ("0012.40 kg", Said("0012.40", "kg")),
    ],
)
def test_a_line_that_says_a_mass(line: str, said: Said) -> None:
    assert read_mass(line) == said


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("512.4", "no unit"),
        ("512.4 st", 'the unit "st"'),
        ("512,4 g", "allowed is a number and its unit"),
        ("1,512.4 g", "allowed is a number and its unit"),
        ("5 lb 3.2 oz", "allowed is a number and its unit"),
        ("OL", "allowed is a number"),
        ("OL 0.0 kg", "the device itself says that something is wrong"),
        ("TOTAL 512.4 g", "with the word TOTAL"),
        ("512.4 g g", "allowed is a number"),
        ("--- g", "allowed is a number"),
        ("5 12.4 g", "allowed is a number"),
        ("512.4\\xb5g", "allowed is a number"),
        ("", "allowed is a number"),
        ("nan g", "allowed is a number"),
        ("1e3 g", "allowed is a number"),
    ],
)
def test_a_line_that_is_refused(line: str, words: str) -> None:
    """A missing unit, a decimal comma that may be a thousand, two numbers: nothing is guessed."""
    with pytest.raises(ValueError, match="received") as refused:
        read_mass(line)
    assert words in str(refused.value)


def test_a_unit_that_is_set_stands_in_for_a_missing_one() -> None:
    assert read_mass("512.4", Words(unit="g")) == Said("512.4", "g")
    assert read_mass("0.5 kg", Words(unit="g")) == Said("0.5", "kg"), "what the scale says itself goes before"


def test_words_of_another_scale() -> None:
    words = Words(unit="kg", steady=("S",), moving=("D",), ignored=("NETTO",))
    assert read_mass("S NETTO 12.4", words) == Said("12.4", "kg", True)
    assert read_mass("D NETTO 12.4", words) == Said("12.4", "kg", False)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("21.4 C", Said("21.4", "Cel")),
        ("70.5°F", Said("70.5", "degF")),
        ("-2.1 Cel", Said("-2.1", "Cel")),
        ("66.9 f", Said("66.9", "degF")),
    ],
)
def test_a_temperature(line: str, said: Said) -> None:
    assert read_temperature(line) == said


def test_a_temperature_without_its_unit_is_refused() -> None:
    with pytest.raises(ValueError, match="no unit"):
        read_temperature("70.5")


TALK = [b"ST,GS,+  512.4g\r\n", b"US,GS,+  512.3g\r\n", b"\r\n", b"0.1 kg\r", b"99.9 oz\n", b"x\x80y\r\n"]
LINES = ["ST,GS,+  512.4g", "US,GS,+  512.3g", "0.1 kg", "99.9 oz", "x\\x80y"]


@given(st.lists(st.integers(1, 30), max_size=60))
def test_lines_are_the_same_however_they_are_cut(cuts: list[int]) -> None:
    data, buffer, heard = b"".join(TALK), LineBuffer(), []
    heard += buffer.feed(b"\n", quiet_s=1.0)
    for cut in cuts:
        heard += buffer.feed(data[:cut])
        data = data[cut:]
    heard += buffer.feed(data)
    assert heard == LINES


def test_what_was_under_way_when_listening_began_is_thrown_away() -> None:
    """The end of "ST,GS,+ 512.4g" would be a mass of 2.4 g."""
    buffer = LineBuffer()
    assert list(buffer.feed(b"2.4g\r\nST,GS,+ 512.5g\r\n")) == ["ST,GS,+ 512.5g"]


def test_lines_between_stx_and_etx() -> None:
    """ASCII's own marks for the begin and the end of text, which some devices send instead of line ends."""
    assert list(LineBuffer().feed(b"4g\x03\x02ST,GS,+ 512.4g\x03\x02")) == ["ST,GS,+ 512.4g"]


def test_after_a_silence_the_first_line_is_whole() -> None:
    """A scale that speaks when its button is pressed says one line alone."""
    buffer = LineBuffer()
    assert list(buffer.feed(b"512.4g\r\n", quiet_s=5.0)) == ["512.4g"]


def test_a_flood_without_an_end_is_forgotten_and_its_rest_too() -> None:
    buffer = LineBuffer()
    assert list(buffer.feed(b"\n" + b"7" * (LONGEST + 1))) == []
    assert list(buffer.feed(b"7 g\r\n1.0 kg\r\n")) == ["1.0 kg"]


def test_a_steady_flag_is_believed_at_once_and_a_moving_one_never() -> None:
    steady = Steady()
    assert steady.take(Said("5.0", "kg", False)) is None
    assert steady.take(Said("5.0", "kg", False)) is None
    assert steady.take(Said("5.0", "kg", False)) is None
    assert steady.take(Said("5.1", "kg", True)) == Said("5.1", "kg", True)


def test_without_flags_so_many_equal_readings_running_are_steady() -> None:
    steady = Steady(equal=3)
    took = [steady.take(Said(text, "kg")) for text in ("5.0", "5.0", "5.1", "5.1", "5.1", "5.1", "5.2")]
    assert took == [None, None, None, None, Said("5.1", "kg"), Said("5.1", "kg"), None]


def test_the_same_number_in_another_unit_is_not_equal() -> None:
    steady = Steady(equal=2)
    assert steady.take(Said("5.0", "kg")) is None
    assert steady.take(Said("5.0", "lb")) is None


@pytest.mark.parametrize(("text", "step"), [("512.4", 0.1), ("512.40", 0.01), ("512", 1.0), ("3.412", 0.001)])
def test_the_step_of_the_last_digit(text: str, step: float) -> None:
    assert step_of(text) == step
