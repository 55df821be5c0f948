"""Which sensors there are to calibrate, and the calibrations on record: which hold, and when they are due again."""

from datetime import date

from drymon.cli.home import record_of
from drymon.errors import LearningError
from drymon.messages.settings import HomeConfig
from drymon.shop.facts.measured import CLOTH, PICKUP
from drymon.store import Calibration, is_there


def holding(config: HomeConfig) -> list[Calibration]:
    """The calibration of each sensor that holds now, by sensor. StoreError where the database cannot be read."""
    if not is_there(config.database):
        return []
    with record_of(config) as record:
        newest = {(kept.sensor, kept.kind): kept for kept in record.calibrations()}
    return [newest[key] for key in sorted(newest)]


def taken_back(config: HomeConfig) -> list[tuple[Calibration, str]]:
    """Calibrations that count no more, and who took them back."""
    if not is_there(config.database):
        return []
    with record_of(config) as record:
        return record.calibrations_taken_back()


def due(kept: Calibration) -> date | None:
    """From when on it is to be done again; None where it does not say."""
    said = kept.document.get("due")
    return date.fromisoformat(said) if isinstance(said, str) else None


def again(kept: Calibration) -> str:
    """What to do when it is due, with the command."""
    subject, typed = kept.sensor.partition("/")[0], typed_name(kept)
    return {
        CLOTH: f"weigh a wet cloth there again: drymon calibrate airflow {subject} --wet-cloth",
        PICKUP: f"weigh a dip again: drymon calibrate pickup {subject}",
    }.get(kept.kind, f"hold it against a reference again: drymon calibrate {kept.kind} {typed}")


def typed_name(kept: Calibration) -> str:
    """The sensor as `calibrate KIND` takes it: a cell's name, else the place, or place/sensor."""
    parts = kept.sensor.split("/")
    return kept.sensor if len(parts) < 2 else "/".join((parts[0], *parts[2:]))


def sensor_key(kind: str, sensor: str) -> str:
    """The name under which a correction is looked up: a cell's own name, else place/quantity[/sensor]."""
    if kind == "cell":
        return sensor
    place, _, name = sensor.partition("/")
    return "/".join(part for part in (place, kind, name) if part)


def check_known(config: HomeConfig, kind: str, sensor: str) -> None:
    """LearningError where no sensor of that kind goes by that name: its correction would never be applied."""
    known = _known(config, kind)
    if sensor_key(kind, sensor) not in {sensor_key(kind, name) for name in known}:
        names = ", ".join(known) or "none yet; let it publish once, then calibrate it"
        raise LearningError(f"{kind} sensor: received {sensor!r}; known here are {names}")


def _known(config: HomeConfig, kind: str) -> list[str]:
    """The sensors of a kind that room.toml names or that were heard, as they are named to `calibrate`."""
    if kind == "cell":
        found, quantity = {cell.name for cell in config.room.cells}, "weight"
    else:
        found, quantity = {_join(one.place, one.sensor) for one in config.sources if one.quantity == kind}, kind
    if is_there(config.database):
        with record_of(config) as record:
            heard = [one for one in record.latest_readings() if one.quantity == quantity]
        found |= {one.sensor if kind == "cell" else _join(one.place, one.sensor) for one in heard}
    return sorted(found)


def _join(place: str, sensor: str) -> str:
    return f"{place}/{sensor}" if sensor else place
