"""Measure prepared concrete floors from phone photos and a printed card."""

__version__ = "0.6.0"
