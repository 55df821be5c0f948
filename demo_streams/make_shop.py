"""Makes three-days.jsonl.gz: three days of an invented shop. Run it from a checkout: python
demo_streams/make_shop.py

Everything in the stream is invented. The air and the shells come from the simulated foundry in
benchmarks/accuracy, which shares no code with drymon's own drying model; seeds are fixed, so the file comes
out the same every time.
"""

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from benchmarks.accuracy.air import RoomAir, room_air  # noqa: E402
from benchmarks.accuracy.foundry import Foundry, Tree  # noqa: E402
from benchmarks.accuracy.sensors import LoadCell  # noqa: E402
from benchmarks.accuracy.stream import Recording, stamp  # noqa: E402
from benchmarks.accuracy.worlds import layers  # noqa: E402
from benchmarks.accuracy.worlds.moist import Array  # noqa: E402

SEED = 20310512
START = datetime(2031, 5, 12, 4, 0, tzinfo=UTC)  # Monday, six in the morning in Vienna
LATER_DAY = 14  # of the weather, where the first days begin with its second
FIRST_HOUR = 6.0  # local clock at the start
MINUTES = 3 * 1440
EVERY = 2
"""Minutes between two words of a sensor of the air; it may rest for ten before it counts as silent."""
OUT = HERE / "three-days.jsonl.gz"

# Local time; what; tree or rack; then coat, finding or switch; who. People follow the advice of drymon's starting
# models, with the patience of a working day: mostly a coat a day.
DIARY = """
mon 06:40  dip    hare      prime-first        Ilse
mon 06:55  dip    otter     slurry-only-first  Ilse
mon 07:10  dip    leaves-1  prime-first        Ravi
mon 07:25  dip    leaves-2  prime-first        Ravi
mon 07:26  weigh  leaves-2  -                  Ravi
mon 07:40  dip    bell      prime-first        Ilse
mon 07:41  weigh  bell      -                  Ilse
mon 07:55  dip    goblet    prime-first        Ilse
mon 08:10  dip    bust      prime-first        T. O.
mon 08:30  dip    frame     backup             T. O.
mon 08:40  weigh  leaves-2  -                  Ravi
mon 09:10  weigh  bell      -                  Ilse
mon 10:05  weigh  leaves-2  -                  Ravi
mon 11:00  weigh  bell      -                  Ilse
mon 12:10  weigh  leaves-2  -                  Ravi
mon 13:30  dip    leaves-2  prime-fine         Ravi
mon 13:31  weigh  leaves-2  -                  Ravi
mon 14:00  weigh  bell      -                  Ilse
mon 14:45  weigh  leaves-2  -                  Ravi
mon 15:00  felt   goblet    wet                Ilse
mon 16:15  weigh  leaves-2  -                  Ravi
mon 17:40  weigh  bell      -                  Ilse
mon 17:45  dip    leaves-1  prime-fine         Ravi
mon 17:50  weigh  leaves-2  -                  Ravi
tue 06:50  felt   hare      dry                Ravi
tue 06:55  weigh  leaves-2  -                  Ravi
tue 06:58  weigh  bell      -                  Ilse
tue 07:00  look   bell      sound              Ilse
tue 07:05  dip    hare      prime-fine         Ravi
tue 07:15  dip    otter     prime-fine         Ravi
tue 07:22  dip    bell      prime-fine         Ilse
tue 07:23  weigh  bell      -                  Ilse
tue 07:40  dip    leaves-1  backup             Ilse
tue 07:55  dip    leaves-2  prime-fine         Ilse
tue 07:56  weigh  leaves-2  -                  Ilse
tue 08:40  weigh  bell      -                  Ilse
tue 08:50  slip   leaves-2  prime-fine         T. O.
tue 09:10  dip    bust      prime-fine         T. O.
tue 09:20  weigh  leaves-2  -                  Ravi
tue 09:50  dip    frame     backup             Ilse
tue 10:15  dip    bust      prime-fine         T. O.
tue 10:40  weigh  bell      -                  Ravi
tue 11:00  weigh  leaves-2  -                  Ravi
tue 13:10  weigh  leaves-2  -                  Ravi
tue 13:40  weigh  bell      -                  Ravi
tue 15:30  weigh  leaves-2  -                  Ravi
tue 17:40  weigh  leaves-2  -                  Ravi
tue 17:45  weigh  bell      -                  Ravi
tue 18:10  dip    leaves-1  backup             Ravi
tue 18:30  fan    rack-a    off                Ravi
tue 18:30  fan    rack-b    off                Ravi
wed 06:20  fan    rack-a    on                 Ilse
wed 06:20  fan    rack-b    on                 Ilse
wed 07:00  weigh  bell      -                  Ilse
wed 08:10  look   goblet    sound              Ilse
wed 09:00  weigh  leaves-2  -                  Ilse
wed 10:20  dip    leaves-1  backup             Ravi
wed 10:30  dip    hare      backup             Ravi
wed 10:40  dip    leaves-2  backup             Ravi
wed 10:50  dip    otter     backup             Ravi
wed 11:20  move   otter     rack-b             T. O.
wed 18:05  dip    frame     seal               Ilse
wed 18:15  dip    leaves-1  seal               Ilse
wed 19:00  leave  otter     -                  Ilse
wed 19:01  leave  bell      -                  Ilse
wed 19:02  leave  goblet    -                  Ilse
wed 19:03  leave  bust      -                  Ilse
wed 19:04  leave  frame     -                  Ilse
thu 05:45  leave  hare      -                  Ravi
thu 05:46  leave  leaves-1  -                  Ravi
thu 05:47  leave  leaves-2  -                  Ravi
"""
RECIPE = {"hare": "small", "leaves-1": "small", "otter": "slurry-first", "frame": "slurry-first"}  # others: standard
BEGUN_ELSEWHERE = {"frame": 5}  # the number of its first dip here
DAYS = ("mon", "tue", "wed", "thu")


