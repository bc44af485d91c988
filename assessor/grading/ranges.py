"""Read a target range such as "3-5" and say what a suggestion means for it: chip, rework or another shot.

The costs aren't alike. Calling a short floor ready ends in a failed bond; a chip reading stands in between,
but a tired crew believes the screen. Sending a good floor back costs a pass and may overshoot. So "ready for
the chip" needs little chance of short, "rework" 90 % on one side, all else is "can't tell" with what helps.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from assessor.errors import BadRange
from assessor.grading.scale import GradeScale
from assessor.values import Bound, RangeVerdict, TargetRange

CONFIRM = "confirm against the chips"
_RANGE = re.compile(r"\s*([0-9]{1,3})\s*[-\u2013]\s*([0-9]{1,3})\s*")
Call = Literal["chip", "rework", "shot"]


@dataclass(frozen=True, slots=True)
class RangeSettings:
    """When a target range counts as met or missed; all are probabilities, working values of ours."""

    short_at_most: float = 0.05  # one floor in twenty called ready may be short: the chip must catch that one
    in_range_at_least: float = 0.80  # leaves up to 20 % for too rough, which costs product, seldom the bond
    rework_at_least: float = 0.90  # as sure as every other interval here before a pass is spent


def parse_range(text: str, scale: GradeScale) -> TargetRange:
    """Return the target range written as two grades of the scale, low first, such as "3-5".

    One grade is written twice ("3-3"). Raises BadRange with what is wrong.
    """
    told = text.strip()[:40]
    match = _RANGE.fullmatch(text)
    if match is None:
        raise BadRange(f"'{told}' is not a range of two grades")
    low, high = int(match[1]), int(match[2])
    if low > high:
        raise BadRange(f"'{told}' runs from rough to smooth, the lower grade comes first")
    first, last = scale.grades[0], scale.grades[-1]
    if low < first or high > last:
        raise BadRange(f"'{told}' leaves the {scale.edition} scale, which runs from CSP {first} to {last}")
    return TargetRange(low, high)


def judge_range(
    probabilities: Sequence[float],
    target: TargetRange,
    scale: GradeScale,
    *,
    set90: Sequence[int],
    bound: Bound | None = "value",
    narrows: str | None = None,
    estimated: bool = False,
    settings: RangeSettings | None = None,
) -> RangeVerdict:
    """Return P(short), P(in range), P(over) for a target and the call a crew needs.

    probabilities run over scale.grades; set90 are the grades still open. With bound = "upper" the floor is
    only known to be no rougher than the last of set90, and with None nothing was measured: probabilities are
    then no evidence and the call rests on set90 alone. `narrows` says what to do where the call is "shot".
    estimated: a model guessed the texture from too few photos to measure, which the sentence then says.
    Raises ValueError if the target isn't on the scale.
    """
    if target.low not in scale.grades or target.high not in scale.grades or target.low > target.high:
        raise ValueError(f"target {target} is not on the scale {scale.name}")
    settings = settings or RangeSettings()
    graded = list(zip(scale.grades, probabilities, strict=True))
    short = float(sum(p for grade, p in graded if grade < target.low))
    over = float(sum(p for grade, p in graded if grade > target.high))
    chances = (short, max(0.0, 1.0 - short - over), over)
    if bound == "value":
        call = _call(chances, settings)
        sentence = _sentence(call, chances, target)
    elif bound == "upper":
        call = _call_below(max(set90), target, scale)
        sentence = _sentence_below(call, max(set90), target)
    else:
        call = "shot"
        sentence = f"Can't tell: nothing was measured that says whether the floor lies in CSP {target}."
    if estimated and bound is not None:
        comma = ", " if call == "shot" else ", not measured: "
        sentence = f"By estimate{comma}{sentence[0].lower()}{sentence[1:]}"
    advice = None
    if call == "shot":
        advice = narrows or "Take the four photos again, one from each side, in even shade."
        sentence = f"{sentence} {advice} Until then {CONFIRM}."
    return RangeVerdict(target, *chances, call, sentence, advice)


def percent(probability: float) -> str:
    """Return a probability in whole percent, never 0 % or 100 %, for nothing here is certain."""
    if probability < 0.01:
        return "under 1 %"
    if probability > 0.99:
        return "over 99 %"
    return f"{100 * probability:.0f} %"


def _call(chances: tuple[float, float, float], settings: RangeSettings) -> Call:
    short, inside, over = chances
    if short <= settings.short_at_most and inside >= settings.in_range_at_least:
        return "chip"
    return "rework" if max(short, over) >= settings.rework_at_least else "shot"


def _sentence(call: Call, chances: tuple[float, float, float], target: TargetRange) -> str:
    short, inside, over = (percent(p) for p in chances)
    if call == "chip":
        others = f"{short} that it is too smooth, {over} that it is too rough"
        return f"Ready for the chip: {inside} for CSP {target}, {others}; {CONFIRM}."
    if call == "shot":
        return f"Can't tell: {short} too smooth for CSP {target}, {inside} in it, {over} too rough."
    if chances[0] > chances[2]:
        seen = f"{short} that it is too smooth for CSP {target}"
        return f"Not there yet: {seen}. Cut deeper, then shoot again; {CONFIRM}."
    # More cutting can't smooth a floor under a thin film (common practice).
    seen = f"{over} that it is rougher than CSP {target}"
    return f"Too rough: {seen}. Don't cut more, ask the product's maker: it may need a fill coat; {CONFIRM}."


def _call_below(highest: int, target: TargetRange, scale: GradeScale) -> Call:
    if highest < target.low:
        return "rework"
    return "chip" if target.low == scale.grades[0] and highest <= target.high else "shot"


def _sentence_below(call: Call, highest: int, target: TargetRange) -> str:
    seen = f"the floor is CSP {highest} or below, the target is CSP {target}"
    if call == "chip":
        return f"Ready for the chip: {seen}; {CONFIRM}."
    if call == "rework":
        return f"Not there yet: {seen}. Cut deeper, then shoot again; {CONFIRM}."
    return f"Can't tell: {seen}, and this capture can't see how far below."
