"""What the verdicts rest on: coat models with the runs behind them, sensors with their calibrations."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from flask import Flask, abort

from drymon.drying.coat_model import CoatModel
from drymon.drying.quantities import Quantity
from drymon.errors import SetupError
from drymon.messages.coat_models import load_models
from drymon.shop.outcome import SensorStatus
from drymon.store import Calibration
from drymon.views.page.desk import Desk
from drymon.views.page.room_view import sensors

DUE_AFTER = timedelta(days=365)
"""For a calibration that does not say itself when it is due. Common practice, no source."""

CALIBRATED = (Quantity.HUMIDITY.value, Quantity.AIRFLOW.value, Quantity.WEIGHT.value)
RANGES = {"temperature_c": "°C", "humidity_pct": "% RH", "airflow_m_per_s": "m/s", "number": "coats"}
FEW_RUNS = 9
"""Below this many runs an interval rests on the starting ranges as much as on the shop's own weighings."""


@dataclass(frozen=True, slots=True)
class SensorView:
    """A sensor, and when it was last held against a reference; `due` None: it needs no calibration."""

    status: SensorStatus
    calibrated: datetime | None
    due: datetime | None
    needs: bool


def add(app: Flask, desk: Desk) -> None:
    """Register these views."""

    @app.get("/evidence")
    def evidence() -> Any:
        models = _models(desk)
        named = [coat.name for coat in desk.room.coats]
        store = desk.store()
        return desk.render(
            "evidence.html",
            models=[(name, desk.room.coat_by_name[name], models.get(name)) for name in named],
            ranges=RANGES,
            few=FEW_RUNS,
            sensors=_sensor_views(sensors(store, desk.room, desk.words().now), store.calibrations(), desk.words().now),
            refused=store.latest_refused(10),
            refused_count=store.refused_count(),
        )

    @app.get("/coat/<name>")
    def coat(name: str) -> Any:
        model = _models(desk).get(name)
        if model is None:
            abort(404, f"no coat model {name[:60]!r} here")
        return desk.render("coat.html", model=model, kind=desk.room.coat_by_name.get(name), ranges=RANGES, few=FEW_RUNS)


def _models(desk: Desk) -> Mapping[str, CoatModel]:
    try:
        return load_models(desk.ports.config.path)
    except SetupError as error:  # a damaged file: the service has said so; the page shows what it can
        desk.app.logger.warning("%s", error)
        return {}


def _sensor_views(
    found: Sequence[SensorStatus], calibrations: Sequence[Calibration], now: datetime
) -> list[SensorView]:
    newest = {calibration.sensor: calibration for calibration in calibrations}
    views = []
    for status in found:
        names = (f"{status.place}/{status.quantity}/{status.sensor}".rstrip("/"), status.sensor, status.place)
        last = next((newest[name] for name in names if name and name in newest), None)
        views.append(SensorView(status, last.time if last else None, _due(last), status.quantity in CALIBRATED))
    return sorted(views, key=lambda view: (view.status.state == "ok", not (view.needs and _is_due(view, now))))


def _due(last: Calibration | None) -> datetime | None:
    if last is None:
        return None
    said = last.document.get("due")
    return datetime.fromisoformat(said) if isinstance(said, str) else last.time + DUE_AFTER


def _is_due(view: SensorView, now: datetime) -> bool:
    return view.due is None or view.due <= now
