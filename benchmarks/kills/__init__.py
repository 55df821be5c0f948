"""Kills under load, watched from outside."""
