"""`[[slurry]]` in room.toml: what is taken, what is refused and with which words."""

from pathlib import Path

import pytest

from drymon.messages.config import parse_home
from tests.messages.test_config import LEAST, refusal

TANK = '[[slurry]]\nname = "tank-1"\ncoats = ["backup"]\n'


def test_a_tank_with_all_its_bands_is_read() -> None:
    more = (
        'label = "Backup tank"\ncup = "astm-d4212-z4"\nseconds = [10, 14]\ntemperature = [20, 24]\n'
        "density = [1.78, 1.86]\nph = [8.5, 9.5]\nsurface_m2 = 0.5\nvolume_l = 300\n"
    )
    tank = parse_home(LEAST + TANK + more, Path("home")).room.tank_by_name["tank-1"]
    assert (tank.label, tank.coats, tank.cup, tank.seconds) == ("Backup tank", ("backup",), "astm-d4212-z4", (10, 14))
    assert (tank.temperature, tank.density, tank.ph) == ((20, 24), (1.78, 1.86), (8.5, 9.5))
    assert (tank.surface_m2, tank.volume_l) == (0.5, 300)


def test_a_tank_needs_a_name_and_coats_alone() -> None:
    (tank,) = parse_home(LEAST + TANK, Path("home")).room.tanks
    assert (tank.name, tank.coats) == ("tank-1", ("backup",))
    assert {tank.cup, tank.seconds, tank.temperature, tank.density, tank.ph, tank.surface_m2, tank.volume_l} == {None}


@pytest.mark.parametrize(
    ("line", "key", "received", "allowed"),
    [
        ('cup = "iso-2431-9"', ".cup", '"iso-2431-9"', "did you mean iso-2431-"),
        ('cup = "iso-2431-4"\nseconds = [34, 28]', ".seconds", "[34, 28]", "the lower first"),
        ('cup = "iso-2431-4"\nseconds = [0, 28]', ".seconds[1]", "0", "above 0, at most 600"),
        ("seconds = [28, 34]", "slurry[1]", "seconds without cup", "name it"),
        ("ph = [9, 15]", ".ph[2]", "15", "0 to 14"),
        ("density = [1780, 1860]", ".density[1]", "1780", "0.9 to 6"),
        ("temperature = [68, 75]", ".temperature[1]", "68", "-10 to 60"),
        ("surface_m2 = 0", ".surface_m2", "0", "above 0, at most 20"),
        ("volume_l = 20001", ".volume_l", "20001", "above 0, at most 20000"),
        ("viscosity = 30", ".viscosity", "unknown key", "allowed here are"),
    ],
)
def test_a_wrong_tank_is_refused_with_what_is_allowed(line: str, key: str, received: str, allowed: str) -> None:
    text = refusal(LEAST + TANK + line + "\n")
    assert key in text
    assert received in text
    assert allowed in text


def test_tanks_are_named_once_and_name_coats_of_the_file() -> None:
    twice = refusal(LEAST + TANK + TANK)
    assert 'slurry[2].name: received "tank-1" twice' in twice
    strange = refusal(LEAST + TANK.replace('"backup"', '"bakcup"'))
    assert 'slurry[1].coats: received "bakcup"; allowed are the coats of this file: backup' in strange
    none = refusal(LEAST + TANK.replace('"backup"', ""))
    assert 'slurry[1].coats ("tank-1"): received []; allowed is a list of at least 1' in none
