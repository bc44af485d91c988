"""A batch of a job's captures that is killed at random instants goes on where it was and does nothing done again."""

from __future__ import annotations

import os
import random
import threading
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import Executor, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from assessor import batch
from assessor.batch import SerialExecutor
from assessor.desk import photos as job_photos
from assessor.desk.base import JobDesk
from assessor.desk.photos import assess_job
from assessor.job.entries import CaptureFiled
from assessor.store.checking import check_store
from assessor.store.opening import open_store
from tests.desk.stage import CREW, JOB, Clock, SayingPipeline, Stage
from tests.fakes import fake_photo
from tests.store.test_killed import quick_disk, run_and_kill

__all__ = ["quick_disk"]  # a fixture
pytestmark = pytest.mark.filterwarnings("ignore:This process.*use of fork:DeprecationWarning")


class CountingPipeline(SayingPipeline):
    """Writes the name of each capture that it assesses into a file that outlives a kill."""

    def __init__(self, file: Path, pause_s: float) -> None:
        super().__init__()
        self.file, self.pause_s = file, pause_s

    def __call__(self, photos: Any, **arguments: Any) -> Any:
        handle = os.open(self.file, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
        os.write(handle, f"{photos[0].name.split('/')[0]}\n".encode())
        os.close(handle)
        time.sleep(self.pause_s)  # so that kills fall into the work
        return super().__call__(photos, **arguments)


def file_many(stage: Stage, count: int) -> None:
    """File so many captures of one made-up photo each, in one go."""
    store = stage.desk.store
    refs = store.keep_files([(f"made-up photo {n}".encode(), f"IMG_{n:04}.jpg") for n in range(count)])
    contents = [
        CaptureFiled(
            capture=f"c{n}", zone=1, spot=1 + n % 4, phase="after", round=1, photos=(ref,), filed_by="tag"
        )
        for n, ref in enumerate(refs)
    ]
    stage.desk.enter(JOB, contents, CREW)


@pytest.mark.parametrize(
    ("wanted", "kills", "workers"),
    [(40, 4, 1), (24, 3, 2), pytest.param(500, 10, 1, marks=pytest.mark.long)],
)
def test_a_killed_batch_goes_on_and_redoes_only_what_was_in_work(
    quick_disk: Path, monkeypatch: pytest.MonkeyPatch, wanted: int, kills: int, workers: int
) -> None:
    count = quick_disk / "counted"
    monkeypatch.setattr(batch, "assess_capture", CountingPipeline(count, 1.5 * workers / wanted))
    monkeypatch.setattr(batch, "draw_picture", lambda result, record: b"picture")
    monkeypatch.setattr(batch, "thumbnail", lambda result: b"small")
    monkeypatch.setattr(batch, "capture_page", lambda record, *pictures: "page")
    photo = fake_photo(width_px=300)
    monkeypatch.setattr(
        batch,
        "decode_photo",
        lambda data, name, settings: photo.__class__(name, photo.rgb_u8, photo.exif, "0" * 64),
    )
    at_once = 4 if workers > 1 else 32
    monkeypatch.setattr(job_photos, "AT_ONCE", at_once)
    stage = Stage(quick_disk)
    stage.open()
    stage.work()
    file_many(stage, wanted)
    stage.desk.store.close()

    def work(say: Callable[[str], object]) -> None:
        executor: Executor = SerialExecutor() if workers == 1 else ThreadPoolExecutor(workers)
        with JobDesk(open_store(stage.place)) as desk:
            assess_job(desk, JOB, executor, CREW, on_done=lambda done, every, name: say(name))

    chance, told, met, done = random.Random(wanted), list[str](), 0, False
    rounds = 0
    while not done:
        # Killed soon after the first capture, so that every kill meets work and leaves some; then to the end.
        after_s = chance.uniform(0.02, 0.4) if met < kills else None
        words, done = run_and_kill(work, after_s)
        told += words
        met += bool(words) and not done
        rounds += 1
        assert rounds < 10 * kills, "no kill met the work"
    assert len(told) == len(set(told)), "a capture was entered twice"
    counted = Counter(count.read_text().split())
    assert set(counted) == {f"c{n}" for n in range(wanted)}
    in_work = 1 if workers == 1 else at_once
    assert sum(counted.values()) - wanted <= in_work * (rounds - 1)
    with open_store(stage.place) as store:
        entered = Counter(entry.content.capture for entry in store.entries(JOB, kinds=["assessed"]))  # type: ignore[union-attr]
        assert entered == {f"c{n}": 1 for n in range(wanted)}
        assert check_store(store).whole
    assert met >= kills // 2, "too few kills met the work, so this shows little"


def test_two_runs_at_once_enter_nothing_twice(stage: Stage, says: SayingPipeline) -> None:
    """Both have planned all captures before either enters one; each result is entered by whoever is first."""
    stage.work()
    names = [stage.shoot(1, 1 + n % 4) for n in range(8)]
    ready = threading.Barrier(2, timeout=30)

    def run(number: int) -> int:
        with JobDesk(open_store(stage.place), Clock()) as desk:
            first = True

            class Meeting(SerialExecutor):
                def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Any:
                    nonlocal first
                    if first:
                        ready.wait()
                    first = False
                    return super().submit(fn, *args, **kwargs)

            return len(assess_job(desk, JOB, Meeting(), CREW).assessed)

    with ThreadPoolExecutor(2) as pool:
        done = list(pool.map(run, range(2)))
    assert done == [8, 8]
    assert len(says.calls) == 16
    entered = stage.desk.store.entries(JOB, kinds=["assessed"])
    assert sorted(entry.content.capture for entry in entered) == sorted(names)  # type: ignore[union-attr]
