"""What several commands share: options, the executor they work on, a progress bar."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from assessor.batch import SerialExecutor, prepare_worker

DEFAULT_WORKERS = min(4, os.cpu_count() or 1)  # one per core, four at most for the memory's sake
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")

Workers = Annotated[
    int, typer.Option(min=1, help="Captures worked on side by side; each takes up to 1.5 GB.")
]
Scale = Annotated[str, typer.Option(help="A shipped scale (see `assessor scales`) or the file of your own.")]
SettingsFile = Annotated[
    Path | None, typer.Option("--settings", help="TOML file that changes stage settings, by stage.")
]


@contextmanager
def executor_of(workers: int) -> Iterator[Executor]:
    """The executor for so many workers: this process for one, else a pool of fresh processes."""
    if workers == 1:
        yield SerialExecutor()
        return
    for name in _ONE_THREAD:
        os.environ.setdefault(name, "1")
    # Fresh processes: a fork would copy OpenCV's and rich's threads in whatever state they are.
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=prepare_worker)
    # Ctrl-C reaches every process of a terminal. Workers born while it is ignored ignore it from their first
    # line on; this process then decides alone what to stop.
    interrupt = signal.signal(signal.SIGINT, signal.SIG_IGN)
    for _ in range(workers):
        pool.submit(prepare_worker)
    signal.signal(signal.SIGINT, interrupt)
    try:
        yield pool
    except KeyboardInterrupt:
        print("stopping after the captures in work; what is done is kept", file=sys.stderr)
        raise
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def progress(console: Console, words: str) -> Iterator[Callable[[int, int, str], None]]:
    """A progress bar; yields a function to call with (done, all, name) after each capture."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task(words, total=None)

        def step(done: int, total: int, name: str) -> None:
            progress.update(task, completed=done, total=total, description=f"{words}, last: {escape(name)}")

        yield step
