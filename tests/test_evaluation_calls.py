"""Calls against a range are scored where the truth holds a grade; what was refused needs another shot."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import pytest
from rich.console import Console
from scipy.stats import binomtest

from assessor.evaluation import TruthRow
from assessor.evaluation_calls import CallRow, read_calls, summarise_calls
from assessor.report import show_calls
from assessor.values import TargetRange
from tests.fakes import fake_result

TARGET = TargetRange(3, 5)


def graded(grade: float, process: str = "shot", *, kind: str = "angles", rendered: bool = False) -> TruthRow:
    return TruthRow("a", kind, process, "tuned", rendered, "grade", "", None, None, grade)


def call(grade: float, said: str, process: str = "shot", **changed: object) -> CallRow:
    return CallRow(graded(grade, process, **changed), TARGET, said)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("grade", "truly"),
    [(2, "short"), (3, "in range"), (5, "in range"), (6, "over"), (2.5, "short"), (5.5, "over")],
)
def test_where_a_grade_truly_lies(grade: float, truly: str) -> None:
    assert call(grade, "chip").truly == truly


def test_each_true_grade_gets_the_call_and_its_chances() -> None:
    sq = replace(graded(0.2), quantity="Sq", unit="mm")
    (row,) = read_calls(fake_result(target=TARGET), (sq, graded(4)), TARGET)
    assert (row.call, row.p_short, row.p_in_range, row.p_over) == ("shot", 0.08, 0.84, 0.08)
    assert read_calls(fake_result(target=TARGET), (sq,), TARGET) == ()
    (refused,) = read_calls(None, (sq, graded(4)), TARGET)
    assert (refused.call, refused.p_short) == ("shot", None)
    assert read_calls(fake_result(), (graded(4),), None) == ()
    told = json.loads(json.dumps(row.as_dict(), allow_nan=False))
    assert (told["truly"], told["target"], told["true_grade"]) == ("in range", "3-5", 4)


def test_shares_are_of_what_was_called_and_limits_are_exact() -> None:
    rows = [call(2, "chip")] + [call(6, "chip")] * 2 + [call(4, "chip")] * 17
    rows += (
        [call(4, "rework", "ground")]
        + [call(1, "rework", "ground")] * 9
        + [call(4, "shot", kind="torch")] * 5
    )
    scores = {(one.kind, one.process): one for one in summarise_calls(rows)}
    kinds = ["angles", "angles", "angles", "torch", "torch", "all"]
    assert list(scores) == list(zip(kinds, ["ground", "shot", "all", "shot", "all", "all"], strict=True))
    every = scores["all", "all"]
    assert every.answered is not None and (every.answered.count, every.answered.n) == (30, 35)
    assert (
        every.ready_short is not None and every.ready_over is not None and every.rework_in_range is not None
    )
    assert (every.ready_short.share, every.ready_over.share, every.rework_in_range.share) == (0.05, 0.1, 0.1)
    exact = binomtest(1, 20).proportion_ci(0.95, "exact")  # Clopper-Pearson by SciPy
    assert (every.ready_short.low95, every.ready_short.high95) == pytest.approx(tuple(exact))
    assert scores["torch", "all"].ready_short is None
    assert json.dumps([one.as_dict() for one in scores.values()], allow_nan=False)


def shown(rows: list[CallRow]) -> list[str]:
    console = Console(file=io.StringIO(), width=80)
    show_calls.calls(console, "3-5", rows, summarise_calls(rows))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().splitlines()


def test_the_table_fits_the_screen_and_says_what_is_rendered() -> None:
    rows = [call(4, "chip", "scarified", rendered=True)] * 100 + [call(1, "rework", "aggregate")] * 200
    lines = shown([*rows, call(2, "chip", "aggregate")])
    assert max(len(line.rstrip()) for line in lines if " of " in line and "goal" not in line.lower()) <= 80
    assert "301 captures with a true grade, 100 of them RENDERED (no chip lay there)." in lines
    (told,) = (line for line in lines if line.startswith("all "))
    assert " ".join(told.split()) == "all all 301 of 301 1 of 101, <= 5 % 0 of 101, <= 4 % 0 of 200, <= 2 %"


def test_no_grade_no_judgement() -> None:
    assert shown([]) == ["No capture has a true grade, so no call for CSP 3-5 can be judged."]
