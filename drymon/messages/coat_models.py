"""Coat models as TOML files: numbers, where they come from, and a checksum so that a damaged file is never believed."""

import hashlib
import json
import math
import re
import tomllib
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, ValidationError

from drymon.drying.coat_model import DIP_PARAMETERS, PARAMETERS, TAILS, USUAL_POWER, CoatModel, Spread
from drymon.errors import SetupError
from drymon.messages.complaints import complaints
from drymon.messages.fields import Name
from drymon.messages.home import MODELS_FOLDER
from drymon.messages.old_models import in_this_format
from drymon.messages.tables import StrictTable

FORMAT = 2
SEEN = ("temperature_c", "humidity_pct", "airflow_m_per_s", "number")
REMEDY = (
    "copy it again from where it came, or fit it again with drymon fit, or delete it; until then the packaged starting "
    "model holds"
)
_CHECKSUM_LINE = re.compile(r'^checksum = "sha256:([0-9a-f]{64})"\n', re.MULTILINE)

Shelter = Literal["open", "pocketed", "deep"]


class SpreadTable(StrictTable):
    centre: Annotated[float, Field(gt=0)]
    sd: Annotated[float, Field(ge=0)]


class PowerTable(StrictTable):
    centre: float
    sd: Annotated[float, Field(ge=0)]


def _exactly(names: tuple[str, ...]) -> AfterValidator:
    def check(found: dict[str, Any]) -> dict[str, Any]:
        if set(found) != set(names):
            raise ValueError(f"exactly these keys: {', '.join(names)}")
        return found

    return AfterValidator(check)


def _tail(name: str) -> str:
    if name not in TAILS:
        raise ValueError(f"one of {', '.join(TAILS)}")
    return name


def _seen(found: dict[str, list[float]]) -> dict[str, list[float]]:
    if not set(found) <= set(SEEN) or any(len(pair) != 2 or pair[0] > pair[1] for pair in found.values()):
        raise ValueError(f"two numbers, the lower first, for any of {', '.join(SEEN)}")
    return found


def _correlation(matrix: list[list[float]]) -> list[list[float]]:
    size = range(len(PARAMETERS))
    fits = len(matrix) == len(size) and all(len(row) == len(size) for row in matrix)
    if not fits or any(abs(matrix[i][j] - (matrix[j][i] if i != j else 1.0)) > 1e-6 for i in size for j in size):
        raise ValueError(f"a symmetric matrix of {len(size)} by {len(size)} with ones on its diagonal")
    return matrix


class ModelTable(StrictTable):
    """A model file."""

    checksum: str
    format: Literal[2]
    name: Name
    family: Literal["prime", "backup", "seal"]
    label: str = ""
    origin: str = ""
    tail: Annotated[str, AfterValidator(_tail)] = TAILS[0]
    soak_coats: Annotated[float, Field(gt=0)] = 3.0
    runs: Annotated[int, Field(ge=0)] = 0
    run_ids: list[str] = Field(default_factory=list)
    shelters_learned: list[Shelter] = Field(default_factory=list)
    tail_learned: bool = True
    doubt: str = ""
    trade_hours: bool = False
    slurry_power: PowerTable | None = None
    slurry_sd: Annotated[float, Field(ge=0)] = 0.0
    end_growth: SpreadTable | None = None
    parameters: Annotated[dict[str, SpreadTable], _exactly(PARAMETERS)]
    dip_sd: Annotated[dict[str, Annotated[float, Field(ge=0)]], _exactly(DIP_PARAMETERS)]
    seen: Annotated[dict[str, list[float]], AfterValidator(_seen)]
    racks: dict[str, Annotated[float, Field(gt=0)]] = Field(default_factory=dict)
    error: dict[str, float] = Field(default_factory=dict)
    correlation: Annotated[list[list[float]], AfterValidator(_correlation)] | None = None


def load_models(home: Path | None = None) -> dict[str, CoatModel]:
    """All coat models by name: the packaged starting models, and over them those of the home's own that can be used.

    `model_doubts` tells of its others: one old or damaged file takes nobody's watch down.
    """
    resources = sorted(files("drymon.models").iterdir(), key=lambda file: file.name)
    packaged = [file for file in resources if file.name.endswith(".toml")]
    models = [parse_model(file.read_text(encoding="utf-8"), file.name) for file in packaged]
    models += [found for _, found in _own_models(home) if isinstance(found, CoatModel)]
    return {model.name: model for model in models}


def models_from_elsewhere(home: Path) -> dict[str, CoatModel]:
    """By coat, models of another home that fits here began from, as far as they can be read (`keep_from_elsewhere`)."""
    return {coat: found for coat, found in _models_in(_elsewhere(home)) if isinstance(found, CoatModel)}


def keep_from_elsewhere(model: CoatModel, home: Path) -> None:
    """Keep a model that another home has learnt, beside those that are fitted here: every fit begins from it."""
    write_model(model, _elsewhere(home) / f"{model.name}.toml")


def _elsewhere(home: Path) -> Path:
    return home / MODELS_FOLDER / "elsewhere"


def model_doubts(home: Path) -> dict[str, str]:
    """By coat, what is wrong with those model files of the home that cannot be used, and what to do about it."""
    return {coat: str(found) for coat, found in _own_models(home) if isinstance(found, SetupError)}


def _own_models(home: Path | None) -> Iterator[tuple[str, CoatModel | SetupError]]:
    return _models_in(home / MODELS_FOLDER) if home is not None else iter(())


def _models_in(folder: Path) -> Iterator[tuple[str, CoatModel | SetupError]]:
    for path in sorted(folder.glob("*.toml")):
        try:
            yield path.stem, read_model(path)
        except SetupError as error:
            yield path.stem, error


