"""What `assessor evaluate` shows on a screen of 80 columns."""

from __future__ import annotations

import io

from rich.console import Console

from assessor.evaluation import Estimate, ScoredRow, TruthRow, summarise
from assessor.report import show
from assessor.report.record import assessed_record
from assessor.report.schema import CaptureRecord
from assessor.report.words import CALLS
from assessor.values import TargetRange
from tests.fakes import fake_head, fake_result, fake_torch_result


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


def batch(*records: CaptureRecord) -> list[str]:
    console = Console(file=io.StringIO(), width=80)
    show.batch(console, records)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().splitlines()


def test_a_batch_with_a_torch_shows_the_fine_band_and_what_is_not_confirmed() -> None:
    result = fake_torch_result(4)
    torch = assessed_record(fake_head(result.photos, capture="north"), result)
    plain = assessed_record(fake_head(capture="south"), fake_result())
    lines = batch(torch, plain)
    head = next(line for line in lines if "likeliest" in line)
    assert "Sq 0.5-8" in head
    assert "MPD" not in head
    (row,) = (line for line in lines if line.startswith("north "))
    assert "0.0210 ± 0.0010 mm" in row
    (other,) = (line for line in lines if line.startswith("south "))
    assert other.rstrip().endswith("not measured")
    assert max(map(len, (line.rstrip() for line in lines[:5]))) <= 80
    assert "north: not confirmed, so few torch photos can't check themselves" in lines
    assert "MPD" in " ".join(batch(plain))
    assert not any("not confirmed" in line for line in batch(plain))


def test_estimates_are_shown_in_octaves_with_lights_and_what_was_not_told() -> None:
    rows = []
    for light, said in (("sun", 0.2), ("window", 0.1), ("window", None)):
        row = TruthRow("a", "single", "shot", "tuned", True, "Sq", "mm", 0.8, 25.0, 0.1, light)
        told = Estimate(refused="abstained")
        if said is not None:
            told = Estimate(said, said / 2, said * 2, "value", estimated=True)
        rows.append(ScoredRow(row, told, 1.0))
    lines = shown(rows)
    start = next(k for k, line in enumerate(lines) if line.startswith("estimates and grades"))
    told_lines = [line.split() for line in lines[start:] if line.startswith("Sq 0.8-25")]
    # One octave off and none, half-widths of one octave each, one of three abstained.
    assert told_lines[0][2:] == ["shot", "3", "0.50", "1.00", "100", "%", "33", "%"]
    assert told_lines[1][2:] == ["sun", "light", "1", "1.00", "1.00", "100", "%", "0", "%"]
    assert told_lines[2][2:] == ["window", "light", "2", "0.00", "1.00", "100", "%", "50", "%"]
    assert max(len(line.rstrip()) for line in lines) <= 110
    scores = [line for line in lines[:start] if line.startswith("Sq 0.8-25")]
    assert not any("sun" in line or "window" in line for line in scores)


def test_what_to_do_where_nothing_can_be_told_stands_once_with_its_captures() -> None:
    target = TargetRange(3, 5)
    one, two = (
        assessed_record(fake_head(capture=name, target=target), fake_result(target=target))
        for name in ("n1", "n2")
    )
    lines = batch(one, two, assessed_record(fake_head(capture="n3"), fake_result()))
    assert lines.count("can't tell, do this: four photos at 10-15 degrees") == 1
    assert "  at n1, n2" in lines
    assert sum("can't tell" in line for line in lines) == 3  # both rows and the advice


def test_the_three_calls_read_alike_everywhere() -> None:
    assert set(show._SHORT_CALLS) == set(CALLS) == {"chip", "rework", "shot"}
    for call, words in CALLS.items():
        assert show._SHORT_CALLS[call].split()[0] in words.lower()
