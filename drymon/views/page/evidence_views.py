"""What the verdicts rest on: coat models with the runs behind them, sensors with their calibrations."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from flask import Flask, abort

from drymon.drying.coat_model import CoatModel
from drymon.drying.quantities import Quantity
from drymon.errors import SetupError
from drymon.messages.coat_models import load_models
from drymon.readback.coat_basis import (
    Basis,
    basis_of,
    counted_words,
    error_words,
    range_origin,
    range_words,
    runs_words,
)
from drymon.readback.thick_words import power_words
from drymon.shop.facts.corrected import sensor_name
from drymon.shop.facts.measured import Measured
from drymon.shop.facts.outcome import SensorStatus
from drymon.shop.facts.sensor_state import SensorState
from drymon.shop.facts.setup import RoomSetup
from drymon.store import Calibration
from drymon.views.page.page_context import PageContext
from drymon.views.page.room_view import sensors

DUE_AFTER = timedelta(days=365)
"""For a calibration that does not say itself when it is due. Common practice, no source."""

CALIBRATED = (Quantity.HUMIDITY.value, Quantity.AIRFLOW.value, Quantity.WEIGHT.value)
FEW_RUNS = 9
"""Below this many runs an interval rests on the starting ranges as much as on the shop's own weighings."""


@dataclass(frozen=True, slots=True)
class SensorView:
    """A sensor, when it was last held against a reference, and the day by which it is due again; None: never."""

    status: SensorStatus
    calibrated: datetime | None
    due: date | None
    needs: bool
    overdue: bool = False


def add(app: Flask, context: PageContext) -> None:
    """Register these views."""

    @app.get("/evidence")
    def evidence() -> Any:
        store, words = context.store(), context.words()
        today = words.now.astimezone(ZoneInfo(context.room.timezone)).date()
        return context.render(
            "evidence.html",
            models=[(coat, coat_basis(context, coat.name)) for coat in context.room.coats],
            few=FEW_RUNS,
            runs_words=runs_words,
            counted_words=counted_words,
            error_words=error_words,
            sensors=sensor_views(sensors(store, context.room, words.now), store.calibrations(), today),
            refused=store.latest_refused(10),
            refused_count=store.refused_count(),
        )

    @app.get("/coat/<name>")
    def coat(name: str) -> Any:
        basis = coat_basis(context, name)
        if basis is None:
            abort(404, f"no coat and no coat model {name[:60]!r} here")
        return context.render(
            "coat.html",
            basis=basis,
            model=basis.model,
            kind=context.room.coat_by_name.get(name),
            few=FEW_RUNS,
            runs_words=runs_words,
            counted=counted_words(basis.model),
            error=error_words(basis.model.error) if basis.is_own else "",
            ranges=range_words(basis.model),
            range_origin=range_origin(basis),
            by_cup=power_words(basis.model) if _has_cup(context.room, name) else "",
        )


def _has_cup(room: RoomSetup, coat: str) -> bool:
    return any(coat in tank.coats and tank.seconds is not None for tank in room.tanks)


def coat_basis(context: PageContext, coat: str) -> Basis | None:
    """What a coat goes by, with what weighed dips have told of its water."""
    waters = Measured.of(context.store().calibrations()).waters
    return basis_of(coat, context.room, _models(context), waters.get(coat))


def _models(context: PageContext) -> Mapping[str, CoatModel]:
    try:
        return load_models(context.ports.config.path)
    except SetupError as error:  # a damaged file: the service has said so; the page shows what it can
        context.app.logger.warning("%s", error)
        return {}


def sensor_views(found: Sequence[SensorStatus], calibrations: Sequence[Calibration], today: date) -> list[SensorView]:
    """The sensors with their newest calibrations, those to look at first. today: on the room's calendar."""
    newest = {calibration.sensor: calibration for calibration in calibrations}
    views = []
    for status in found:
        # A load cell is known by its name alone, wherever it hangs.
        cell = status.sensor if status.quantity == Quantity.WEIGHT.value else ""
        last = newest.get(sensor_name(status.place, status.quantity, status.sensor)) or newest.get(cell)
        due, needs = (_due(last) if last else None), status.quantity in CALIBRATED
        views.append(SensorView(status, last.time if last else None, due, needs or last is not None, _past(due, today)))
    return sorted(views, key=lambda view: (view.status.state is SensorState.OK, not (view.needs and view.overdue)))


def _due(last: Calibration) -> date:
    """The last day on which it holds; what people write is a date, on the room's calendar."""
    said = last.document.get("due")
    return datetime.fromisoformat(said).date() if isinstance(said, str) else (last.time + DUE_AFTER).date()


def _past(due: date | None, today: date) -> bool:
    return due is None or due < today
