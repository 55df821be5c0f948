"""The overlays, compiled by dtc and applied by fdtoverlay to a made-up tree: against the kernel's own bindings.

Quotes: Linux, Documentation/devicetree/bindings/iio/adc/avia-hx711.yaml and counter/interrupt-counter.yaml.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

OVERLAYS = Path(__file__).parents[1] / "overlays"
BASE = """/dts-v1/;
/ {
    compatible = "brcm,bcm2711";
    #address-cells = <1>;
    #size-cells = <1>;
    soc { gpio: gpio@7e200000 { compatible = "brcm,bcm2711-gpio"; gpio-controller; #gpio-cells = <2>; }; };
};
"""


@pytest.fixture
def applied(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    """A tree with the overlay of that name in it."""
    if shutil.which("fdtoverlay") is None:
        pytest.skip("needs dtc and fdtoverlay: apt install device-tree-compiler")
    (tmp_path / "base.dts").write_text(BASE)
    overlay = OVERLAYS / f"drymon-{request.param}-overlay.dts"
    for source, target in ((tmp_path / "base.dts", "base.dtb"), (overlay, "overlay.dtbo")):
        said = run("dtc", "-@", "-I", "dts", "-O", "dtb", "-o", str(tmp_path / target), str(source))
        assert "drymon" not in said, said  # no warning about what is ours
    run("fdtoverlay", "-i", str(tmp_path / "base.dtb"), "-o", str(tmp_path / "all.dtb"), str(tmp_path / "overlay.dtbo"))
    return tmp_path / "all.dtb"


def run(*words: str) -> str:
    done = subprocess.run(words, capture_output=True, text=True, timeout=20)
    assert done.returncode == 0, done.stderr
    return done.stdout + done.stderr


def get(tree: Path, *words: str) -> list[str]:
    return run("fdtget", *words[:-2], str(tree), *words[-2:]).split()


def gpio(tree: Path) -> str:
    return get(tree, "/soc/gpio@7e200000", "phandle")[0]


@pytest.mark.parametrize("applied", ["hx711"], indirect=True)
def test_the_load_cells_converter(applied: Path) -> None:
    """ "required: compatible, sck-gpios, dout-gpios, avdd-supply"; "compatible: enum: avia,hx711"; "avdd-supply: Analog
    supply voltage (AVDD)." In the example: <&gpio3 10 GPIO_ACTIVE_HIGH>, which is 0."""
    assert get(applied, "/weight", "compatible") == ["avia,hx711"]
    assert get(applied, "/weight", "sck-gpios") == [gpio(applied), "5", "0"]
    assert get(applied, "/weight", "dout-gpios") == [gpio(applied), "6", "0"]
    (supply,) = get(applied, "/weight", "avdd-supply")
    assert get(applied, "/weight-avdd", "phandle") == [supply]
    assert get(applied, "/weight-avdd", "regulator-min-microvolt") == ["3300000"]
    assert get(applied, "/weight-avdd", "compatible") == ["regulator-fixed"]


@pytest.mark.parametrize("applied", ["pulses"], indirect=True)
def test_the_pulse_input(applied: Path) -> None:
    """ "compatible: const: interrupt-counter"; "anyOf: required: [ gpios ]"; in the example: gpios = <&gpio 2
    GPIO_ACTIVE_HIGH>."""
    assert get(applied, "/pulses", "compatible") == ["interrupt-counter"]
    assert get(applied, "/pulses", "gpios") == [gpio(applied), "17", "0"]


@pytest.mark.parametrize(
    ("name", "pins"), [("hx711", {"sck": "sck-gpios:4", "dout": "dout-gpios:4"}), ("pulses", {"pin": "gpios:4"})]
)
def test_a_parameter_sets_the_pin_and_nothing_else(name: str, pins: dict[str, str]) -> None:
    """The second cell of `<&gpio pin flags>`, at byte 4, is the pin: as raspberrypi/linux's dht11-overlay.dts writes
    `gpiopin = …<&dht11>,"gpios:4"`. Only the Pi's firmware applies parameters: not tried."""
    text = (OVERLAYS / f"drymon-{name}-overlay.dts").read_text()
    for parameter, place in pins.items():
        assert f'{parameter} = <&{"weight" if name == "hx711" else "pulses"}>,"{place}";' in text
