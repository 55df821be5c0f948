"""The room: facts in, outcomes out. Nothing else in the shop imports it."""
