"""What `assessor evaluate` shows on a screen of 80 columns."""

from __future__ import annotations

import io

from rich.console import Console

from assessor.evaluation import Estimate, ScoredRow, TruthRow, summarise
from assessor.report import show


def shown(rows: list[ScoredRow]) -> list[str]:
    console = Console(file=io.StringIO(), width=80)
    show.evaluation(console, rows, summarise(rows))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().splitlines()


def scored(process: str, estimate: float) -> ScoredRow:
    row = TruthRow("a", "angles", process, "tuned", True, "Sq", "mm", 2.5, 25.0, 0.2)
    return ScoredRow(row, Estimate(estimate, estimate - 0.01, estimate + 0.01, "value"), 1.0)


def test_limits_are_those_of_all_processes_together_and_fit_the_screen() -> None:
    rows = [scored("shot", 0.2 + 0.001 * k) for k in range(5)] + [
        scored("ground", 0.3),
        scored("ground", 0.2),
    ]
    lines = shown(rows)
    start = next(k for k, line in enumerate(lines) if line.startswith("95 % limits"))
    (told,) = (line for line in lines[start:] if line.startswith("Sq 2.5-25"))
    # Errors 0, 0.5, ..., 2, 50 and 0 %: mean 7.86, sd 18.60; t (6 degrees of freedom) 2.447; chi-square 1.237, 14.449.
    assert told.split() == [
        "Sq", "2.5-25", "-9.3..+25.1", "%", "12.0..41.0", "%", "42..100", "%", "1,", "<=", "58", "%",
    ]  # fmt: skip
    assert max(len(line.rstrip()) for line in lines[start : start + 4]) <= 80


def test_one_process_shows_its_own_limits_and_one_capture_none() -> None:
    lines = shown([scored("shot", 0.21)])
    start = next(k for k, line in enumerate(lines) if line.startswith("95 % limits"))
    (told,) = (line for line in lines[start:] if line.startswith("Sq 2.5-25"))
    # Neither bias nor scatter has limits; 1 of 1 held is 0.025..1, 0 of 1 gross 0..0.975 (Clopper and Pearson 1934).
    assert told.split()[3:] == ["%", "0,", "<=", "98", "%"]
