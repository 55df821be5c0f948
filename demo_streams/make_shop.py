"""Makes three-days.jsonl.gz: three days of an invented shop. Run it from a checkout: python
demo_streams/make_shop.py

Everything in the stream is invented. The air and the shells come from the simulated foundry in
benchmarks/accuracy, which shares no code with drymon's own drying model; seeds are fixed, so the file comes
out the same every time.
"""

import sys
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from benchmarks.accuracy.air import RoomAir, room_air  # noqa: E402
from benchmarks.accuracy.foundry import Foundry, Tree  # noqa: E402
from benchmarks.accuracy.physics import NOMINAL, Array  # noqa: E402
from benchmarks.accuracy.sensors import LoadCell  # noqa: E402
from benchmarks.accuracy.stream import Recording, stamp  # noqa: E402

SEED = 20310512
START = datetime(2031, 5, 12, 4, 0, tzinfo=UTC)  # Monday, six in the morning in Vienna
FIRST_HOUR = 6.0  # local clock at the start
MINUTES = 3 * 1440
OUT = HERE / "three-days.jsonl.gz"

STANDARD = ["prime-first", "prime-fine", "prime-fine", *["backup"] * 6, "seal"]
SMALL = ["prime-first", "prime-fine", *["backup"] * 3, "seal"]
SLURRY_FIRST = ["slurry-only-first", "prime-fine", *["backup"] * 4, "seal"]


@dataclass
class Story:
    """One tree's way through the three days. begin: minute of its first dip; patience: how much longer than
    the truth people wait before the next dip; early: (number, share of the truth at which it is dipped too
    soon)."""

    tree: Tree
    coats: list[str]
    recipe: str
    begin: int
    patience: float = 1.7
    first_number: int = 1
    early: tuple[int, float] | None = None
    dipped: int = 0
    wanted: float | None = None
    by: list[str] = field(default_factory=lambda: ["Ilse", "Ravi"])


def stories() -> list[Story]:
    """Eight trees on two racks."""
    return [
        Story(Tree("hare", "rack-a", "open", 0.22, 0.04, 4500, 1.4, 1.05), SMALL, "small", 40),
        Story(Tree("otter", "rack-a", "open", 0.26, 0.05, 5000, 1.9, 0.95), SLURRY_FIRST, "slurry-first", 55),
        Story(Tree("leaves-1", "rack-a", "open", 0.34, 0.04, 4000, 1.6, 1.0, cell="cell-1"), SMALL, "small", 70),
        Story(Tree("leaves-2", "rack-a", "open", 0.33, 0.04, 4000, 1.6, 0.9), STANDARD, "standard", 85),
        Story(Tree("bell", "rack-b", "pocketed", 0.30, 0.06, 6000, 2.4, 1.0), STANDARD, "standard", 100),
        Story(
            Tree("goblet", "rack-b", "deep", 0.24, 0.05, 5500, 1.8, 1.0),
            STANDARD,
            "standard",
            115,
            patience=1.3,
        ),
        Story(
            Tree("bust", "rack-b", "open", 0.38, 0.07, 7000, 3.6, 0.95),
            STANDARD,
            "standard",
            130,
            early=(3, 0.62),
        ),
        Story(
            Tree("frame", "rack-b", "open", 0.30, 0.04, 4500, 2.2, 1.05),
            STANDARD,
            "standard",
            150,
            first_number=5,
        ),
    ]


def local_hour(minute: float) -> float:
    """The clock on the shop's wall."""
    return (FIRST_HOUR + minute / 60.0) % 24.0


def shop_air(rng: np.random.Generator) -> dict[str, RoomAir]:
    """Two racks in one room. The second night the fans stand still and the damp comes in."""
    lead = int(FIRST_HOUR * 60)
    base = room_air("working-week", rng, "greensboro-april", MINUTES + lead, 1, 1.4, 0.6)
    cut = {name: getattr(base, name)[lead:] for name in ("temperature", "humidity", "fast", "slow", "duty", "fan_on")}
    minute = np.arange(MINUTES)
    night = (minute >= 36 * 60 + 30) & (minute < 48 * 60 + 20)  # Tuesday 18:30 to Wednesday 06:20
    into = np.clip((minute - (36 * 60 + 30)) / 150.0, 0.0, 1.0) * np.clip((48 * 60 + 80 - minute) / 60.0, 0.0, 1.0)
    cut["humidity"] = cut["humidity"] + into * (0.77 - cut["humidity"])
    cut["fast"] = np.where(night, 0.08, cut["fast"])
    cut["slow"] = np.where(night, 0.08, cut["slow"])
    cut["fan_on"] = ~night
    near = RoomAir(**cut)
    far = replace(
        near,
        temperature=near.temperature - 0.5,
        humidity=np.minimum(near.humidity * 1.03, 0.97),
        fast=np.maximum(0.6 * near.fast, 0.08),
    )
    return {"rack-a": near, "rack-b": far}


