"""Floors and photos with known truth."""
