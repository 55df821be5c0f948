"""Nodes for tests: kernel files of a drying room, and a file of sensors."""

from __future__ import annotations

from pathlib import Path

HEAD = '[node]\ndevice = "node-1"\nstate = "state"\n[broker]\nhost = "127.0.0.1"\nport = {port}\n'
AIR = '[[sensor]]\nplace = "room"\nquantity = "humidity"\nkind = "hwmon"\nchip = "sht4x"\n'


def configured(tmp_path: Path, port: int, text: str = AIR) -> str:
    path = tmp_path / "sensors.toml"
    path.write_text(HEAD.format(port=port) + text, encoding="utf-8")
    return str(path)
