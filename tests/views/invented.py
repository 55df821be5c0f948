"""An invented shop for pictures and table: plain arithmetic, no physics; only the shape matters here."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import Dip, FanSwitched, Look, Weigh
from drymon.shop.facts.outcome import Bounds, Reason, State, Verdict, When
from drymon.shop.facts.setup import Band, CoatType, Rack, RoomSetup
from drymon.shop.verdict.advice import advice

BEGIN = datetime(2031, 3, 3, 5, 0, tzinfo=UTC)

ROOM = RoomSetup(
    name="shop",
    label="Shell room",
    timezone="Europe/Berlin",
    racks=(Rack("rack-a", "by the door", ("rack-a", "room")), Rack("rack-b", "", ("rack-b", "room"))),
    coats=(
        CoatType("prime", "prime", dry_at=0.9, room=Band((20, 24), (45, 65), (0.2, 1.0), 2.0)),
        CoatType("backup", "backup", dry_at=0.95, room=Band((20, 26), (35, 55), (1.0, 4.0), 3.0)),
    ),
)


def hours(number: float) -> datetime:
    """So many hours after the beginning."""
    return BEGIN + timedelta(hours=number)


def verdict(
    tree: str, dipped_h: float, now_h: float, number: int = 1, state: State | None = None, tau_h: float = 1.5,
    coat: str = "backup", codes: tuple[str, ...] = ("wet",), rack: str = "rack-a",
) -> Verdict:  # fmt: skip
    """A verdict whose dryness follows an exponential with a spread of a fifth."""
    age = now_h - dipped_h
    low, best, high = (1 - math.exp(-age / tau) for tau in (tau_h * 1.2, tau_h, tau_h / 1.2))
    full = tau_h * math.log(20)
    decided = state or (State.READY if low >= 0.95 else State.DRYING)
    wait = When(hours(dipped_h + full / 1.2), hours(dipped_h + full), hours(dipped_h + full * 1.2))
    said = Verdict(
        time=hours(now_h), valid_until=hours(now_h + 0.25), tree=tree, rack=rack, coat=coat, number=number,
        dipped_at=hours(dipped_h), state=decided, dryness=Bounds(low, best, high),
        dry_at=When(None, None, None) if decided is State.UNKNOWN else wait, redip_by=None,
        reasons=() if decided is State.READY else tuple(Reason(code, f"because {code}") for code in codes),
        recipe="standard", next_coat="backup",
    )  # fmt: skip
    return replace(said, advice=advice(said, UTC))


def tree_history(tree: str = "t-7", rack: str = "rack-a", shift: float = 0.0) -> list[Verdict]:
    """Six coats over two days, an hour of unknown, a hold, and two hours in which nobody watched."""
    dips = [shift + at for at in (0.5, 8.0, 15.5, 24.0, 31.0, 38.5)]
    rows = []
    for number, (begin, end) in enumerate(zip(dips, [*dips[1:], 46.0], strict=True), start=1):
        for step in range(int((end - begin) * 12)):
            now = begin + step / 12
            state: State | None = None
            codes: tuple[str, ...] = ("wet", "starting-model")
            if number == 2 and 1.0 < now - begin < 2.2:
                state, codes = State.UNKNOWN, ("air-unknown",)
            if number == 4 and 5.0 < now - begin < 6.0:
                state, codes = State.HOLD, ("too-fast",)
            if number == 5 and 2.0 < now - begin < 4.0:
                continue
            coat = "prime" if number <= 2 else "backup"
            rows.append(verdict(tree, begin, now, number, state, 1.1 + 0.12 * number, coat, codes, rack))
    return rows


EVENTS = [
    *(Dip(time=hours(at), arrived=hours(at), tree="t-7", rack="rack-a", coat="backup", number=number)
      for number, at in enumerate((0.5, 8.0, 15.5, 24.0, 31.0, 38.5), start=1)),
    Weigh(time=hours(3.0), arrived=hours(3.0), tree="t-7", mass=4.2),
    Look(time=hours(30.0), arrived=hours(30.0), tree="t-7", finding="sound"),
    FanSwitched(time=hours(13.0), arrived=hours(13.0), rack="rack-a", on=False),
    FanSwitched(time=hours(23.0), arrived=hours(23.0), rack="rack-a", on=True),
]  # fmt: skip


def air(begin_h: float = 0.0, end_h: float = 46.0) -> dict[Quantity, list[tuple[datetime, float]]]:
    """A daily swing in temperature and humidity, fans off at night, a gap of three hours."""
    rows: dict[Quantity, list[tuple[datetime, float]]] = {name: [] for name in list(Quantity)[:3]}
    for step in range(int(begin_h * 30), int(end_h * 30)):
        at = step / 30
        if 20.0 < at < 23.0:
            continue
        wave = math.sin(2 * math.pi * (at - 4) / 24) + 0.06 * math.sin(19.0 * at)
        rows[Quantity.TEMPERATURE].append((hours(at), 22.5 + 2.2 * wave))
        rows[Quantity.HUMIDITY].append((hours(at), 47 - 9 * wave))
        rows[Quantity.AIRFLOW].append((hours(at), (0.15 if 13 < at < 23 else 1.6) + 0.2 * math.sin(37 * at)))
    return rows
