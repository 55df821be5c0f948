"""Names as people write them, and the names that stand in topics for them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon.messages.names import is_name, label_of, name_of, name_or, natural


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("t-7", "t-7"), ("T-7", "t-7"), ("Otter 3", "otter-3"), ("  Otter   3 ", "otter-3"), ("2031/05_A", "2031-05-a"),
        ("Großer Löwe", "grosser-loewe"), ("GROSSER LÖWE", "grosser-loewe"), ("Bjørn Å", "bjoern-aa"),
        ("Élan café", "elan-cafe"), ("Lo\u0308we", "loewe"), ("Łódź", "lodz"), ("-a-", "-a-"),
    ],
)  # fmt: skip
def test_capitals_spaces_and_umlauts_make_a_name(written: str, name: str) -> None:
    assert name_of(written) == name


@pytest.mark.parametrize("written", ["", "  ", "T #1", "T+1", "дерево", "木", "a" * 41, "ü" * 21, "№ 1", "/", "a\0b"])
def test_what_would_have_to_leave_something_out_is_no_name(written: str) -> None:
    """T+1 and T-1 must not become one tree."""
    with pytest.raises(ValueError, match="allowed are letters, digits, spaces"):
        name_of(written)
    assert name_or(written) == written


@given(st.text(max_size=60))
def test_every_name_made_may_stand_in_a_topic_and_makes_itself(written: str) -> None:
    try:
        name = name_of(written)
    except ValueError:
        return
    assert is_name(name)
    assert name_of(name) == name


@pytest.mark.parametrize(("written", "label"), [("otter-3", ""), ("Otter  3 ", "Otter 3"), ("Löwe", "Löwe")])
def test_what_is_no_name_already_is_what_people_call_it(written: str, label: str) -> None:
    assert label_of(written) == label


@pytest.mark.parametrize(
    ("names", "ordered"),
    [(["t-10", "t-9"], ["t-9", "t-10"]), (["b", "a-2", "a-11", "7"], ["7", "a-2", "a-11", "b"])],
)
def test_names_sort_as_people_count(names: list[str], ordered: list[str]) -> None:
    assert sorted(names, key=natural) == ordered
