"""Read a target range such as "3-5" and say what a suggestion means for it: chip, rework or another shot.

The costs aren't alike. Calling a short floor ready ends in a failed bond; a chip reading stands in between,
but a tired crew believes the screen. Sending a good floor back costs a pass and may overshoot. So "ready for
the chip" needs little chance of short and of over, "rework" 90 % on one side, all else is "can't tell" with what
helps. How often each is right is judged by `scripts/judge_calls`.
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
Chances = tuple[float, float, float]  # short, in range, over


@dataclass(frozen=True, slots=True)
class RangeSettings:
    """When a target range counts as met or missed; all are probabilities.

    The goals are shares of the floors called ready: truly short at most 5 %, truly over at most 10 %, whatever the
    process. A limit on every single call keeps them in any mixture of floors, also where all of them lie at an edge of
    the range. `scripts/judge_calls` prints what is kept on rendered floors.
    """

    short_at_most: float = 0.05  # the goal itself: one floor in twenty called ready may be short
    over_at_most: float = 0.10  # the goal itself: too rough costs product, seldom the bond
    rework_at_least: float = 0.90  # as sure as every other interval here before a pass is spent
    # Where nobody said how the floor was prepared, the call must hold for each process as likely as this. By the
    # mixture alone the goals hang by a thread: 5.4 % of scarified floors called ready were short on one rendered set,
    # 9.9 % of flush-ground ones over on another (`judge_calls --rule process_at_least=2`, seeds 30 to 32). What is
    # less likely can't make more than one floor in twenty wrong; anything from 0 to 0.1 did the same.
    process_at_least: float = 0.05


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


def judge_range(  # noqa: PLR0913 - all but the first three by name
    probabilities: Sequence[float],
    target: TargetRange,
    scale: GradeScale,
    *,
    set90: Sequence[int],
    bound: Bound | None = "value",
    narrows: str | None = None,
    estimated: bool = False,
    by_process: Sequence[tuple[float, Sequence[float]]] = (),
    settings: RangeSettings | None = None,
) -> RangeVerdict:
    """Return P(short), P(in range), P(over) for a target and the call a crew needs.

    probabilities run over scale.grades; set90 are the grades still open. With bound = "upper" the floor is
    only known to be no rougher than the last of set90, and with None nothing was measured: probabilities are
    then no evidence and the call rests on set90 alone. `narrows` says what to do where the call is "shot".
    estimated: a model guessed the texture from too few photos to measure, which the sentence then says. by_process:
    where the process was not told, each one's chance and the probabilities per grade had it been told.
    Raises ValueError if the target isn't on the scale.
    """
    if target.low not in scale.grades or target.high not in scale.grades or target.low > target.high:
        raise ValueError(f"target {target} is not on the scale {scale.name}")
    settings = settings or RangeSettings()
    chances = _chances(probabilities, target, scale)
    each = [_chances(own, target, scale) for p, own in by_process if p >= settings.process_at_least]
    unsure = not all(_is_ready(one, settings) for one in each)
    if bound == "value":
        call = _call(chances, settings, unsure=unsure)
        sentence = _sentence(call, chances, target)
    elif bound == "upper":
        unsure = any(over > settings.over_at_most for _, _, over in each)
        call = _call_below(max(set90), target, scale, unsure=unsure)
        sentence = _sentence_below(call, max(set90), target)
    else:
        call = "shot"
        sentence = f"Can't tell: nothing was measured that says whether the floor lies in CSP {target}."
    if call == "shot" and bound == "value" and _is_ready(chances, settings):
        sentence = f"{sentence[:-1]}, but that depends on how the floor was prepared."
        narrows = "Say how the floor was prepared, then it can be called."
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


def _chances(probabilities: Sequence[float], target: TargetRange, scale: GradeScale) -> Chances:
    graded = list(zip(scale.grades, probabilities, strict=True))
    short = float(sum(p for grade, p in graded if grade < target.low))
    over = float(sum(p for grade, p in graded if grade > target.high))
    return short, max(0.0, 1.0 - short - over), over


def _is_ready(chances: Chances, settings: RangeSettings) -> bool:
    short, _, over = chances
    return short <= settings.short_at_most and over <= settings.over_at_most


def _call(chances: Chances, settings: RangeSettings, *, unsure: bool) -> Call:
    if _is_ready(chances, settings):
        return "shot" if unsure else "chip"
    short, _, over = chances
    return "rework" if max(short, over) >= settings.rework_at_least else "shot"


def _sentence(call: Call, chances: Chances, target: TargetRange) -> str:
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


def _call_below(highest: int, target: TargetRange, scale: GradeScale, *, unsure: bool) -> Call:
    if highest < target.low:
        return "rework"
    below = target.low == scale.grades[0] and highest <= target.high
    return "chip" if below and not unsure else "shot"


def _sentence_below(call: Call, highest: int, target: TargetRange) -> str:
    seen = f"the floor is CSP {highest} or below, the target is CSP {target}"
    if call == "chip":
        return f"Ready for the chip: {seen}; {CONFIRM}."
    if call == "rework":
        return f"Not there yet: {seen}. Cut deeper, then shoot again; {CONFIRM}."
    return f"Can't tell: {seen}, and this capture can't see how far below."
