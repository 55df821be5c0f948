"""What commands ask to be kept of people's decisions: done by the service's loop, or by a command while none runs."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from drymon.errors import SetupError
from drymon.shop.facts.measured import CLOTH, PICKUP
from drymon.store.calibrations import TAKEN_BACK_BY, Calibration
from drymon.store.people import LeftOut
from drymon.store.store import Store

KEPT_OF = {
    CLOTH: "coats on a starting model go by it from now on, those that hang there too",
    PICKUP: "coats of this name on a starting model go by it from now on, those that hang too",
}
"""Effect of a kept measurement in words, by its kind. Of a sensor's calibration: its readings are corrected."""

WITHOUT = {CLOTH: "the assumed range holds", PICKUP: "the starting range holds"}
"""What drymon goes by without such a measurement, in words, by its kind. For a sensor: its readings as they come."""


def keep_calibration(store: Store, wanted: Mapping[str, Any], now: datetime) -> str:
    """A `sensor` (by the name that corrections go by), its `kind` and the `document` of what was found, from now on;
    or (`act` "take-back", with `by`) its newest one no more.
    """
    sensor, kind, document = (wanted.get(key) for key in ("sensor", "kind", "document"))
    if isinstance(sensor, str) and isinstance(kind, str):
        if wanted.get("act") == "take-back":
            return _take_back(store, sensor, kind, str(wanted.get("by", "")), now)
        if isinstance(document, dict):
            store.add_calibration(Calibration(now, sensor, kind, document))
            return KEPT_OF.get(kind, "readings from now on are corrected")
    raise SetupError(
        f"calibration: received {sorted(wanted)}; allowed are sensor and kind in words, and a document or the act "
        "take-back"
    )


def _take_back(store: Store, sensor: str, kind: str, by: str, now: datetime) -> str:
    """Written down beside what it takes back: who reads the record later must see both."""
    standing = store.calibrations(sensor, kind)
    if not standing:
        raise SetupError(f"{sensor} has no calibration to take back: {_without(kind)}")
    store.add_calibration(Calibration(now, sensor, kind, {TAKEN_BACK_BY: by}))
    before = _without(kind)
    if len(standing) > 1:
        before = f"that of {standing[-2].time:%Y-%m-%d %H:%M} UTC holds {'on' if kind == PICKUP else 'again'}"
    return f"{sensor}: the calibration of {standing[-1].time:%Y-%m-%d %H:%M} UTC is taken back; {before}"


def _without(kind: str) -> str:
    return WITHOUT.get(kind, "its readings are taken as they come")


def change_run(store: Store, wanted: Mapping[str, Any], now: datetime) -> str:
    """Leave a `run` out of fits (`act` "leave-out", with a `reason` and `by`), or "take-back"."""
    act, run, reason, by = (str(wanted.get(key, "")) for key in ("act", "run", "reason", "by"))
    if act == "leave-out" and run and reason:
        store.leave_run_out(LeftOut(run, reason, by, now))
        return f"{run} is left out of fits: {reason}"
    if act == "take-back" and run:
        return f"{run} counts again" if store.take_run_back(run) else f"{run} was not left out"
    raise SetupError(f"run: received {act!r} of {run!r}; allowed are leave-out, with a reason, and take-back")