def shells() -> list[Tree]:
    """Eight trees on two racks; leaves-1 hangs on the hook scale."""
    return [
        Tree("hare", "rack-a", "open", 0.22, 0.04, 4500, 1.4, 1.05),
        Tree("otter", "rack-a", "open", 0.26, 0.05, 5000, 1.9, 0.95),
        Tree("leaves-1", "rack-a", "open", 0.34, 0.04, 4000, 1.6, 1.0, cell="cell-1"),
        Tree("leaves-2", "rack-a", "open", 0.33, 0.04, 4000, 1.6, 0.9),
        Tree("bell", "rack-b", "pocketed", 0.30, 0.06, 6000, 2.4, 1.0),
        Tree("goblet", "rack-b", "deep", 0.24, 0.05, 5500, 1.8, 1.0),
        Tree("bust", "rack-b", "open", 0.38, 0.07, 7000, 3.6, 0.95),
        Tree("frame", "rack-b", "open", 0.30, 0.04, 4500, 2.2, 1.05),
    ]


@dataclass(frozen=True)
class Entry:
    """A line of the diary; `minute` counts from the start of the recording."""

    minute: int
    what: str
    subject: str
    word: str
    by: str


def diary(text: str = DIARY, days: Sequence[str] = DAYS) -> list[Entry]:
    """The diary, read. days: those of the recording, in order."""
    entries = []
    for line in text.strip().splitlines():
        day, clock, what, subject, word, by = line.split(maxsplit=5)
        hour, minute = clock.split(":")
        since = days.index(day) * 1440 + int(hour) * 60 + int(minute) - int(FIRST_HOUR * 60)
        entries.append(Entry(since, what, subject, word, by))
    return entries


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
    return {"rack-a": near, "rack-b": far_wall(near)}


def later_air(rng: np.random.Generator, minutes: int) -> dict[str, RoomAir]:
    """Two racks in one room, a fortnight on in the same weather, so that weeks can be laid side by side; the fans run
    through the nights, more slowly.
    """
    lead = int(FIRST_HOUR * 60)
    base = room_air("working-week", rng, "greensboro-april", minutes + lead, LATER_DAY, 1.4, 0.6)
    near = RoomAir(**{name: getattr(base, name)[lead:] for name in RoomAir.__dataclass_fields__})
    return {"rack-a": near, "rack-b": far_wall(near)}


def far_wall(near: RoomAir) -> RoomAir:
    """Rack B's air: a little colder, damper and stiller."""
    return replace(
        near,
        temperature=near.temperature - 0.5,
        humidity=np.minimum(near.humidity * 1.03, 0.97),
        fast=np.maximum(0.6 * near.fast, 0.08),
    )


def log_dip(rec: Recording, foundry: Foundry, entry: Entry, begun: Mapping[str, int]) -> None:
    """What a person types at the dip: much the first time, little later."""
    tree, first = foundry.trees[entry.subject], foundry.number[entry.subject] == 0
    rec.log(
        entry.minute + 0.5, "dip", tree=tree.name, rack=tree.rack, coat=entry.word,
        number=begun.get(tree.name) if first else None,
        shelter=tree.shelter if first else None,
        cell=tree.cell if first else None,
        recipe=RECIPE.get(tree.name, "standard") if first else None,
        id=f"{tree.name}-{foundry.number[tree.name] + begun.get(tree.name, 1)}", by=entry.by,
    )  # fmt: skip


