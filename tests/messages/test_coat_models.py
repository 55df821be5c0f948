"""Coat models as files: round trip, damage, and what the packaged ones must be."""

import math
import tomllib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon.drying import coat, dips, ensemble, sorption, surface
from drymon.drying.coat_model import DIP_PARAMETERS, PARAMETERS, CoatModel, Spread
from drymon.errors import SetupError
from drymon.messages.coat_models import (
    format_model,
    load_models,
    model_doubts,
    parse_model,
    read_model,
    sealed,
    write_model,
)

PACKAGED = load_models()


def test_the_usual_coats_are_packaged() -> None:
    assert {"prime-first", "prime-fine", "slurry-only-first", "backup", "seal"} <= set(PACKAGED)


@pytest.mark.parametrize("model", PACKAGED.values(), ids=PACKAGED)
def test_packaged_models_are_starting_models(model) -> None:
    """Wide on purpose: a factor of at least 1.3 either way on the drying, and no shelter claimed as learnt."""
    assert model.is_starting_model
    assert model.shelters_learned == ()
    assert "assumed" in model.origin.lower()
    assert math.exp(min(model.parameters["water"].sd, model.parameters["transfer"].sd)) > 1.3
    # ranges of rooms, common practice, no source
    assert model.seen["temperature_c"] == (15, 30)
    assert model.seen["humidity_pct"] == (25, 80)


def test_the_central_backup_coat_comes_near_the_published_bars() -> None:
    """Guerra and Dooley, INCAST June 2020: 5.2 g of water on a bar, 1.9 g left at 60 min, 0.6 g at 120.

    Dry at about 3 h; 45 to 50 %RH and 0.6 m/s in such labs, temperature and area not printed: so the check is wide.
    """
    backup = PACKAGED["backup"]
    sharp = {name: Spread(spread.centre, 1e-9) for name, spread in backup.parameters.items()}
    model = CoatModel(backup.name, backup.family, sharp, dict.fromkeys(DIP_PARAMETERS, 0.0), backup.seen)
    drive = surface.air_drive(21.0, 48.0)
    h, h_m = surface.transfer_coefficients(0.6, 21.0)
    air_side = surface.air_side_resistance(drive.slope_heat, h, h_m, surface.radiative_coefficient(21.0))
    air = ensemble.AirStep(float(drive.deficit), float(drive.saturation), float(sorption.excess(48.0)), float(air_side))
    coats = dips.possible_coats(model, 1, "open")
    left, at = 1.0 + 0.0 * coats.water, {}
    for minute in range(1, 241):
        left = coat.step(coats, left, air, 60.0)
        at[minute] = float(left.mean())
    assert at[60] == pytest.approx(1.9 / 5.2, abs=0.10)
    assert at[120] == pytest.approx(0.6 / 5.2, abs=0.09)
    assert at[150] > 0.05 > at[240]


def rich():
    size = len(PARAMETERS)
    matrix = tuple(tuple(1.0 if i == j else 0.1 for j in range(size)) for i in range(size))
    return CoatModel(
        name="backup", family="backup", label='Our "backup" \\ coat\x7f\n', origin="weighed here: Zoë",
        parameters={name: Spread(0.1 + 0.09 * i, 1e-05 * (i + 1)) for i, name in enumerate(PARAMETERS)},
        dip_sd=dict.fromkeys(DIP_PARAMETERS, 0.1), seen={"number": (1.0, 9.0)}, correlation=matrix, runs=4,
        run_ids=("r-1", "r-2"), shelters_learned=("open", "deep"), tail_learned=False, error={"median_pct": 6.5},
    )  # fmt: skip


def test_round_trip(tmp_path) -> None:
    write_model(rich(), tmp_path / "models" / "backup.toml")
    assert read_model(tmp_path / "models" / "backup.toml") == rich()
    assert [file.name for file in (tmp_path / "models").iterdir()] == ["backup.toml"]


def test_the_file_is_plain_toml() -> None:
    data = tomllib.loads(format_model(rich()))
    assert data["parameters"]["water"] == {"centre": 0.1, "sd": 1e-05}
    assert data["label"] == 'Our "backup" \\ coat\x7f\n'


@given(
    centre=st.floats(1e-12, 1e12),
    sd=st.floats(0, 1e3),
    text=st.text(st.characters(exclude_categories=["Cs"]), max_size=40),
)
def test_every_number_and_text_survives(centre, sd, text) -> None:
    model = CoatModel(
        "x", "seal", dict.fromkeys(PARAMETERS, Spread(centre, sd)), dict.fromkeys(DIP_PARAMETERS, sd), {}, text, text
    )
    assert parse_model(format_model(model), "x") == model