def log_dip(rec: Recording, story: Story, minute: int, rng: np.random.Generator) -> None:
    """What a person types at the dip."""
    tree, first = story.tree, story.dipped == 0
    elsewhere = first and story.first_number > 1
    rec.log(
        minute + 0.5,
        "dip",
        tree=tree.name,
        rack=tree.rack,
        coat=story.coats[story.first_number - 1 + story.dipped],
        number=story.first_number if elsewhere else None,
        shelter=tree.shelter if first else None,
        cell=tree.cell if first else None,
        recipe=story.recipe if first else None,
        id=f"{tree.name}-{story.first_number + story.dipped}",
        by=str(rng.choice(story.by)),
    )


def due(story: Story, foundry: Foundry, rng: np.random.Generator) -> bool:
    """Whether somebody dips this tree now."""
    minute, hour = foundry.minute, local_hour(foundry.minute)
    if story.first_number - 1 + story.dipped >= len(story.coats) or minute < story.begin:
        return False
    if story.dipped == 0:
        return True
    last, gone = foundry.last[story.tree.name], foundry.gone(story.tree.name)
    number = story.first_number + story.dipped
    if story.early and number == story.early[0]:
        return gone >= story.early[1] and 7.0 <= hour < 18.0
    if gone >= 0.95 and story.wanted is None:
        story.wanted = last.minute + story.patience * (minute - last.minute) + float(rng.uniform(5, 40))
    return story.wanted is not None and minute >= story.wanted and 6.6 <= hour < 18.2


def work(rec: Recording, foundry: Foundry, people: list[Story], rng: np.random.Generator) -> None:
    """The three days: dips as the shells allow, looks before sheltered trees are dipped again."""
    busy_until = 0
    while foundry.minute < MINUTES:
        for story in people:
            if foundry.minute >= busy_until and due(story, foundry, rng):
                if story.dipped and story.tree.shelter != "open":
                    rec.log(
                        foundry.minute - 6, "look", tree=story.tree.name, finding="sound", by="Ilse",
                        note="lamp into the pocket, dry to the bottom",
                    )  # fmt: skip
                log_dip(rec, story, foundry.minute, rng)
                foundry.dip(story.tree.name, story.coats[story.first_number - 1 + story.dipped])
                story.dipped, story.wanted, busy_until = story.dipped + 1, None, foundry.minute + 9
        foundry.step()


def readings(rec: Recording, foundry: Foundry, rng: np.random.Generator) -> None:
    """Every sensor in its own dialect."""
    a, b = foundry.air["rack-a"], foundry.air["rack-b"]
    noise = rng.standard_normal((8, MINUTES))
    dead = range(28 * 60, 32 * 60 + 15)  # Tuesday 10:00 to 14:15: the hygrometer of rack B says nothing
    for m in range(MINUTES):
        rec.reading(m + 0.05, "rack-a", "temperature", f"{a.temperature[m] + 0.06 * noise[0, m]:.1f}")
        rec.reading(m + 0.05, "rack-a", "humidity", f"{100 * a.humidity[m] + 0.25 * noise[1, m]:.1f}")
        speed = a.duty[m] * a.fast[m] + (1 - a.duty[m]) * a.slow[m]
        rec.reading(m + 0.1, "rack-a", "airflow", f"{max(speed * (1 + 0.06 * noise[2, m]), 0.0):.2f}")
        fahrenheit = (b.temperature[m] + 0.1 + 0.06 * noise[3, m]) * 1.8 + 32
        rec.add(m + 0.2, "workshop/thermo3", {"temp_f": round(float(fahrenheit), 1), "batt": 2.9})
        if m not in dead:
            payload = {
                "value": round(float(100 * b.humidity[m] + 0.8 + 0.25 * noise[4, m]), 1),
                "unit": "%RH", "time": stamp(rec.at(m + 0.25)), "device": "node-b", "boot": "k7",
                "seq": m + 1,
            }  # fmt: skip
            rec.reading(m + 0.3, "rack-b", "humidity", payload)
            if m % 700 == 350:  # the node did not see its receipt and says it again: counts once
                rec.reading(m + 0.9, "rack-b", "humidity", payload)
        if m % 5 == 0:
            rec.add(m + 0.4, f"drymon/{rec.room}/room/senml", senml(rec, m, a, noise[5:, m]))


