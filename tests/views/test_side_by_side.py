"""What a fit has changed: medians of what was told and of what came, of unweighed trees, before and after."""

from dataclasses import replace
from datetime import timedelta

import pytest

from drymon.readback.promises import Promise, Tally
from drymon.views.fit.side_by_side import compared, table, waits
from tests.views.invented import hours


def promise(likely: float, sure: float, ready: float | None, **changes: object) -> Promise:
    """Of a backup coat dipped at noon, in hours from then; told a minute later."""
    base = Promise(
        "t-1", "backup", 3, "open", hours(12), hours(12) + timedelta(minutes=1), hours(12 + likely), hours(12 + sure),
        None if ready is None else hours(12 + ready), hours(40), True, True, False, timedelta(), (),
    )  # fmt: skip
    return replace(base, **changes)


def test_the_middle_of_what_was_told_and_of_what_came() -> None:
    found = waits([promise(2, 8, 6), promise(3, 10, None), promise(7, 30, 9)])
    assert found is not None
    assert (found.likely_h, found.sure_h, found.ready_h, found.dips) == (3, 10, 7.5, 3)
    assert waits([promise(2, 8, None)]).ready_h is None
    assert waits([]) is None


BOTH = [promise(2, 8, 6), promise(3, 4, 4, starting=False)]


@pytest.mark.parametrize(
    ("more", "names"),
    [
        ([], ["backup, open"]),
        ([promise(2, 8, 6, coat="seal")], ["backup, open"]),  # nobody was told of a seal coat after the fit
        (
            [promise(2, 8, 6, coat="seal", starting=starting) for starting in (True, False)],
            ["backup, open", "seal, open"],
        ),
        (
            [promise(2, 8, 6, coat="a", shelter="deep", starting=starting) for starting in (True, False)],
            ["backup, open", "a, deep"],
        ),
        ([promise(1, 1, 1, weighed=True), promise(1, 1, 1, weighed=True, starting=False)], ["backup, open"]),
    ],
)
def test_like_is_laid_beside_like(more: list[Promise], names: list[str]) -> None:
    rows = list(compared(Tally([*BOTH, *more])))
    assert [name for name, _, _ in rows] == names
    assert (rows[0][1].sure_h, rows[0][2].sure_h, rows[0][1].dips) == (8, 4, 1)


def test_the_table_lines_its_columns_up_and_is_none_without_a_fit() -> None:
    lines = table(Tally([*BOTH, promise(12, 100, None), promise(2, 3, None, coat="seal", starting=False)]))
    assert len(lines) == 3
    assert lines[2].split() == ["backup,", "open", "7.0", "54.0", "6.0", "2", "3.0", "4.0", "4.0", "1"]
    for word, number in (("likely", "7.0"), ("surely", "54.0"), ("ready", "6.0")):
        assert lines[1].index(word) + len(word) == lines[2].index(number) + len(number)
    assert table(Tally([promise(2, 8, 6)])) == []
