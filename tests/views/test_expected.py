"""When something is expected, in words: of what has passed nobody says that it will be."""

import pytest
from invented import BEGIN, hours

from drymon.shop.outcome import When
from drymon.views.expected import expected, likely

ZONE = "UTC"


def when(*ends: float | None) -> When:
    return When(*(None if end is None else hours(end) for end in ends))


def at(hour: float) -> str:
    return f"{hours(hour):%H:%M}"


@pytest.mark.parametrize(
    ("ends", "of_it", "likely_so"),
    [
        ((1, 2, 3), f"{at(2)} ({at(1)} to {at(3)})", f"likely dry {at(2)}, sure by {at(3)}"),
        ((-1, 2, 3), f"{at(2)} (now to {at(3)})", f"likely dry {at(2)}, sure by {at(3)}"),
        ((1, 2, None), f"{at(2)} ({at(1)} to beyond 14 days)", f"likely dry {at(2)}, not sure within 14 days"),
        ((-3, -2, 1), f"sure by {at(1)}", f"perhaps dry since {at(-2)}, sure by {at(1)}"),
        ((-3, -2, None), "not sure within 14 days", f"perhaps dry since {at(-2)}, not sure within 14 days"),
        ((None, None, None), "no end in sight", "no end in sight within 14 days"),
    ],
)
def test_a_moment_in_words(ends: tuple[float | None, ...], of_it: str, likely_so: str) -> None:
    assert hours(0) == BEGIN
    assert expected(when(*ends), BEGIN, ZONE) == of_it
    assert likely(when(*ends), BEGIN, ZONE) == likely_so
