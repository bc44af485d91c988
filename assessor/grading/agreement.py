"""How well tool and readers agree, and readers with each other: bias, exact, within one, kappa, all with limits.

Grades are those of the chips, halves for "between 3 and 4". Kappa has quadratic weights (Cohen 1968, Psychol. Bull. 70,
213): one less the mean squared difference over what chance pairing of the same readings would give. Its standard error
is the large-sample one of Fleiss, Cohen and Everitt (1969, Psychol. Bull. 72, 323), here as the spread of each spot's
influence, so that several pairs at one spot count as one piece of evidence. Its interval is taken on Fisher's scale
(atanh) with Student's quantile, which holds the true kappa more often than the plain scale does, at few spots still in
a little under 95 % of sets (tests). Kappa grows with the range of floors read: those of different sets don't compare.

No figure for readers of these chips is known from the literature; what stands here comes from one's own readings only.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.stats import t

from assessor.grading.intervals import LEVEL, MeanStatistic, mean_of, spaced
from assessor.surface.points import wilson
from assessor.values import FloatArray


@dataclass(frozen=True, slots=True)
class AgreementSettings:
    """From how many spots agreement is told; working values of ours."""

    least_for_kappa: int = 15  # below, the large-sample interval is too narrow (10 spots: 92 %, tests)
    enough: int = 30  # spots that a study of readers is planned with; below it everything is a hint
    useful_width: float = 0.40  # of kappa's interval; wider does not tell fair agreement from good


@dataclass(frozen=True, slots=True)
class ReadPair:
    """Two grades of one spot. first: the tool's or one reader's, second: a reader's."""

    spot: str
    first: float
    second: float


@dataclass(frozen=True, slots=True)
class Reading:
    """One person's chip reading of one spot, made before the suggestion was seen; halves for between two chips."""

    spot: str
    reader: str
    grade: float


@dataclass(frozen=True, slots=True)
class Share:
    """A share of pairs with Wilson's 95 % limits; they rest on spots, not on pairs."""

    value: float
    low95: float
    high95: float


@dataclass(frozen=True, slots=True)
class Kappa:
    """Quadratic-weighted kappa; u is its standard error. Limits are None where all pairs are alike (u is 0 then)."""

    value: float
    u: float
    low95: float | None
    high95: float | None


@dataclass(frozen=True, slots=True)
class Agreement:
    """What pairs of grades say. difference: first less second, one value a spot (None between readers).

    kappa: None where it can't be told, the reason stands in sentences.
    """

    names: tuple[str, str]
    spots: int
    pairs: int
    difference: MeanStatistic | None
    exact: Share | None
    within_one: Share | None
    kappa: Kappa | None
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReaderBias:
    """One reader less the mean of the others at the same spots, in grades."""

    reader: str
    difference: MeanStatistic
    sentence: str


def agree(
    pairs: Sequence[ReadPair],
    *,
    names: tuple[str, str] = ("the tool", "the reader"),
    settings: AgreementSettings | None = None,
) -> Agreement:
    """Return how the first grades agree with the second. Several pairs may belong to one spot."""
    settings = settings or AgreementSettings()
    return _agree(pairs, names, settings, directed=True)


def between_readers(readings: Iterable[Reading], *, settings: AgreementSettings | None = None) -> Agreement:
    """Return how readers agree with each other: all pairs of readers at each spot, neither of them first.

    A reader's first reading of a spot counts, later ones don't: they are no longer blind.
    """
    pairs = []
    for spot, own in _by_spot(readings).items():
        for a, b in combinations(own.values(), 2):
            pairs += [ReadPair(spot, a, b), ReadPair(spot, b, a)]
    return _agree(pairs, ("readers", "readers"), settings or AgreementSettings(), directed=False)


def reader_biases(readings: Iterable[Reading]) -> tuple[ReaderBias, ...]:
    """Return how much rougher or smoother each reader reads than the others did at the same spots."""
    differences: dict[str, list[float]] = defaultdict(list)
    for own in _by_spot(readings).values():
        for reader, grade in own.items():
            others = [value for name, value in own.items() if name != reader]
            if others:
                differences[reader].append(grade - sum(others) / len(others))
    found = []
    for reader in sorted(differences):
        difference = mean_of(differences[reader])
        found.append(ReaderBias(reader, difference, _say_difference(difference, (reader, "the others"))))
    return tuple(found)


def weighted_kappa(first: FloatArray, second: FloatArray, spots: Sequence[str]) -> tuple[float, float] | None:
    """Return quadratic-weighted kappa and its standard error; None where chance alone would give no difference.

    first, second (N,): grades; spots: N names, pairs of one spot count together.
    """
    off = (first - second) ** 2
    mean_1, mean_2 = first.mean(), second.mean()
    square_1, square_2 = (first**2).mean(), (second**2).mean()
    chance = square_1 + square_2 - 2 * mean_1 * mean_2
    if chance <= 1e-12:
        return None
    # How far each pair pulls kappa = 1 - off / chance; row and column means of the squared differences.
    row = first**2 + square_2 - 2 * first * mean_2
    column = second**2 + square_1 - 2 * second * mean_1
    pull = -(off - off.mean()) / chance + off.mean() / chance**2 * (row + column - 2 * chance)
    names, index = np.unique(list(spots), return_inverse=True)
    per_spot = np.bincount(index, weights=pull, minlength=len(names))
    return float(1 - off.mean() / chance), float(np.sqrt((per_spot**2).sum())) / len(first)


