"""A room's fit as jobs: the curves, then each part left out and the record gone through in time, then what is told."""

from collections.abc import Mapping, Sequence

from drymon.drying.coat_model import CoatModel
from drymon.jobs.keys import key_of
from drymon.jobs.running import Job, Work
from drymon.learning.fit import Begun, begin, finish, revealed, without
from drymon.learning.run import Run


def fit_room(runs: Sequence[Run], starts: Mapping[str, CoatModel]) -> Work:
    """Returns what `fit_all` returns of these runs and starts, to the bit."""
    key = key_of("fit", runs, starts)
    begun: Begun | None
    (begun,) = yield [Job("the curves", f"{key}-curves", begin, (tuple(runs), dict(starts)))]
    if begun is None:
        return []
    judged = [
        Job(f"part {part + 1} of {begun.parts} left out", f"{key}-without-{part}", without, (begun, part))
        for part in range(begun.parts)
    ]
    later, *parts = yield [Job("the record in time", f"{key}-revealed", revealed, (begun,)), *judged]
    (fits,) = yield [Job("what is told", f"{key}-told", finish, (begun, later, parts))]
    return fits