def senml(rec: Recording, minute: int, air: RoomAir, noise: Array) -> list[dict[str, object]]:
    """A pack of the room's own node (RFC 8428)."""
    return [
        {"bn": "urn:dev:mac:0a1b2c3d4e5f:", "bt": rec.at(minute + 0.35).timestamp(), "n": "temperature", "u":
        "Cel", "v": round(float(air.temperature[minute] - 0.3 + 0.1 * noise[0]), 2)}, {"n": "humidity", "u":
        "%RH", "v": round(float(101 * air.humidity[minute] + 0.3 * noise[1]), 1)}, {"n": "pressure", "u":
        "Pa", "v": round(99300 + 350 * float(np.sin(minute / 900.0)) + 4 * float(noise[2]))}, ]  # fmt: skip


def weights(rec: Recording, foundry: Foundry, rng: np.random.Generator) -> None:
    """The hook scale under leaves-1, in grams."""
    dips = [d.minute for d in foundry.dips if d.cell]
    mass = foundry.masses["leaves-1"][:MINUTES].copy()
    mass[np.isnan(mass)] = 0.0
    air = foundry.air["rack-a"]
    values = LoadCell().read(mass, air.temperature, air.fan_on, dips, rng)
    for m in range(MINUTES):
        if mass[m] > 0.1:
            rec.reading(
                m + 0.6,
                "rack-a",
                "weight",
                {"value": round(float(values[m]) * 1000, 1), "unit": "g"},
                "cell-1",
            )


def odds_and_ends(rec: Recording, foundry: Foundry) -> None:
    """A fan log, a hand weighing or two, a touch, a slip of the finger, and what a broken node sends."""
    for rack in ("rack-a", "rack-b"):
        rec.log(36 * 60 + 30.2, "fan", rack=rack, on=False, by="Ravi")
        rec.log(48 * 60 + 20.2, "fan", rack=rack, on=True, by="Ilse")
    slip = next(d.minute for d in foundry.dips if d.tree == "leaves-2" and d.number == 2) + 45
    rec.log(slip, "dip", tree="leaves-2", rack="rack-a", coat="prime-fine", id="slip-1", by="T. O.")
    rec.log(slip + 1.5, "undo", tree="leaves-2", id="slip-2", by="T. O.")
    rec.log(31 * 60, "felt", tree="hare", finding="dry", by="Ravi")
    rec.log(9 * 60, "felt", tree="goblet", finding="wet", by="Ilse")
    rec.add(3 * 60 + 0.15, f"drymon/{rec.room}/rack-a/temperature", "err 85")
    rec.log(26 * 60 + 0.7, "dip", tree="hare", rack="rack-z", coat="backup", by="T. O.")


def make() -> Recording:
    """The whole recording."""
    rng = np.random.default_rng(SEED)
    people, air = stories(), shop_air(rng)
    foundry = Foundry(NOMINAL, [s.tree for s in people], air, MINUTES, rng)
    rec = Recording("lindenhof", START)
    work(rec, foundry, people, rng)
    readings(rec, foundry, rng)
    weights(rec, foundry, rng)
    odds_and_ends(rec, foundry)
    for dip in foundry.finish():
        dry = "-" if dip.dry_minute is None else f"{(dip.dry_minute - dip.minute) / 60:.1f} h"
        print(
            f"{dip.tree:10} {dip.number:2} {dip.coat:18} {stamp(rec.at(dip.minute))} dry after {dry}",
            file=sys.stderr,
        )
    return rec


if __name__ == "__main__":
    recording = make()
    print(f"{OUT.name}: {recording.write(OUT)} messages, {OUT.stat().st_size / 1e6:.2f} MB")
