"""Plain data and back: what was one object stays one, and what is read runs nothing."""

import json
import math
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from enum import Enum
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon.store.image import PART, Image
from drymon.store.plain import UnreadableImage, freeze, thaw

BEGIN = datetime(2031, 3, 3, 6, 0, 0, 7, tzinfo=UTC)


class Colour(Enum):
    RED = "red"


class Pair(NamedTuple):
    one: object
    other: object


@dataclass(frozen=True, slots=True)
class Leaf:
    name: str
    size: float = 1.0
    more: object = None


class Branch:
    def __init__(self) -> None:
        self.leaves: list[object] = []
        self.back: object = None


@dataclass
class Boxed:
    values: list[int] = field(default_factory=list)

    def packed(self) -> dict[str, Any]:
        return {"sum": sum(self.values)}

    def unpack(self, kept: dict[str, Any]) -> None:
        self.values = [kept["sum"]]


CLASSES: dict[str, type] = {one.__name__: one for one in (Colour, Pair, Leaf, Branch, Boxed)}

ALLOWED = {*CLASSES.values(), list, tuple, dict, set, frozenset, deque, MappingProxyType, np.ndarray, np.float64}
ALLOWED |= {type(None), bool, int, float, str, datetime, timedelta}


def there_and_back(value: object, known: dict[str, object] | None = None) -> Any:
    return thaw(freeze(value, known or {}, CLASSES), known or {}, CLASSES)


plain = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text()
nested = st.recursive(
    plain | st.datetimes(timezones=st.just(UTC)) | st.timedeltas() | st.just(Colour.RED),
    lambda inner: (
        st.lists(inner, max_size=12)
        | st.lists(inner, max_size=12).map(tuple)
        | st.dictionaries(st.text(), inner, max_size=4)
        | st.dictionaries(st.text(), inner, max_size=4).map(MappingProxyType)
        | st.builds(Leaf, st.text(), st.floats(allow_nan=False), inner)
        | st.builds(Pair, inner, inner)
        | st.frozensets(st.text())
    ),
    max_leaves=30,
)


@given(nested)
def test_all_that_a_room_is_made_of_comes_back_as_it_was(value: object) -> None:
    back = there_and_back(value)
    assert back == value
    assert type(back) is type(value)


@given(st.lists(st.floats(), min_size=8, max_size=40).map(tuple))
def test_numbers_come_back_to_the_bit(value: tuple[float, ...]) -> None:
    assert [number.hex() for number in there_and_back(value)] == [number.hex() for number in value]


@pytest.mark.parametrize(
    "array",
    [np.arange(PART, dtype=np.float64), np.full((2, 3), math.nan), np.zeros(0), np.array([True, False]),
     np.asfortranarray(np.arange(600.0).reshape(20, 30)), np.arange(30.0)[::3], np.arange(5), np.array(3.5)],
)  # fmt: skip
def test_an_array_comes_back_and_can_be_written_to(array: np.ndarray[Any, Any]) -> None:
    back = there_and_back(array)
    assert (back.dtype, back.shape, back.flags.f_contiguous) == (array.dtype, array.shape, back.flags.f_contiguous)
    assert back.tobytes() == array.tobytes()
    back[...] = 0
    assert not back.any()


def test_what_is_one_object_stays_one_and_may_hold_itself() -> None:
    leaf, branch = Leaf("a"), Branch()
    branch.leaves, branch.back = [leaf, leaf, Leaf("a"), deque([leaf], maxlen=3)], branch
    back = there_and_back({"branch": branch, "leaf": leaf})
    first, second, third, queue = back["branch"].leaves
    assert first is second is back["leaf"] is queue[0]
    assert third == first
    assert third is not first
    assert back["branch"].back is back["branch"]
    assert queue.maxlen == 3


def test_what_is_known_is_named_and_what_packs_itself_does() -> None:
    known = {"the leaf": Leaf("known")}
    back = there_and_back([known["the leaf"], Boxed([1, 2, 3])], known)
    assert back[0] is known["the leaf"]
    assert back[1].values == [6]


def test_a_long_array_that_grows_shares_its_parts() -> None:
    before = np.arange(10 * PART, dtype=np.float64)
    after = before.copy()
    after[-1] = -1.0
    one, other = (freeze(array, {}, CLASSES) for array in (before, after))
    assert len(one.parts.keys() - other.parts.keys()) == 1


@pytest.mark.parametrize(
    "value", [object(), np.array(["a"]), lambda: None, BEGIN.replace(tzinfo=None), np.zeros(2, "f4"), len]
)
def test_what_no_image_can_hold_is_refused_when_it_is_made(value: object) -> None:
    with pytest.raises((UnreadableImage, TypeError)):
        freeze([value], {}, CLASSES)


def test_a_class_that_is_not_allowed_is_not_made() -> None:
    image = freeze([Leaf("a")], {}, CLASSES)
    for name in ("subprocess.Popen", "builtins.eval", "Nobody"):
        document = json.loads(image.document)
        document["classes"][0][0] = name
        with pytest.raises(UnreadableImage, match="no image of this drymon"):
            thaw(replace(image, document=json.dumps(document)), {}, CLASSES)


@given(st.data())
def test_whatever_is_read_is_an_image_or_is_none(data: st.DataObject) -> None:
    """A document with any one character changed: an error of ours, or something else that an image may hold."""
    image = freeze([Leaf("a", 2.0, np.arange(200.0)), Pair((1.0,) * 9, {BEGIN: timedelta(1)})], {}, CLASSES)
    place = data.draw(st.integers(0, len(image.document) - 1))
    text = image.document[:place] + data.draw(st.characters(max_codepoint=126)) + image.document[place + 1 :]
    with suppress(UnreadableImage):  # anything else that is raised fails the test
        assert type(thaw(replace(image, document=text), {}, CLASSES)) in ALLOWED


def test_a_missing_part_is_no_image() -> None:
    image = freeze(np.arange(1000.0), {}, CLASSES)
    with pytest.raises(UnreadableImage):
        thaw(Image(image.document, image.heap, image.order, {}), {}, CLASSES)


def of_rows(change: object) -> tuple[object, ...]:
    """Many rows of two numbers each; the last one is another thing."""
    return (*((float(place), place / 3.0) for place in range(200)), change)


@pytest.mark.parametrize("last", [(1.0, 2.0), (1.0, 2), (1.0,), (1.0, 2.0, 3.0), [1.0, 2.0], "ab", None])
def test_many_rows_of_numbers_come_back_as_they_were_whatever_is_among_them(last: Any) -> None:
    value: tuple[Any, ...] = of_rows(last)
    back: Any = there_and_back(value)
    assert back == value
    assert [type(row) for row in back] == [type(row) for row in value]
    assert [[type(one) for one in row or ()] for row in back] == [[type(one) for one in row or ()] for row in value]


@pytest.mark.parametrize("value", [set(), {"a", "b"}, {1, 2.5, None, ("x", 3)}])
def test_a_set_comes_back_and_may_be_changed(value: set[object]) -> None:
    back = there_and_back(value)
    assert (type(back), back) == (set, value)
