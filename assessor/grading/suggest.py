"""Suggest a grade: probability per grade from the texture's uncertainty and the scale's, or say why not.

Never a grade: a person confirms against the chips. The width comes from three sources (the measurement, the
scale, the unknown process); the largest decides what would narrow the suggestion. The weighing, and why only
Sq is weighed, is in posterior.py; the sentences are in words.py.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from assessor.errors import SettingUnknown
from assessor.grading.posterior import (
    Width,
    explain_width,
    highest_unexcluded,
    shortest_run,
    typical_mm,
    weigh_grades,
)
from assessor.grading.ranges import RangeSettings, judge_range
from assessor.grading.scale import GradeScale, ScaleCurve
from assessor.grading.words import (
    say_abstained,
    say_area,
    say_estimated,
    say_headline,
    say_measure,
    say_measured,
    say_misfit,
    say_narrows,
    say_not_estimated,
    say_order,
    say_process,
    say_scale,
    say_tied,
    say_unmeasured,
)
from assessor.tables.loader import MethodRow, load_methods
from assessor.values import Band, Estimate, FloatArray, Quantity, Suggestion, TargetRange, Texture

NEAR = 0.05  # probability from which a broken order of grades is worth a sentence


@dataclass(frozen=True, slots=True)
class SuggestSettings:
    """How a suggestion is made; `process` and `method` are what a person told, "" leaves them open."""

    process: str = ""  # texture shape: a process of the scale; wins over the method's own
    method: str = ""  # key of tables/methods.toml: gives its process, and its reach for method_odds
    method_odds: float = 1.0  # odds of a grade inside the method's reach over one outside: 1 = off, 3 = weak
    preferred_band: Band = field(default_factory=lambda: Band(2.5, 25.0))  # where `angles` can be trusted
    widest_useful: int = 5  # grades; wider than half the scale says no more than a look at the floor does
    bound_log_sd: float = 0.10  # noise floors are predicted to about 10 % (own study on rendered photos)
    beyond_ends: float = 1.0  # grade steps by which floors may lie past either end chip's own range
    torch_available: bool = True  # whether the person has a second phone's torch, so that we may ask for it
    ranges: RangeSettings = field(default_factory=RangeSettings)


def suggest_grade(
    texture: Texture,
    scale: GradeScale,
    target: TargetRange | None = None,
    settings: SuggestSettings | None = None,
    *,
    estimate: Estimate | None = None,
    area_mm: tuple[float, float] | None = None,
) -> Suggestion:
    """Return the probability of each grade of the scale, its 90 % set, reasons, and a verdict on a target.

    Uses Sq (mm) in the preferred band, else in the first band that texture and scale share. It abstains where
    there is neither, where Sq is only an upper bound (set90 then holds every grade the bound can't exclude:
    "or below"), where the set is too wide to use, and where the likeliest grades can't be told apart by the scale.
    estimate: where the texture comes from, if it was estimated and not measured. area_mm: what the texture was taken
    over, where it was cut to the chips' size. Raises SettingUnknown for an unknown process or method.
    """
    settings = settings or SuggestSettings()
    method = _told_method(settings)
    process = _told_process(settings, method, scale)
    quantity = _measured(texture, scale, settings)
    if quantity is None:
        return _unmeasured(texture, scale, target, settings, estimate)

    upper = quantity.bound == "upper"
    of = _weigh(quantity, scale, process, method, settings)
    probabilities, set90, width = of.probabilities, of.set90, of.width
    broken = order_breaks_near(of.curves, probabilities)
    abstained, narrows = None, None
    if upper or len(set90) > settings.widest_useful:
        abstained = say_abstained(set90, scale, upper=upper)
    elif run := _best_run(of.curves, probabilities):
        abstained = say_tied(run, scale, sum(probabilities[run[0] : run[1] + 1]))
    if estimate is not None:
        narrows = say_measure(estimate, torch_available=settings.torch_available)
    elif len(set90) > 1:
        narrows = say_narrows(width, texture, scale, quantity, torch_available=settings.torch_available)
    reasons = [
        abstained or say_headline(probabilities, set90, scale, width, estimated=estimate is not None),
        say_measured(quantity) if estimate is None else say_estimated(quantity, estimate),
        *((say_area(area_mm),) if area_mm else ()),
        say_scale(scale),
        *(say_order(run, scale) for run in broken),
        *((say_process(of.likeliest_process),) if len(of.curves) > 1 else ()),
        *_misfit(method, scale, set90),
    ]
    return Suggestion(
        scale_name=scale.name,
        scale_edition=scale.edition,
        scale_is_prior=scale.is_prior,
        grades=scale.grades,
        probabilities=probabilities,
        set90=set90,
        best=None if abstained else scale.grades[int(np.argmax(probabilities))],
        confidence=max(probabilities),
        abstained_because=abstained,
        reasons=tuple(reasons),
        narrows=narrows,
        verdict=None
        if target is None
        else judge_range(
            probabilities,
            target,
            scale,
            set90=set90,
            bound=quantity.bound,
            narrows=narrows,
            estimated=estimate is not None,
            by_process=of.by_process,
            settings=settings.ranges,
        ),
        flags=_flags(scale, upper=upper, broken=bool(broken)),
        typical_mm=typical_mm(of.curves),
        weighed=quantity,
        area_mm=area_mm,
    )


@dataclass(frozen=True, eq=False)
class _Weighed:
    """One amplitude against the scale: chances per grade and what makes them wide.

    by_process: of each process its chance, and the chances per grade had it been told; empty where one was.
    """

    curves: tuple[ScaleCurve, ...]
    probabilities: tuple[float, ...]
    processes: FloatArray
    by_process: tuple[tuple[float, tuple[float, ...]], ...]
    set90: tuple[int, ...]
    width: Width

    @property
    def likeliest_process(self) -> str:
        return self.curves[int(np.argmax(self.processes))].words


def _weigh(
    quantity: Quantity,
    scale: GradeScale,
    process: str | None,
    method: MethodRow | None,
    settings: SuggestSettings,
) -> _Weighed:
    curves = scale.curves_for(quantity.band, process)
    upper = quantity.bound == "upper"
    log_value, log_sd = _log_amplitude(quantity, settings)
    posterior = weigh_grades(
        np.array([log_value]), np.array([log_sd]), curves, upper=upper, beyond_ends=settings.beyond_ends
    )
    probabilities = _with_method(posterior.probabilities[0].tolist(), scale, method, settings)
    first, last = shortest_run(probabilities)
    if upper:
        first, last = 0, max(last, highest_unexcluded(log_value, log_sd, curves))
    processes = posterior.processes[0]
    width = explain_width(log_value, log_sd, curves, processes)
    by_process: list[tuple[float, tuple[float, ...]]] = []
    for chance, curve in zip(processes.tolist(), curves, strict=True) if len(curves) > 1 else ():
        own = weigh_grades(
            np.array([log_value]), np.array([log_sd]), (curve,), upper=upper, beyond_ends=settings.beyond_ends
        )
        by_process.append((chance, _with_method(own.probabilities[0].tolist(), scale, method, settings)))
    return _Weighed(
        curves, probabilities, processes, tuple(by_process), scale.grades[first : last + 1], width
    )


def _best_run(curves: Sequence[ScaleCurve], probabilities: Sequence[float]) -> tuple[int, int] | None:
    """The run of grades that can't be told apart in which the likeliest grade lies, if it lies in one."""
    best = int(np.argmax(probabilities))
    return next((run for curve in curves for run in curve.tied if run[0] <= best <= run[1]), None)


