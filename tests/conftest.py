"""What holds for all tests."""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Slow tests go first: with two workers a long one at the end would leave the other idle for minutes."""
    items.sort(key=lambda item: not any(item.get_closest_marker(name) for name in ("slow", "long")))