def _agree(
    pairs: Sequence[ReadPair], names: tuple[str, str], settings: AgreementSettings, *, directed: bool
) -> Agreement:
    spots = sorted({pair.spot for pair in pairs})
    count = len(pairs) if directed else len(pairs) // 2
    if not spots:
        nothing = f"Can't tell how {names[0]} and {names[1]} agree: no spot has both."
        return Agreement(names, 0, 0, None, None, None, None, (nothing,))
    exact = _share(pairs, len(spots), 0.0)
    near = _share(pairs, len(spots), 1.0)
    per_spot = [
        float(np.mean([pair.first - pair.second for pair in pairs if pair.spot == spot])) for spot in spots
    ]
    difference = mean_of(per_spot) if directed else None
    kappa, why_not = _kappa(pairs, len(spots), settings)
    who = f"{names[0].capitalize()} and {names[1]}" if directed else "Readers among each other"
    said = [
        f"{who}, {len(spots)} spots: the same grade {_say(exact)}, within one grade {_say(near)}.",
        *([_say_difference(difference, names)] if difference else []),
        why_not or _say_kappa(kappa, settings),
    ]
    if len(spots) < settings.enough:
        said.append(f"Fewer than {settings.enough} spots: take this as a hint, not as a finding.")
    return Agreement(
        names, len(spots), count, difference, exact, near, kappa, tuple(spaced(line) for line in said)
    )


def _kappa(
    pairs: Sequence[ReadPair], spots: int, settings: AgreementSettings
) -> tuple[Kappa | None, str | None]:
    """Kappa with limits, or None and why."""
    if spots < settings.least_for_kappa:
        return None, (
            f"Can't tell kappa from {spots} spots: read at least {settings.least_for_kappa}, "
            f"better {settings.enough}."
        )
    first = np.array([pair.first for pair in pairs], float)
    second = np.array([pair.second for pair in pairs], float)
    found = weighted_kappa(first, second, [pair.spot for pair in pairs])
    if found is None or np.ptp(first) == 0 or np.ptp(second) == 0:
        # With one side always the same, kappa is 0 by its formula and says nothing of agreement.
        return None, (
            "Can't tell kappa: one side is the same grade at every spot. Read rougher and smoother floors too."
        )
    value, u = found
    if value >= 1.0 or u == 0.0:
        return Kappa(value, u, None, None), None
    reach = float(t.ppf(0.5 + LEVEL / 2, spots - 1)) * u / (1 - value**2)
    middle = math.atanh(value)
    return Kappa(value, u, math.tanh(middle - reach), math.tanh(middle + reach)), None


def _share(pairs: Sequence[ReadPair], spots: int, at_most: float) -> Share:
    value = sum(abs(pair.first - pair.second) <= at_most for pair in pairs) / len(pairs)
    return Share(value, *wilson(value * spots, spots, LEVEL))


def _by_spot(readings: Iterable[Reading]) -> dict[str, dict[str, float]]:
    found: dict[str, dict[str, float]] = {}
    for reading in readings:
        found.setdefault(reading.spot, {}).setdefault(reading.reader, reading.grade)
    return found


def _say(share: Share) -> str:
    return f"{share.value:.0%} (95 %: {share.low95:.0%} to {share.high95:.0%})"


def _say_difference(difference: MeanStatistic, names: tuple[str, str]) -> str:
    mean, low, high = difference.mean, difference.low95, difference.high95
    first = names[0].capitalize() if names[0].startswith("the ") else names[0]
    if difference.n == 1:
        return f"Can't tell a bias of {names[0]} from one spot."
    if low is None or high is None:
        return f"{first} less {names[1]}: {mean:+.1f} grades at every spot of {difference.n}."
    limits = f"{mean:+.1f} grades, 95 %: {low:+.1f} to {high:+.1f}"
    if low <= 0 <= high:
        return f"No bias of {names[0]} against {names[1]} can be told ({limits})."
    way = "rougher" if mean > 0 else "smoother"
    return f"{first} reads {way} than {names[1]} ({limits})."


def _say_kappa(kappa: Kappa | None, settings: AgreementSettings) -> str:
    if kappa is None or kappa.low95 is None or kappa.high95 is None:
        return "Every pair is alike: weighted kappa is 1, its limits can't be told."
    said = f"Weighted kappa {kappa.value:.2f} (95 %: {kappa.low95:.2f} to {kappa.high95:.2f})"
    if kappa.high95 - kappa.low95 > settings.useful_width:
        return f"{said}: too wide to tell fair agreement from good, read more spots."
    return f"{said}."
