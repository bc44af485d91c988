"""What is true of a call on a rendered floor, and the arithmetic of many calls; `judged_calls` prints it.

What truth is. No chip was ever laid beside a rendered floor, so "the true grade" has to be defined, and it is defined
by a scale. These ways are told apart in every table:

  prior, told      What the shipped prior itself claims. A floor's position on the scale is flat; given that and the
                   process, ln Sq is normal about the prior's curve with the prior's spread. Turned round: even when
                   the true Sq of a rendered floor and the process that made it are known, the chip that a person would
                   give is uncertain, and that distribution is the truth. The tool is told the process.
  prior, not told  The same truth; the tool must weigh all processes.
  owner            The same with a narrow scale, as an owner has who photographed the chips (`owner_scale`, invented:
                   the prior's typical Sq per grade; the spread of chip captures and the loader's default for floor
                   against chip; any process, so telling it changes nothing).
  median           The prior's spread left out of the truth: the grade whose median lies nearest. The calls are
                   those of "prior, told". Measurement and rule alone are judged: what the prior's width costs shows.
  a grade lower    As "median", with every chip a grade off the prior's median curve: floors read a grade lower than
  (two; higher)    the prior thinks, all of them alike. The prior's spread is mostly of this kind: it is shared by all
                   spots of a job, so "5 % short" is kept over many jobs, not within each.

So these judge whether the tool keeps what its posterior promises, measurement errors and rules included. They can't say
whether the scale is right: only chips beside real floors can.

How it is weighed. Each capture was rendered once, its Sq drawn evenly in ln Sq (`judging_calls`). Its weight is the
density that the scale gives that Sq when positions are flat. Instead of drawing one chip reading per capture, the
truth is kept whole: the chance of each grade given the true Sq, which is the average of endless draws. Shares are
weighted means of such chances. Limits are exact binomial ones (Clopper and Pearson 1934, Biometrika 26, 404) at 95 %, n
being the effective number of different captures (Kish: (sum w)^2 / sum w^2) however many ranges each was asked about,
the count fractional. A chance between 0 and 1 scatters no wider than a yes or no of the same mean, so these limits are
wide enough, and much wider than they need be where every chance is small.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from judging import Note
from judging_calls import BAND_OF, WIDE, estimate_of, sound, texture_of
from scipy import special

from assessor.grading.posterior import typical_mm, weigh_grades
from assessor.grading.ranges import Call, RangeSettings
from assessor.grading.scale import GradeScale, ScaleCurve, load_scale
from assessor.grading.suggest import SuggestSettings, suggest_grade
from assessor.simulate.true_grade import EXACT, SCALE, SCALE_PROCESS
from assessor.tables.loader import load_systems
from assessor.values import Estimate, FloatArray, TargetRange, Texture

NEAR = 2  # grades
EARLY = 3.0
OWNER_LOG_SD, OWNER_CAPTURES = 0.06, 8
EDGES = (0.0, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 1.0)
Three = tuple[float, float, float]
Population = Callable[[int, TargetRange], float]


def _usual() -> tuple[TargetRange, ...]:
    """The different ranges of the table of systems."""
    told = {(row.csp_low, row.csp_high) for row in load_systems().system}
    return tuple(TargetRange(low, high) for low, high in sorted(pair for pair in told if None not in pair))  # type: ignore[type-var,arg-type]


RANGES = {"usual": _usual(), "single": tuple(TargetRange(k, k) for k in range(1, 11))}


def owner_scale() -> GradeScale:
    """An invented owner's scale of ten chips, any process: the prior's typical Sq per grade, narrow."""
    prior, rows = load_scale(SCALE), []
    for band in prior.bands:
        for grade, median in zip(prior.grades, typical_mm(prior.curves_for(band, None)), strict=True):
            rows.append(
                f"[[row]]\ngrade = {grade}\nband_short_mm = {band.short_mm}\nband_long_mm = {band.long_mm}\n"
                f"median_mm = {median}\nlog_sd = {OWNER_LOG_SD}\nn_captures = {OWNER_CAPTURES}\n"
            )
    head = (
        'format = 1\nname = "invented owner"\nedition = "ten-chip"\nchip_set = "invented, no chips"\n'
        'origin = "rendered"\nwho = "judge_calls"\ndate = 2026-01-01\n'
    )
    return load_scale(head + "".join(rows))


@dataclass(frozen=True, slots=True)
class Way:
    """How calls are made and what truth is: a scale, whether the process is told, whether truth keeps its spread.

    shift: grades by which floors truly read higher than the scale says.
    """

    name: str
    scale: GradeScale
    told: bool = True
    spread: bool = True
    shift: int = 0


def ways() -> tuple[Way, ...]:
    """All ways of judging."""
    prior = load_scale(SCALE)
    return (
        Way("prior, told", prior),
        Way("prior, not told", prior, told=False),
        Way("owner", owner_scale()),
        Way("median", prior, spread=False),
        Way("a grade lower", prior, spread=False, shift=-1),
        Way("two grades lower", prior, spread=False, shift=-2),
        Way("a grade higher", prior, spread=False, shift=1),
    )


@dataclass(frozen=True, eq=False)
class Told:
    """One capture as one way sees it, and the truth: (K,) chance of each grade given the floor's true Sq.

    texture: None where the capture was refused. weight: see the module.
    """

    kind: str
    process: str
    truth: FloatArray
    weight: float
    texture: Texture | None
    estimate: Estimate | None


@dataclass(frozen=True, slots=True)
class Said:
    """One call of one capture about one range. truth: as in `Told`.

    stated: P(short), P(in range), P(over), None where nothing was measured or claimed. bound: what the call rests on.
    """

    capture: int
    kind: str
    process: str
    truth: FloatArray
    weight: float
    target: TargetRange
    call: Call
    stated: Three | None
    bound: str
    estimated: bool


@dataclass(frozen=True, slots=True)
class Rate:
    """A share with its exact limits; n: effective number of captures behind it."""

    share: float
    n: float
    low95: float
    high95: float


def tell(notes: Iterable[Note], way: Way) -> list[Told]:
    """The sound notes as one way sees them; weights have mean 1 in each kind and process."""
    found = [_tell(note, way) for note in sound(list(notes))]
    means: dict[tuple[str, str], list[float]] = {}
    for one in found:
        means.setdefault((one.kind, one.process), []).append(one.weight)
    return [replace(one, weight=one.weight / float(np.mean(means[one.kind, one.process]))) for one in found]


def _tell(note: Note, way: Way) -> Told:
    texture, estimate = (None, None) if "code" in note else (texture_of(note), estimate_of(note))
    bands = [q.band for q in texture.quantities] if texture else []
    band = WIDE if WIDE in bands else (bands or [BAND_OF[note["kind"]]])[0]
    (curve,) = way.scale.curves_for(band, SCALE_PROCESS[note["process"]])
    log_sq = math.log(note["true_mm"][str(band)])
    truth = truth_of(log_sq, curve) if way.spread else nearest(log_sq, curve, way.shift)
    return Told(note["kind"], note["process"], truth, density(log_sq, curve), texture, estimate)


def truth_of(log_sq: float, curve: ScaleCurve) -> FloatArray:
    """(K,) chance that a person gives each grade to a floor whose Sq is known exactly, y flat."""
    return weigh_grades(np.array([log_sq]), np.array([EXACT]), (curve,)).probabilities[0]


def nearest(log_sq: float, curve: ScaleCurve, shift: int = 0) -> FloatArray:
    """(K,) one for the grade whose median lies nearest, `shift` grades on; zero for all others."""
    count = len(curve.log_median)
    grade = int(np.argmin(np.abs(np.array(curve.log_median) - log_sq))) + shift
    return np.eye(count)[min(max(grade, 0), count - 1)]


def density(log_sq: float, curve: ScaleCurve) -> float:
    """Density of ln Sq under the scale with y flat from half a grade before the first chip to as much past the last."""
    count = len(curve.log_median)
    y = np.arange(0.5, count + 0.5, 0.02)
    step = (curve.log_median[-1] - curve.log_median[0]) / (count - 1)
    ends = np.minimum(y - 1, 0) + np.maximum(y - count, 0)
    at = np.arange(1, count + 1)
    median, sd = np.interp(y, at, curve.log_median) + step * ends, np.interp(y, at, curve.log_sd)
    return float((np.exp(-0.5 * ((log_sq - median) / sd) ** 2) / sd).sum())


def ask(
    told: Sequence[Told], targets: Sequence[TargetRange], way: Way, settings: RangeSettings | None = None
) -> list[Said]:
    """The tool's call for every capture and range; a refused capture has none and needs another shot."""
    said = []
    for k, one in enumerate(told):
        process = SCALE_PROCESS[one.process] if way.told else ""
        how = SuggestSettings(process=process, ranges=settings or RangeSettings())
        for target in targets:
            call, stated, bound = "shot", None, "refused"
            if one.texture is not None:
                suggestion = suggest_grade(one.texture, way.scale, target, how, estimate=one.estimate)
                verdict, weighed = suggestion.verdict, suggestion.weighed
                assert verdict is not None
                call, bound = verdict.call, weighed.bound if weighed else "none"
                stated = (verdict.p_short, verdict.p_in_range, verdict.p_over) if weighed else None
            said.append(Said(k, one.kind, one.process, one.truth, one.weight, target, call, stated, bound,
                             one.estimate is not None))  # fmt: skip
    return said