def enter(rec: Recording, foundry: Foundry, entry: Entry, begun: Mapping[str, int]) -> None:
    """One line of the diary: told to drymon, and done in the simulated foundry."""
    m, name, by = entry.minute + 0.5, entry.subject, entry.by
    match entry.what:
        case "dip":
            log_dip(rec, foundry, entry, begun)
            foundry.dip(name, entry.word)
        case "slip":  # a dip typed for the wrong tree, taken back at once
            rec.log(m, "dip", tree=name, rack=foundry.trees[name].rack, coat=entry.word, by=by)
            rec.log(m + 1.5, "undo", tree=name, by=by)
        case "weigh":
            rec.log(m, "weigh", tree=name, mass=round(foundry.mass(name) * 1000), unit="g", by=by)
        case "felt" | "look":
            rec.log(m, entry.what, tree=name, finding=entry.word, by=by)
        case "move":
            rec.log(m, "move", tree=name, rack=entry.word, by=by)
            foundry.move(name, entry.word)
        case "fan":
            rec.log(m, "fan", rack=name, on=entry.word == "on", by=by)
        case "leave":
            rec.log(m, "leave", tree=name, by=by)


def work(
    rec: Recording, foundry: Foundry, entries: list[Entry], minutes: int, begun: Mapping[str, int] = BEGUN_ELSEWHERE
) -> None:
    """The days of a diary. begun: numbers of trees' first dips that are not their first."""
    while foundry.minute < minutes:
        for entry in entries:
            if entry.minute == foundry.minute:
                enter(rec, foundry, entry, begun)
        foundry.step()


def readings(  # noqa: PLR0913, how often they speak is told apart from what they say
    rec: Recording,
    foundry: Foundry,
    rng: np.random.Generator,
    minutes: int,
    dead: range = range(0),
    boot: str = "k7",
    every: int = EVERY,
) -> None:
    """Every sensor in its own dialect. dead: the minutes in which rack B's hygrometer says nothing; every: minutes
    between two words.
    """
    a, b = foundry.air["rack-a"], foundry.air["rack-b"]
    noise = rng.standard_normal((8, minutes))
    for m in range(0, minutes, every):
        rec.reading(m + 0.05, "rack-a", "temperature", f"{a.temperature[m] + 0.06 * noise[0, m]:.1f}")
        rec.reading(m + 0.05, "rack-a", "humidity", f"{100 * a.humidity[m] + 0.25 * noise[1, m]:.1f}")
        speed = a.duty[m] * a.fast[m] + (1 - a.duty[m]) * a.slow[m]
        rec.reading(m + 0.1, "rack-a", "airflow", f"{max(speed * (1 + 0.06 * noise[2, m]), 0.0):.2f}")
        fahrenheit = (b.temperature[m] + 0.1 + 0.06 * noise[3, m]) * 1.8 + 32
        rec.add(m + 0.2, "workshop/thermo3", {"temp_f": round(float(fahrenheit), 1), "batt": 2.9})
        if m not in dead:
            payload = {
                "value": round(float(100 * b.humidity[m] + 0.8 + 0.25 * noise[4, m]), 1),
                "unit": "%RH", "time": stamp(rec.at(m + 0.25)), "device": "node-b", "boot": boot,
                "seq": m // every + 1,
            }  # fmt: skip
            rec.reading(m + 0.3, "rack-b", "humidity", payload)
            if m % 700 == 350:  # the node did not see its receipt and says it again: counts once
                rec.reading(m + 0.9, "rack-b", "humidity", payload)
        if m % (3 * every if 3 * every < 10 else every) == 0:  # after ten minutes it would count as silent
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


def nonsense(rec: Recording) -> None:
    """What a broken node sends, and a rack that there is not."""
    rec.add(3 * 60 + 0.15, f"drymon/{rec.room}/rack-a/temperature", "err 85")
    rec.log(26 * 60 + 0.7, "dip", tree="hare", rack="rack-z", coat="backup", by="T. O.")


def make() -> tuple[Recording, Foundry]:
    """The whole recording, and the foundry that knows the truth."""
    rng = np.random.default_rng(SEED)
    foundry = Foundry(layers.world(), shells(), shop_air(rng), MINUTES, rng)
    rec = Recording("lindenhof", START)
    work(rec, foundry, diary(), MINUTES)
    readings(rec, foundry, rng, MINUTES, dead=range(28 * 60, 32 * 60 + 15))  # Tuesday 10:00 to 14:15
    weights(rec, foundry, rng)
    nonsense(rec)
    foundry.finish()
    return rec, foundry


def tell(recording: Recording, room: Foundry, out: Path) -> None:
    """Write the stream, and print when each coat was truly dry."""
    for dip in room.dips:
        dry = "not in time" if dip.dry_minute is None else f"after {(dip.dry_minute - dip.minute) / 60:.1f} h"
        print(f"{stamp(recording.at(dip.minute))} {dip.tree:10} {dip.coat:18} truly dry {dry}")
    print(f"{out.name}: {recording.write(out)} messages, {out.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    tell(*make(), OUT)
