"""Telling people: letters from alerts, and the ways by which they are sent."""
