"""Why "surely by" was overrun, a row each: what the air was when it was told, and what it was from then on."""

from collections.abc import Iterator
from datetime import datetime, timedelta

from drymon.readback.air_record import HOUR, AirRecord, mean_air
from drymon.readback.now import age
from drymon.readback.promises import Outcome, Promise, Tally, hours_of
from drymon.shop.facts.lives import Stay
from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import AirNow
from drymon.shop.facts.setup import RoomSetup
from drymon.store import Store
from drymon.views.fit.side_by_side import waits

Row = dict[str, str]


def coat_rows(tally: Tally) -> Iterator[Row]:
    """For each coat how many bounds were told and kept, apart by what they were told by."""
    for starting, model in ((True, "starting"), (False, "fitted")):
        for coat, own in Tally([one for one in tally.promises if one.starting is starting]).by_coat().items():
            over = [hours_of(promise.over) for promise in own.of(Outcome.OVERRUN)]
            counts = {outcome.value: str(len(own.of(outcome))) for outcome in Outcome}
            most = f"{max(over):.1f}" if over else ""
            told = waits(own.promises)
            hours = {} if told is None else {"likely_h": told.likely_h, "sure_h": told.sure_h, "ready_h": told.ready_h}
            words = {name: "" if value is None else f"{value:.1f}" for name, value in hours.items()}
            row = {"coat": coat, "model": model, "told": str(len(own.promises))}
            yield {**row, **words, **counts, "most_h": most}


def overrun_rows(store: Store, room: RoomSetup, tally: Tally) -> Iterator[Row]:
    """Each overrun bound, the farthest first, with the mean air of the hour before it was told and since."""
    air = AirRecord(store, room)
    for promise in sorted(tally.of(Outcome.OVERRUN), key=lambda one: one.over, reverse=True):
        until = promise.dry or promise.end
        yield {
            "tree": promise.tree,
            "coat": f"{promise.coat} {promise.number}",
            "told": say(promise.told, until, room.timezone),
            "bound": say(promise.bound, until, room.timezone),
            "dry": say(promise.dry, until, room.timezone) if promise.dry else "never called",
            "over_h": f"{'' if promise.dry else 'over '}{hours_of(promise.over):.1f}",
            "then": _words(mean_air(air, _before(promise))),
            "since": _words(mean_air(air, _since(promise, until))),
            "unknown": age(promise.unknown) if promise.unknown > timedelta() else "",
        }


def _before(promise: Promise) -> list[Stay]:
    rack = next((stay.rack for stay in promise.stays if stay.end > promise.told), promise.stays[-1].rack)
    return [Stay(rack, None, promise.told - HOUR, promise.told)]


def _since(promise: Promise, until: datetime) -> list[Stay]:
    cut = (Stay(stay.rack, stay.cell, max(stay.begin, promise.told), min(stay.end, until)) for stay in promise.stays)
    return [stay for stay in cut if stay.begin < stay.end]


def _words(air: AirNow) -> str:
    parts = (
        (air.temperature_c, ".1f", "°C"),
        (air.humidity_pct, ".0f", "%RH"),
        (air.airflow_m_per_s, ".2f", "m/s"),
    )
    return ", ".join(f"{value:{form}} {unit}" for value, form, unit in parts if value is not None) or "not known"
