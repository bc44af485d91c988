"""Score calls against a target range where the truth holds a grade: of spots called ready, how many truly were not.

The true grade is what a truth row of quantity `grade` says: a person's reading of the chip on a real floor, or what the
scale says of a rendered one. Between two grades (3.5) counts as short of the upper one and over the lower. A capture
that was refused has no call of its own and counts as "shot": it needs another. Limits are exact binomial ones at 95 %
(Clopper and Pearson 1934).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from assessor.evaluation_rows import ALL, ShareOf, TruthRow, share_of
from assessor.values import CaptureResult, TargetRange

Truly = Literal["short", "in range", "over"]


@dataclass(frozen=True, slots=True)
class CallRow:
    """One call with its truth; p_short, p_in_range, p_over are None where the capture was refused."""

    truth: TruthRow
    target: TargetRange
    call: Literal["chip", "rework", "shot"]
    p_short: float | None = None
    p_in_range: float | None = None
    p_over: float | None = None

    @property
    def truly(self) -> Truly:
        """Where the true grade lies."""
        if self.truth.value < self.target.low:
            return "short"
        return "over" if self.truth.value > self.target.high else "in range"

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON, flat."""
        kept = ("capture", "kind", "process", "split", "rendered")
        told = {key: value for key, value in asdict(self).items() if key not in ("truth", "target")}
        return {
            **{key: getattr(self.truth, key) for key in kept},
            "true_grade": self.truth.value,
            "target": str(self.target),
            "truly": self.truly,
            **told,
        }


@dataclass(frozen=True, slots=True)
class CallScore:
    """Calls of one kind and process: each share with its exact limits, None of nothing.

    answered: calls other than "shot". ready_short, ready_over: of those called ready. rework_in_range: of those called
    rework.
    """

    kind: str
    process: str
    n: int
    n_rendered: int
    answered: ShareOf | None
    ready_short: ShareOf | None
    ready_over: ShareOf | None
    rework_in_range: ShareOf | None

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)


def read_calls(
    result: CaptureResult | None, truth: Iterable[TruthRow], target: TargetRange | None
) -> tuple[CallRow, ...]:
    """The calls of one capture, one per truth row of a grade; result None: it was refused. Empty without a target."""
    if target is None:
        return ()
    verdict = result.suggestion.verdict if result else None
    graded = [row for row in truth if row.quantity == "grade"]
    if verdict is None:
        return tuple(CallRow(row, target, "shot") for row in graded)
    chances = (verdict.p_short, verdict.p_in_range, verdict.p_over)
    return tuple(CallRow(row, target, verdict.call, *chances) for row in graded)


def summarise_calls(rows: Sequence[CallRow]) -> tuple[CallScore, ...]:
    """Scores by kind and process, by kind, and of all."""
    groups: dict[tuple[str, str], list[CallRow]] = {}
    for row in rows:
        for key in ((row.truth.kind, row.truth.process), (row.truth.kind, ALL), (ALL, ALL)):
            groups.setdefault(key, []).append(row)
    ordered = sorted(groups, key=lambda key: (key[0] == ALL, key[0], key[1] == ALL, key[1]))
    return tuple(_score(key, groups[key]) for key in ordered)


def _score(key: tuple[str, str], rows: Sequence[CallRow]) -> CallScore:
    ready = [row.truly for row in rows if row.call == "chip"]
    rework = [row.truly for row in rows if row.call == "rework"]
    return CallScore(
        *key,
        n=len(rows),
        n_rendered=sum(row.truth.rendered for row in rows),
        answered=share_of([row.call != "shot" for row in rows]),
        ready_short=share_of([truly == "short" for truly in ready]),
        ready_over=share_of([truly == "over" for truly in ready]),
        rework_in_range=share_of([truly == "in range" for truly in rework]),
    )