def _told_method(settings: SuggestSettings) -> MethodRow | None:
    if not settings.method:
        return None
    methods = load_methods()
    row = methods.get(settings.method)
    if row is None:
        known = ", ".join(method.key for method in methods.method)
        raise SettingUnknown(f"there is no method '{settings.method}' (known: {known})")
    return row


def _told_process(settings: SuggestSettings, method: MethodRow | None, scale: GradeScale) -> str | None:
    if not settings.process:
        return method.process if method else None
    # An owner's scale may hold one curve for any process; then a process told is fine, only not used.
    if settings.process not in scale.processes and scale.is_prior:
        known = ", ".join(scale.processes)
        raise SettingUnknown(f"there is no process '{settings.process}' in {scale.name} (known: {known})")
    return settings.process


def _measured(texture: Texture, scale: GradeScale, settings: SuggestSettings) -> Quantity | None:
    """The Sq to weigh; one that is no positive number counts as not measured."""
    for band in (settings.preferred_band, *scale.bands):
        quantity = texture.get("Sq", band) if band in scale.bands else None
        if quantity is None:
            continue
        used = quantity.high90 if quantity.bound == "upper" else quantity.value
        if math.isfinite(used) and used > 0 and math.isfinite(quantity.u) and quantity.u >= 0:
            return quantity
    return None


