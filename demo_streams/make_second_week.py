"""Makes second-week.jsonl.gz: two days of the same invented shop, a week later. Run it from a checkout: python
demo_streams/make_second_week.py

The same kinds of coats on other shells, none of them weighed. People go by the models that `drymon fit` learns from
the first days' weighings.
"""

import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

from make_shop import RECIPE, diary, later_air, readings, tell, work  # noqa: E402

from benchmarks.accuracy.foundry import Foundry, Tree  # noqa: E402
from benchmarks.accuracy.stream import Recording  # noqa: E402
from benchmarks.accuracy.worlds import layers  # noqa: E402

SEED = 20310519
START = datetime(2031, 5, 19, 4, 0, tzinfo=UTC)  # Monday, six in the morning in Vienna
MINUTES = 31 * 60
OUT = HERE / "second-week.jsonl.gz"

DIARY = """
mon 06:40  dip    heron     prime-first        Ilse
mon 06:50  dip    hare      backup             Ilse
mon 07:15  dip    toad      prime-first        Ravi
mon 07:30  dip    lamp      prime-first        Ilse
mon 11:15  dip    heron     prime-fine         Ravi
mon 12:40  dip    toad      prime-fine         Ilse
mon 14:45  dip    hare      seal               Ilse
mon 16:50  dip    heron     backup             Ravi
tue 06:40  dip    heron     backup             Ilse
tue 07:00  dip    toad      backup             Ravi
tue 07:20  dip    lamp      prime-fine         Ravi
tue 12:00  dip    heron     backup             Ilse
"""
RECIPE |= {"heron": "small", "toad": "small"}
BACK_AGAIN = {"hare": 5}
"""The number of its first dip here: it has had its fourth coat elsewhere."""


def shells() -> list[Tree]:
    """Four trees on two racks, without a scale."""
    return [
        Tree("hare", "rack-a", "open", 0.22, 0.04, 4500, 1.4, 1.05),
        Tree("heron", "rack-a", "open", 0.24, 0.04, 4500, 1.5, 1.0),
        Tree("toad", "rack-b", "open", 0.34, 0.05, 5500, 2.6, 1.0),
        Tree("lamp", "rack-b", "pocketed", 0.30, 0.06, 6000, 2.4, 1.0),
    ]


def make() -> tuple[Recording, Foundry]:
    """The whole recording, and the foundry that knows the truth."""
    rng = np.random.default_rng(SEED)
    foundry = Foundry(layers.world(), shells(), later_air(rng, MINUTES), MINUTES, rng)
    rec = Recording("lindenhof", START)
    work(rec, foundry, diary(DIARY), MINUTES, BACK_AGAIN)
    readings(rec, foundry, rng, MINUTES, boot="k8")
    for m in range(0, MINUTES, 5):  # the hook hangs empty
        rec.reading(
            m + 0.6, "rack-a", "weight", {"value": round(0.3 * rng.standard_normal(), 1), "unit": "g"}, "cell-1"
        )
    foundry.finish()
    return rec, foundry


if __name__ == "__main__":
    tell(*make(), OUT)