def anywhere(grade: int, target: TargetRange) -> float:
    """All floors alike."""
    return 1.0


def near(grade: int, target: TargetRange) -> float:
    """Floors in the range or within NEAR grades of it."""
    return float(target.low - NEAR <= grade <= target.high + NEAR)


def early(grade: int, target: TargetRange) -> float:
    """Near floors of a crew that stops too early."""
    return near(grade, target) * (EARLY if grade < target.low else 1.0)


def chances(one: Said, population: Population = anywhere) -> tuple[float, Three]:
    """Weight of a call in a population of floors, and the true P(short), P(in range), P(over) there."""
    low, high = one.target.low, one.target.high
    grades = range(1, one.truth.size + 1)
    mass = np.array([population(grade, one.target) for grade in grades]) * one.truth
    total = float(mass.sum())
    if total <= 0:
        return 0.0, (0.0, 0.0, 0.0)
    short, over = float(mass[: low - 1].sum()) / total, float(mass[high:].sum()) / total
    return one.weight * total, (short, max(0.0, 1.0 - short - over), over)


def rate(parts: Iterable[tuple[int, float, float]]) -> Rate | None:
    """Weighted share of (capture, weight, chance) with exact limits; None where nothing weighs anything."""
    weights, sums = dict[int, float](), dict[int, float]()
    for capture, weight, chance in parts:
        weights[capture] = weights.get(capture, 0.0) + weight
        sums[capture] = sums.get(capture, 0.0) + weight * chance
    total = sum(weights.values())
    if total <= 0:
        return None
    share = min(max(sum(sums.values()) / total, 0.0), 1.0)
    n = total**2 / sum(w**2 for w in weights.values())
    return Rate(share, n, *exact_limits(share, n))


