"""When something is expected, in words: of what has passed nobody says that it will be."""

import pytest

from drymon.shop.facts.outcome import When
from drymon.views.expected import expected
from tests.views.invented import BEGIN, hours

ZONE = "UTC"


def when(*ends: float | None) -> When:
    return When(*(None if end is None else hours(end) for end in ends))


def at(hour: float) -> str:
    return f"{hours(hour):%H:%M}"


@pytest.mark.parametrize(
    ("ends", "told"),
    [
        ((1, 2, 3), f"{at(2)} ({at(1)} to {at(3)})"),
        ((-1, 2, 3), f"{at(2)} (now to {at(3)})"),
        ((1, 2, None), f"{at(2)} ({at(1)} to beyond 14 days)"),
        ((-3, -2, 1), f"sure by {at(1)}"),
        ((-3, -2, None), "not sure within 14 days"),
        ((None, None, None), "no end in sight"),
    ],
)
def test_a_moment_in_words(ends: tuple[float | None, ...], told: str) -> None:
    assert hours(0) == BEGIN
    assert expected(when(*ends), BEGIN, ZONE) == told
