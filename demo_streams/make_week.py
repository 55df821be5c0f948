"""Makes week.jsonl.gz: seven days of the same invented shop, a weekend among them. Run it from a checkout: python
demo_streams/make_week.py

People dip by the plan. The diary below was kept by demo_streams/plan_week.py, which has them do so: on the models that
`drymon fit` learns from the first days' weighings.
"""

import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

from make_shop import FIRST_HOUR, RECIPE, diary, later_air, readings, tell, work  # noqa: E402

from benchmarks.accuracy.foundry import Foundry, Tree  # noqa: E402
from benchmarks.accuracy.stream import Recording  # noqa: E402
from benchmarks.accuracy.worlds import layers  # noqa: E402

SEED = 20310521
START = datetime(2031, 5, 21, 4, 0, tzinfo=UTC)  # Wednesday, six in the morning in Vienna
DAYS = ("wed", "thu", "fri", "sat", "sun", "mon", "tue")
MINUTES = 7 * 1440
EVERY = 5
"""Minutes between two words of a sensor of the air: a week is long."""
OUT = HERE / "week.jsonl.gz"
TANK = "backup-tank"

DIARY = """
wed 06:40  dip    crane     prime-first         Ilse
wed 06:55  dip    moth      prime-first         Ilse
wed 07:10  dip    newt      prime-first         Ravi
wed 10:40  dip    crane     prime-fine          Ilse
wed 11:10  dip    newt      prime-fine          Ravi
wed 11:45  dip    moth      prime-fine          Ravi
wed 15:45  dip    crane     backup              Ravi
wed 16:15  dip    newt      backup              Ilse
thu 06:40  dip    moth      backup              Ilse
thu 06:55  dip    crane     backup              Ilse
thu 07:10  dip    newt      backup              Ravi
thu 07:25  dip    perch     prime-first         Ravi
thu 07:40  dip    vole      prime-first         Ravi
thu 11:45  dip    vole      prime-fine          Ravi
thu 12:00  dip    crane     backup              Ilse
thu 12:15  dip    perch     prime-fine          Ilse
thu 12:30  dip    moth      backup              Ilse
thu 12:45  dip    newt      backup              Ilse
thu 17:10  dip    vole      backup              Ravi
fri 06:40  dip    perch     backup              Ilse
fri 06:55  dip    vole      backup              Ilse
fri 07:10  dip    moth      backup              Ravi
fri 07:25  dip    crane     seal                Ravi
fri 07:40  dip    newt      seal                Ravi
fri 11:55  dip    vole      backup              Ravi
fri 12:10  dip    perch     backup              Ilse
fri 13:15  dip    moth      seal                Ravi
mon 06:40  dip    perch     backup              Ilse
mon 06:55  dip    vole      seal                Ilse
mon 07:10  leave  crane     -  Ravi
mon 07:15  leave  moth      -  Ravi
mon 07:20  leave  newt      -  Ravi
mon 12:05  dip    perch     seal                Ilse
tue 06:40  leave  perch     -  Ilse
tue 06:45  leave  vole      -  Ilse
"""

# A cup of the backup slurry each morning that people are there: the water goes off, and at the weekend nobody adds
# any. Local time, seconds, degrees, litres of water that were stirred in before.
CHECKS = """
wed 06:32  30.1  21.2  0
thu 06:32  30.9  21.0  0
fri 06:32  32.2  20.8  0
mon 06:32  36.8  20.3  0
mon 06:38  30.6  20.4  1.5
tue 06:32  31.3  20.9  0
"""


def shells() -> list[Tree]:
    """Five open trees on two racks, without a scale; each gets the six coats of the recipe small."""
    return [
        Tree("crane", "rack-a", "open", 0.24, 0.04, 4500, 1.5, 1.0),
        Tree("newt", "rack-a", "open", 0.22, 0.04, 4500, 1.4, 1.05),
        Tree("moth", "rack-b", "open", 0.30, 0.045, 5000, 2.0, 1.0),
        Tree("perch", "rack-b", "open", 0.34, 0.05, 5500, 2.6, 0.95),
        Tree("vole", "rack-a", "open", 0.26, 0.04, 4500, 1.6, 1.0),
    ]


RECIPE |= {tree.name: "small" for tree in shells()}


def checks(rec: Recording) -> None:
    """What the cup told."""
    for line in CHECKS.strip().splitlines():
        day, clock, seconds, degrees, water = line.split()
        hour, minute = clock.split(":")
        at = DAYS.index(day) * 1440 + int(hour) * 60 + int(minute) - int(FIRST_HOUR * 60)
        rec.log(
            at + 0.5, "slurry", slurry=TANK, seconds=float(seconds), temperature=float(degrees),
            water_added=float(water) or None, by="Ilse",
        )  # fmt: skip


def begun() -> tuple[Recording, Foundry, np.random.Generator]:
    """The shop before anybody has dipped anything."""
    rng = np.random.default_rng(SEED)
    foundry = Foundry(layers.world(), shells(), later_air(rng, MINUTES), MINUTES, rng)
    return Recording("lindenhof", START), foundry, rng


def around(rec: Recording, foundry: Foundry) -> None:
    """All that does not depend on the trees, of a chance of its own."""
    readings(rec, foundry, np.random.default_rng(SEED + 1), MINUTES, boot="k9", every=EVERY)
    checks(rec)


def make() -> tuple[Recording, Foundry]:
    """The whole recording, and the foundry that knows the truth."""
    rec, foundry, _ = begun()
    work(rec, foundry, diary(DIARY, DAYS), MINUTES, {})
    around(rec, foundry)
    foundry.finish()
    return rec, foundry


if __name__ == "__main__":
    tell(*make(), OUT)
