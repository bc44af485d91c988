"""Fixtures of the desk's tests: a job under way, and a pipeline that is a fake."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from assessor import batch
from tests.desk.stage import Clock, SayingPipeline, Stage


@pytest.fixture
def says(monkeypatch: pytest.MonkeyPatch) -> SayingPipeline:
    """The fake pipeline; no pictures: they have tests of their own and take a second each."""
    fake = SayingPipeline()
    monkeypatch.setattr(batch, "assess_capture", fake)
    monkeypatch.setattr(batch, "draw_picture", lambda result, record: b"picture")
    monkeypatch.setattr(batch, "thumbnail", lambda result: b"small")
    return fake


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    """A job with two zones, nothing prepared yet."""
    one = Stage(tmp_path, Clock())
    one.open()
    yield one
    one.desk.store.close()
