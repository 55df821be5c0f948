"""Coat models as data: one TOML file per coat type, read with importlib.resources."""