def exact_limits(share: float, n: float, confidence: float = 0.95) -> tuple[float, float]:
    """Clopper-Pearson limits of a share of n, both of which may be fractional."""
    tail, count = (1 - confidence) / 2, share * n
    low = float(special.betaincinv(count, n - count + 1, tail)) if count > 0 else 0.0
    high = float(special.betaincinv(count + 1, n - count, 1 - tail)) if count < n else 1.0
    return low, high


def wrong(said: Iterable[Said], call: Call, part: int, population: Population = anywhere) -> Rate | None:
    """Of floors that got `call`, the share that truly is short (0), in range (1) or over (2)."""
    weighed = ((one, chances(one, population)) for one in said if one.call == call)
    return rate((one.capture, weight, truth[part]) for one, (weight, truth) in weighed)


def answered(said: Iterable[Said]) -> Rate | None:
    """Share of calls other than "can't tell" among floors near the range."""
    return rate((one.capture, chances(one, near)[0], float(one.call != "shot")) for one in said)


def found(said: Iterable[Said]) -> Rate | None:
    """Of floors truly in range, the share called ready."""
    parts = ((one, *chances(one)) for one in said)
    return rate((one.capture, weight * truth[1], float(one.call == "chip")) for one, weight, truth in parts)


@dataclass(frozen=True, slots=True)
class Score:
    """Brier score of P(short), P(in range), P(over), 0 (certain and right) to 2; its parts, and what guessing gets.

    scale: what is left when Sq is known exactly. measured: mean squared distance of what was stated from that. guess:
    always stating the mean truth of each range.
    """

    brier: float
    scale: float
    measured: float
    guess: float


def score_of(said: Iterable[Said]) -> Score | None:
    """The proper score of what was stated, in expectation over the chip readings."""
    kept = [(one, *chances(one)) for one in said if one.stated is not None]
    if not kept:
        return None
    weight = np.array([w for _, w, _ in kept])
    truth = np.array([t for _, _, t in kept])
    stated = np.array([one.stated for one, _, _ in kept])
    targets = np.array([str(one.target) for one, _, _ in kept])
    guess = np.zeros_like(truth)
    for target in np.unique(targets):
        own = targets == target
        guess[own] = np.average(truth[own], axis=0, weights=weight[own])
    own_part = float(np.average((truth * (1 - truth)).sum(1), weights=weight))
    parts = [float(np.average(((told - truth) ** 2).sum(1), weights=weight)) for told in (stated, guess)]
    return Score(own_part + parts[0], own_part, parts[0], own_part + parts[1])


def reliability(said: Iterable[Said], part: int) -> dict[int, tuple[float, Rate]]:
    """Per bin of EDGES: mean stated chance and the true share; part: 0 short, 1 in range, 2 over."""
    bins: dict[int, list[tuple[int, float, float, float]]] = {}
    for one in said:
        if one.stated is None:
            continue
        weight, truth = chances(one)
        k = min(int(np.searchsorted(EDGES, one.stated[part], side="right")) - 1, len(EDGES) - 2)
        bins.setdefault(k, []).append((one.capture, weight, truth[part], one.stated[part]))
    rows = {}
    for k, parts in sorted(bins.items()):
        seen = rate((capture, weight, truth) for capture, weight, truth, _ in parts)
        if seen is not None:
            stated = float(np.average([p[3] for p in parts], weights=[p[1] for p in parts]))
            rows[k] = (stated, seen)
    return rows
