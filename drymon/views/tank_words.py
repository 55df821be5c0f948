"""A tank of slurry in words: its last check, in or out of band, how old, what to do. For commands and page alike."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from drymon.drying.cups import viscosity
from drymon.drying.open_tank import Loss
from drymon.readback.now import age
from drymon.readback.tank_air import water_loss
from drymon.shop.facts.local_time import say
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.facts.slurry import NAMES, TankNow, Value, band_words, tanks_of
from drymon.store import Store

ONLY_ITSELF = "a cup compares a slurry with itself: it is no Newtonian liquid"


@dataclass(frozen=True, slots=True)
class TankView:
    """One tank as it is told. state: `in band`, `out of band`, `check due`, `never checked`;
    `checked` where there is no band."""

    now: TankNow
    state: str
    checked: str
    values: Sequence[str]
    bands: Sequence[str]
    viscosity: str
    water: str
    todo: str

    @property
    def good(self) -> bool:
        """Nothing is to be done."""
        return self.state in ("in band", "checked")


def tank_views(store: Store, room: RoomSetup, at: datetime) -> list[TankView]:
    """All tanks of the room, as they are told at a moment."""
    tanks = tanks_of(room, store.tank_events())
    return [tank_view(one, water_loss(store, room, one, at), at, room.timezone) for one in tanks]


def tank_lines(store: Store, room: RoomSetup, at: datetime) -> list[str]:
    """All tanks for a terminal."""
    views = tank_views(store, room, at)
    return [line for view in views for line in _lines(view)] or ["no tanks: add a [[slurry]] to room.toml"]


def _lines(view: TankView) -> list[str]:
    tank = view.now.tank
    label = f" ({tank.label})" if tank.label else ""
    told = (view.checked, ", ".join(view.values), view.viscosity, view.water)
    head = f"{tank.name}{label}: {view.state}; for {', '.join(tank.coats) or 'no coat that is known'}"
    return [head, *(f"  {words}" for words in told if words), f"  \N{RIGHTWARDS ARROW} {view.todo}"]


def tank_view(one: TankNow, loss: Loss | None, at: datetime, timezone: str) -> TankView:
    """One tank, with what goes off it where that is known."""
    stirred = f"; stirred {say(one.stirred, at, timezone)}" if one.stirred else ""
    by = next((check.by for check in reversed(one.checks) if check.time == one.checked and check.by), "")
    checked = "not checked yet" + stirred
    if one.checked is not None:
        who = f" by {by}" if by else ""
        checked = f"checked {say(one.checked, at, timezone)} ({age(at - one.checked)} ago){who}{stirred}"
    return TankView(
        one,
        _state(one, at),
        checked,
        [value.words for value in one.values],
        [f"{NAMES[what]} {band_words(what, band)}" for what in NAMES if (band := getattr(one.tank, what)) is not None],
        _viscosity(one),
        _water(loss),
        _todo(one, loss, at),
    )


def _state(one: TankNow, at: datetime) -> str:
    if one.checked is None:
        return "never checked"
    if one.out_of_band:
        return "out of band"
    if one.is_due(at) or one.watered is not None:
        return "check due"
    return "in band" if any(value.band for value in one.values) else "checked"


def _viscosity(one: TankNow) -> str:
    """What the cup's seconds are in mm2/s, or why they are not."""
    seconds = next((value.value for value in one.values if value.what == "seconds"), None)
    if seconds is None or one.tank.cup is None:
        return ""
    try:
        found = viscosity(one.tank.cup, seconds)
    except ValueError as error:
        return str(error)
    return f"{one.tank.cup}: as a liquid of {found:.3g} mm\N{SUPERSCRIPT TWO}/s; {ONLY_ITSELF}"


def litres(amount: float) -> str:
    """`0.3 L`, `12 L`: an estimate has no more digits."""
    return f"{amount:.1f} L" if amount < 9.95 else f"{amount:.0f} L"


def _water(loss: Loss | None) -> str:
    if loss is None:
        return ""
    bounds = f"{litres(loss.low).removesuffix(' L')} to {litres(loss.high)}"
    return f"about {litres(loss.best)} of water a day goes off at the last day's air ({bounds}): an estimate"


def _todo(one: TankNow, loss: Loss | None, at: datetime) -> str:
    """What a person does about it, one thing after the other."""
    if one.checked is None:
        return "stir it and check it with the cup"
    if one.watered is not None:
        return "water was added since the last cup: stir, then check it with the cup"
    beyond = {value.what: value for value in one.out_of_band}
    if (warm := beyond.get("temperature")) is not None and warm.band is not None:
        return f"bring it to {band_words('temperature', warm.band)} first: a cup compares only at one temperature"
    if beyond:
        return "; ".join(_beyond(value, one, loss, at) for value in beyond.values())
    if not one.is_due(at):
        return "nothing to do"
    gone = _gone(one, loss, at)
    return (f"about {gone} has gone off since: " if gone else "") + "stir it and check it with the cup"


def _beyond(value: Value, one: TankNow, loss: Loss | None, at: datetime) -> str:
    above, gone = value.beyond > 0, _gone(one, loss, at)
    match value.what:
        case "seconds" if above:
            water = f"add about {gone}" if gone else "add a little water"
            return f"too thick: {water}, stir, then check with the cup"
        case "seconds":
            return "too thin: add no water; add flour as its supplier says, stir, then check with the cup"
        case "density":
            return f"too {'heavy' if above else 'light'}: see what the cup says before water or flour goes in"
        case _:
            return "pH is off, the binder may be gelling: ask its supplier before anything is dipped"


def _gone(one: TankNow, loss: Loss | None, at: datetime) -> str:
    """The water that went off since the check, as far as it is worth a word."""
    if loss is None or one.checked is None:
        return ""
    amount = loss.best * max((at - one.checked).total_seconds(), 0.0) / 86400.0
    return litres(amount) if amount >= 0.05 else ""