def _log_amplitude(quantity: Quantity, settings: SuggestSettings) -> tuple[float, float]:
    if quantity.bound == "upper":
        return math.log(quantity.high90), settings.bound_log_sd
    # Log-normal of the same relative standard uncertainty, about the value as its median.
    return math.log(quantity.value), math.sqrt(math.log1p((quantity.u / quantity.value) ** 2))


def _with_method(
    probabilities: list[float], scale: GradeScale, method: MethodRow | None, settings: SuggestSettings
) -> tuple[float, ...]:
    reach = method.reach(scale.edition) if method else None
    if reach is None or settings.method_odds == 1.0:
        return tuple(probabilities)
    odds = [settings.method_odds if reach[0] <= grade <= reach[1] else 1.0 for grade in scale.grades]
    weighed = [p * odd for p, odd in zip(probabilities, odds, strict=True)]
    return tuple(p / sum(weighed) for p in weighed)


def _misfit(method: MethodRow | None, scale: GradeScale, set90: Sequence[int]) -> list[str]:
    """That the method told does not reach the grades found, where it does not."""
    reach = method.reach(scale.edition) if method else None
    off = reach is not None and (reach[1] < set90[0] or reach[0] > set90[-1])
    return [say_misfit(method, reach)] if method and reach and off else []


def _unmeasured(
    texture: Texture,
    scale: GradeScale,
    target: TargetRange | None,
    settings: SuggestSettings,
    estimate: Estimate | None,
) -> Suggestion:
    even = tuple(1.0 / len(scale.grades) for _ in scale.grades)
    because = say_unmeasured(scale)
    narrows = "Take four photos of the spot, one from each side, 15 degrees off straight down."
    if estimate is not None:
        because = say_not_estimated(estimate) if estimate.abstained else because
        narrows = say_measure(estimate, torch_available=settings.torch_available)
    elif texture.kind == "torch":
        narrows = f"{narrows} Leave the card where it is: both kinds of one spot are joined."
    return Suggestion(
        scale_name=scale.name,
        scale_edition=scale.edition,
        scale_is_prior=scale.is_prior,
        grades=scale.grades,
        probabilities=even,
        set90=scale.grades,
        best=None,
        confidence=even[0],
        abstained_because=because,
        reasons=(because, say_scale(scale)),
        narrows=narrows,
        verdict=None
        if target is None
        else judge_range(even, target, scale, set90=scale.grades, bound=None, narrows=narrows),
        flags=_flags(scale, upper=False),
    )


def order_breaks_near(
    curves: Sequence[ScaleCurve], probabilities: Sequence[float]
) -> tuple[tuple[int, int], ...]:
    """Runs of grades (first and last index) whose order the scale breaks, where probability falls to them."""
    runs = dict.fromkeys(run for curve in curves for run in curve.breaks)
    return tuple(run for run in runs if sum(probabilities[run[0] : run[1] + 1]) >= NEAR)


def _flags(scale: GradeScale, *, upper: bool, broken: bool = False) -> tuple[str, ...]:
    raised = {"scale-prior": scale.is_prior, "scale-order": broken, "at-most": upper}
    return tuple(code for code, is_raised in raised.items() if is_raised)
