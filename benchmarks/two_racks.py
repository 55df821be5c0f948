"""The racks and the coat of the small rooms that are measured here, as room.toml has them."""

TWO_RACKS = """[[rack]]
name = "rack-a"
[[rack]]
name = "rack-b"
[[coat]]
name = "backup"
family = "backup"
"""
