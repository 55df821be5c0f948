"""Alarms: what holds, and the book that it is raised, repeated and cleared in."""