def test_the_homes_own_model_wins(tmp_path) -> None:
    write_model(rich(), tmp_path / "models" / "backup.toml")
    models = load_models(tmp_path)
    assert models["backup"].runs == 4
    assert models["seal"] == PACKAGED["seal"]


def test_a_file_that_cannot_be_used_is_told_of_and_the_packaged_model_holds(tmp_path) -> None:
    write_model(rich(), tmp_path / "models" / "backup.toml")
    old = format_model(rich()).replace('name = "backup"', 'name = "seal"').replace("water = ", "waters = ", 1)
    (tmp_path / "models" / "seal.toml").write_text(sealed(old), encoding="utf-8")
    (tmp_path / "models" / "prime-first.toml").write_bytes(b"\xff\xfe")
    models, doubts = load_models(tmp_path), model_doubts(tmp_path)
    assert (models["backup"], models["seal"], models["prime-first"].runs) == (rich(), PACKAGED["seal"], 0)
    assert set(doubts) == {"seal", "prime-first"}
    assert "models/seal.toml: parameters: " in doubts["seal"]
    assert all("fit it again with drymon fit" in told for told in doubts.values())


def test_windows_line_ends_do_no_harm() -> None:
    assert parse_model(format_model(rich()).replace("\n", "\r\n"), "x") == rich()


@pytest.mark.parametrize(
    "damage",
    [
        lambda text: text.replace("centre = 0.1,", "centre = 0.2,"),
        lambda text: text[: len(text) // 2],
        lambda text: text.split("\n", 1)[1],
        lambda text: text + "# a remark\n",
    ],
)
def test_a_damaged_model_is_never_believed(tmp_path, damage) -> None:
    path = tmp_path / "backup.toml"
    path.write_text(damage(format_model(rich())), encoding="utf-8")
    with pytest.raises(SetupError, match="checksum") as caught:
        read_model(path)
    assert "drymon fit" in str(caught.value)
    assert "backup.toml" in str(caught.value)


def test_a_model_under_another_name_is_refused(tmp_path) -> None:
    write_model(rich(), tmp_path / "prime.toml")
    with pytest.raises(SetupError, match="prime"):
        read_model(tmp_path / "prime.toml")


def test_impossible_numbers_are_not_written(tmp_path) -> None:
    model = CoatModel(
        "x", "seal", dict.fromkeys(PARAMETERS, Spread(float("inf"), 1.0)), dict.fromkeys(DIP_PARAMETERS, 0.1), {}
    )
    with pytest.raises(SetupError, match="finite"):
        write_model(model, tmp_path / "x.toml")
    assert list(tmp_path.iterdir()) == []


def test_what_could_not_be_read_again_is_not_written(tmp_path) -> None:
    model = replace(rich(), seen={"temperature_c": (25.0, 15.0)})
    with pytest.raises(SetupError, match="two numbers, the lower first"):
        write_model(model, tmp_path / "backup.toml")
    assert list(tmp_path.iterdir()) == []


def test_wrong_content_behind_a_right_checksum_is_told(tmp_path) -> None:
    model = CoatModel("x", "third", dict.fromkeys(PARAMETERS, Spread(1.0, 1.0)), dict.fromkeys(DIP_PARAMETERS, 0.1), {})
    with pytest.raises(SetupError, match="family"):
        parse_model(format_model(model), "x.toml")


def test_a_model_edited_on_purpose_is_sealed_anew() -> None:
    edited = format_model(rich()).replace("centre = 0.1,", "centre = 0.2,")
    assert parse_model(sealed(edited), "x").parameters["water"].centre == 0.2
    assert sealed(format_model(rich())) == format_model(rich())


@pytest.mark.parametrize(
    "seen", [{"number": (9.0, 1.0)}, {"number": (1.0,)}, {"number": (1.0, 2.0, 3.0)}, {"hue": (1.0, 2.0)}]
)
def test_a_range_that_is_none_is_refused(tmp_path, seen) -> None:
    """What a coat was weighed in: outside of it a verdict is less sure."""
    path = tmp_path / f"{rich().name}.toml"
    path.write_text(format_model(replace(rich(), seen=seen)), encoding="utf-8")
    with pytest.raises(SetupError, match="two numbers, the lower first"):
        read_model(path)