def read_model(path: Path) -> CoatModel:
    """The model in a file; SetupError where it is damaged or goes by another name."""
    try:
        model = parse_model(path.read_text(encoding="utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise SetupError(f"{path}: cannot be read ({error}); {REMEDY}") from error
    if model.name != path.stem:
        raise SetupError(f"{path}: name: received {model.name!r}; allowed is the file's own name, {path.stem!r}")
    return model


def parse_model(text: str, source: str) -> CoatModel:
    """The model in a text; `source` is named in errors."""
    text = text.replace("\r\n", "\n")
    stated = _CHECKSUM_LINE.search(text)
    if stated is None or stated[1] != _checksum(text):
        told = "does not match" if stated else "is missing"
        raise SetupError(f"{source}: its checksum {told}, so the file was changed or damaged; {REMEDY}")
    try:
        data = in_this_format(tomllib.loads(text))
        return _model(ModelTable.model_validate(data))
    except tomllib.TOMLDecodeError as error:
        raise SetupError(f"{source}: is no valid TOML: {error}; {REMEDY}") from error
    except ValidationError as error:
        raise SetupError(f"{source}: {'; '.join(complaints(error, ModelTable, data))}; {REMEDY}") from error


def write_model(model: CoatModel, path: Path) -> None:
    """Writes a model file, completely or not at all. SetupError: it would be refused when it is read, or the disk."""
    text = format_model(model)
    parse_model(text, str(path))
    draft = path.with_suffix(".toml.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        draft.write_text(text, encoding="utf-8", newline="\n")
        draft.replace(path)
    except OSError as error:
        raise SetupError(f"{path}: cannot be written ({error})") from error


def format_model(model: CoatModel) -> str:
    """The text of a model file, with its checksum; the same model gives the same text."""
    return sealed("\n".join(_lines(model)) + "\n")


def sealed(text: str) -> str:
    """A model's text with the checksum that fits it in its first line: for whoever edits a model on purpose."""
    body = _CHECKSUM_LINE.sub("", text.replace("\r\n", "\n"))
    return f'checksum = "sha256:{_checksum(body)}"\n{body}'


def _checksum(text: str) -> str:
    """Over all of the text but the checksum's own line."""
    return hashlib.sha256(_CHECKSUM_LINE.sub("", text).encode()).hexdigest()


def _lines(model: CoatModel) -> list[str]:
    plain = {
        "format": FORMAT,
        "name": model.name,
        "family": model.family,
        "label": model.label,
        "origin": model.origin,
        "tail": model.tail,
        "soak_coats": float(model.soak_coats),
        "runs": int(model.runs),
        "run_ids": list(model.run_ids),
        "shelters_learned": list(model.shelters_learned),
        "tail_learned": bool(model.tail_learned),
        "doubt": model.doubt,
    }
    if model.trade_hours and model.is_starting_model:
        plain["trade_hours"] = True
    lines = [f"{key} = {_toml(value)}" for key, value in plain.items()]
    if model.slurry_power != USUAL_POWER:
        lines.append(f"slurry_power = {_spread(model.slurry_power)}")
    if model.slurry_sd > 0.0:
        lines.append(f"slurry_sd = {_toml(float(model.slurry_sd))}")
    if model.end_growth is not None:
        lines.append(f"end_growth = {_spread(model.end_growth)}")
    if model.correlation is not None:
        rows = (f"    {_toml([float(value) for value in row])}," for row in model.correlation)
        lines += ["correlation = [", *rows, "]"]
    lines += ["", "[parameters]"]
    for name in PARAMETERS:
        lines.append(f"{name} = {_spread(model.parameters[name])}")
    lines += ["", "[dip_sd]", *(f"{name} = {_toml(float(model.dip_sd[name]))}" for name in DIP_PARAMETERS)]
    lines += ["", "[seen]", *(f"{key} = {_toml(list(map(float, model.seen[key])))}" for key in sorted(model.seen))]
    if model.racks:
        lines += ["", "[racks]", *(f"{_toml(key)} = {_toml(float(model.racks[key]))}" for key in sorted(model.racks))]
    lines += ["", "[error]", *(f"{key} = {_toml(float(model.error[key]))}" for key in sorted(model.error))]
    return lines


def _spread(spread: Spread) -> str:
    return f"{{ centre = {_toml(float(spread.centre))}, sd = {_toml(float(spread.sd))} }}"


def _toml(value: Any) -> str:
    """A value as TOML. Text as JSON writes it, which TOML reads alike but for the delete character."""
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, float):
        if not math.isfinite(value):
            raise SetupError(f"a coat model's number: received {value}; allowed are finite ones")
        return repr(value)
    return json.dumps(value)


def _model(table: ModelTable) -> CoatModel:
    plain = table.model_dump(
        include={
            "name",
            "family",
            "label",
            "origin",
            "tail",
            "soak_coats",
            "slurry_sd",
            "runs",
            "tail_learned",
            "doubt",
            "trade_hours",
        }
    )
    matrix, power, ends = table.correlation, table.slurry_power, table.end_growth
    return CoatModel(
        **plain,
        slurry_power=USUAL_POWER if power is None else Spread(power.centre, power.sd),
        end_growth=None if ends is None else Spread(ends.centre, ends.sd),
        parameters={name: Spread(table.parameters[name].centre, table.parameters[name].sd) for name in PARAMETERS},
        dip_sd={name: table.dip_sd[name] for name in DIP_PARAMETERS},
        seen={key: (low, high) for key, (low, high) in table.seen.items()},
        racks=dict(table.racks),
        correlation=None if matrix is None else tuple(tuple(row) for row in matrix),
        run_ids=tuple(table.run_ids),
        shelters_learned=tuple(table.shelters_learned),
        error=dict(table.error),
    )
