"""The way to the broker: the only package that imports paho."""
