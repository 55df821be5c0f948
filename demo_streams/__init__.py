"""Recorded streams of an invented shop, read with importlib.resources."""
