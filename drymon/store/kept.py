"""What commands ask to be kept of people's decisions: done by the service's loop, or by a command while none runs."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from drymon.errors import SetupError
from drymon.store.people import Calibration, LeftOut
from drymon.store.store import Store


def keep_calibration(store: Store, wanted: Mapping[str, Any], now: datetime) -> str:
    """A `sensor` (by the name that corrections go by), its `kind` and the `document` of what was found, from now on."""
    sensor, kind, document = (wanted.get(key) for key in ("sensor", "kind", "document"))
    if not (isinstance(sensor, str) and isinstance(kind, str) and isinstance(document, dict)):
        raise SetupError(
            f"calibration: received {sorted(wanted)}; allowed are sensor and kind in words, and a document"
        )
    store.add_calibration(Calibration(now, sensor, kind, document))
    return "readings from now on are corrected"


def change_run(store: Store, wanted: Mapping[str, Any], now: datetime) -> str:
    """Leave a `run` out of fits (`act` "leave-out", with a `reason` and `by`), or "take-back"."""
    act, run, reason, by = (str(wanted.get(key, "")) for key in ("act", "run", "reason", "by"))
    if act == "leave-out" and run and reason:
        store.leave_run_out(LeftOut(run, reason, by, now))
        return f"{run} is left out of fits: {reason}"
    if act == "take-back" and run:
        return f"{run} counts again" if store.take_run_back(run) else f"{run} was not left out"
    raise SetupError(f"run: received {act!r} of {run!r}; allowed are leave-out, with a reason, and take-back")
