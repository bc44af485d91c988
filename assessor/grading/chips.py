"""From captures of physical chips to an owner's grade scale: per grade and band the amplitude, its spread, its doubt.

Per chip and band, over n captures (at least 5, each laid and shot anew): the mean and the standard deviation of ln Sq,
and what the measurement is unsure by beyond that scatter, which all captures share (print, tone, transfer). The scale's
predictive spread is Student's for the next capture with the shared part in quadrature (see `scale`). A capture that
only gives an upper bound is never averaged as a value: its chip is then said as "at most" the largest of its bounds.

Steps between neighbours carry both chips' uncertainties. Chips that break the order of their grades are told and kept
as measured, never moved into line: editions were numbered differently.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from assessor.errors import ChipsUnusable
from assessor.grading.curves import order_breaks
from assessor.grading.scale import LEAST_CAPTURES
from assessor.tables.loader import CHIPS, Edition
from assessor.values import Band, Bound

Made = Literal["real", "rendered"]
LEAST_SD = 0.002  # of ln Sq: rounding of stored numbers


@dataclass(frozen=True, slots=True)
class ChipSettings:
    """What a reading must be, with reasons."""

    # A capture so far from its chip's median, in robust standard deviations and in ln Sq, is shown as odd: the wrong
    # chip in the folder, or one laid upside down. It still counts: nothing is dropped but by a person.
    odd_sd: float = 5.0
    odd_log: float = 0.15
    sure_u: float = (
        1.645  # a step this many standard uncertainties below zero breaks the order beyond doubt (95 %)
    )


@dataclass(frozen=True, slots=True)
class ChipSq:
    """Sq of one capture in one band, mm; with bound "upper" only high90_mm counts."""

    band: Band
    value_mm: float
    u_mm: float
    high90_mm: float
    bound: Bound


@dataclass(frozen=True, slots=True)
class ChipReading:
    """One capture of a chip: its grade, the capture's name, how it was shot, where it comes from, Sq by band."""

    grade: int
    capture: str
    kind: str
    made: Made
    sq: tuple[ChipSq, ...]


@dataclass(frozen=True, slots=True)
class ChipRow:
    """One chip in one band. median_mm: exp of the mean ln Sq, or with bound "upper" what Sq is at most.

    log_sd: standard deviation of ln Sq over n captures; shared_log_sd: what they are unsure by together beyond it;
    u_log: standard uncertainty of ln median_mm; low_mm, high_mm: smallest and largest value; odd: captures far off.
    """

    grade: int
    band: Band
    n: int
    bound: Bound
    median_mm: float
    log_sd: float
    shared_log_sd: float
    u_log: float
    low_mm: float
    high_mm: float
    kinds: tuple[str, ...]
    odd: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ChipStep:
    """From one chip to the next measured one in a band: ln of the ratio and its standard uncertainty.

    order: "rises", "breaks" (falls beyond doubt) or "unsure" (falls, but within its uncertainty).
    """

    band: Band
    low: int
    high: int
    log_step: float
    u_log: float
    order: Literal["rises", "breaks", "unsure"]

    @property
    def ratio(self) -> float:
        """How many times as rough the higher grade's chip is."""
        return math.exp(self.log_step)


@dataclass(frozen=True, slots=True)
class ChipFit:
    """What the captures say: rows and steps by band, bands that make a scale, and why others do not."""

    edition: Edition
    made: Made
    rows: tuple[ChipRow, ...]
    steps: tuple[ChipStep, ...]
    bands: tuple[Band, ...]
    left_out: tuple[tuple[Band, str], ...]
    notes: tuple[str, ...]

    def of(self, band: Band) -> tuple[ChipRow, ...]:
        """The rows of a band by grade."""
        return tuple(row for row in self.rows if row.band == band)


def fit_chips(
    readings: Sequence[ChipReading], edition: Edition, settings: ChipSettings | None = None
) -> ChipFit:
    """Fit every chip in every band that was measured; nothing is smoothed over grades.

    Raises ChipsUnusable where there is no reading, or rendered ones are mixed with real ones.
    """
    use = settings or ChipSettings()
    made = {reading.made for reading in readings}
    if not made:
        raise ChipsUnusable("no capture of a chip could be measured")
    if len(made) > 1:
        rendered = [r.capture for r in readings if r.made == "rendered"]
        raise ChipsUnusable(
            f"{len(rendered)} of {len(readings)} captures are rendered, not shot ({rendered[0]}, ...), and a scale is"
            " made of one sort only"
        )
    bands = list(dict.fromkeys(sq.band for reading in readings for sq in reading.sq))
    rows, steps, kept, left = [], [], [], []
    for band in bands:
        own = _rows(readings, band, use)
        why = _why_unusable(own, edition)
        rows += own
        steps += [_step(a, b, use) for a, b in pairwise(r for r in own if r.bound == "value")]
        if why:
            left.append((band, why))
        else:
            kept.append(band)
    fit = ChipFit(edition, made.pop(), tuple(rows), tuple(steps), tuple(kept), tuple(left), ())
    return replace(fit, notes=_notes(fit))


def _rows(readings: Sequence[ChipReading], band: Band, use: ChipSettings) -> list[ChipRow]:
    found = []
    for grade in sorted({reading.grade for reading in readings}):
        own = [
            (reading, sq)
            for reading in readings
            if reading.grade == grade
            for sq in reading.sq
            if sq.band == band
        ]
        if own:
            found.append(_row(grade, band, own, use))
    return found


def _row(grade: int, band: Band, own: Sequence[tuple[ChipReading, ChipSq]], use: ChipSettings) -> ChipRow:
    kinds = tuple(dict.fromkeys(reading.kind for reading, _ in own))
    if any(sq.bound == "upper" for _, sq in own):
        highest = max(sq.high90_mm for _, sq in own)
        return ChipRow(
            grade, band, len(own), "upper", highest, LEAST_SD, 0.0, math.inf, 0.0, highest, kinds, ()
        )
    logs = np.log([sq.value_mm for _, sq in own])
    stated = np.log1p([(sq.u_mm / sq.value_mm) ** 2 for _, sq in own])
    n = len(own)
    sd = max(float(logs.std(ddof=1)), LEAST_SD) if n > 1 else math.nan
    shared = math.sqrt(max(float(stated.mean()) - (sd**2 if n > 1 else 0.0), 0.0))
    off = np.abs(logs - np.median(logs))
    far = max(use.odd_sd * 1.4826 * float(np.median(off)), use.odd_log)
    return ChipRow(
        grade=grade,
        band=band,
        n=n,
        bound="value",
        median_mm=float(np.exp(logs.mean())),
        log_sd=sd,
        shared_log_sd=shared,
        u_log=math.hypot(sd / math.sqrt(n), shared),
        low_mm=float(np.exp(logs.min())),
        high_mm=float(np.exp(logs.max())),
        kinds=kinds,
        odd=tuple(reading.capture for (reading, _), d in zip(own, off, strict=True) if d > far),
    )


def _step(low: ChipRow, high: ChipRow, use: ChipSettings) -> ChipStep:
    step, u = math.log(high.median_mm / low.median_mm), math.hypot(low.u_log, high.u_log)
    order: Literal["rises", "breaks", "unsure"] = "rises"
    if step < 0:
        order = "breaks" if step < -use.sure_u * u else "unsure"
    return ChipStep(low.band, low.grade, high.grade, step, u, order)


def _why_unusable(rows: Sequence[ChipRow], edition: Edition) -> str:
    """Why a band makes no scale, or "": every chip measured often enough, bounds at the fine end only."""
    count = CHIPS[edition]
    by_grade = {row.grade: row for row in rows}
    short = [
        f"CSP {grade} has {by_grade[grade].n if grade in by_grade else 0}"
        for grade in range(1, count + 1)
        if grade not in by_grade or by_grade[grade].n < LEAST_CAPTURES
    ]
    if short:
        more = f" and {len(short) - 3} others" if len(short) > 3 else ""
        return f"{', '.join(short[:3])}{more} of the {LEAST_CAPTURES} captures needed"
    bounds = [row.grade for row in rows if row.bound == "upper"]
    if bounds != list(range(1, len(bounds) + 1)) or len(bounds) > count - 2:
        return f"CSP {', '.join(map(str, bounds))} could only be said as at most so much"
    if by_grade[count].median_mm <= by_grade[1].median_mm:
        return f"CSP {count} came out no rougher than CSP 1: were folders mixed up?"
    return ""


def _notes(fit: ChipFit) -> tuple[str, ...]:
    """What a person should know before using the scale, in sentences."""
    notes = []
    for band in fit.bands:
        own = {row.grade: row for row in fit.of(band) if row.bound == "value"}
        grades = list(own)
        for first, last in order_breaks([math.log(own[g].median_mm) for g in grades]):
            steps = [
                s for s in fit.steps if s.band == band and s.order != "rises"
                and grades[first] <= s.low and s.high <= grades[last]
            ]  # fmt: skip
            told = "; ".join(
                f"CSP {s.high} is {s.ratio:.2f} times as rough as CSP {s.low}"
                + (", surely" if s.order == "breaks" else ", within the uncertainty")
                for s in steps
            )
            notes.append(
                f"CSP {grades[first]} to {grades[last]} break the order of grades in {band} ({told}). They stay as"
                " measured; results say that amplitude can't tell them apart. Check the set's edition and the folders."
            )
    for row in fit.rows:
        if row.odd:
            notes.append(
                f"CSP {row.grade} in {row.band}: {', '.join(row.odd)} lies far from the other captures of this chip;"
                " look whether it shows another chip."
            )
        if row.bound == "upper" and row.band in fit.bands:
            notes.append(
                f"CSP {row.grade} in {row.band}: at most {row.median_mm:.3f} mm, too fine to measure."
            )
    return tuple(notes)


def nearest_band(fit: ChipFit) -> Band | None:
    """The band that most chips have enough captures in, of equals that of most captures, then the longest waves."""
    bands = list(dict.fromkeys(row.band for row in fit.rows))
    enough = {band: sum(row.n >= LEAST_CAPTURES for row in fit.of(band)) for band in bands}
    return max(
        bands, key=lambda b: (enough[b], sum(r.n for r in fit.of(b)), b.long_mm, b.short_mm), default=None
    )


@dataclass(frozen=True, slots=True)
class ScaleHead:
    """What a person says of a scale: its name, which chips, who, when (ISO date); and the window's sides in mm."""

    name: str
    chip_set: str
    who: str
    date: str
    window_mm: tuple[float, float]


def scale_text(fit: ChipFit, head: ScaleHead) -> str:
    """Return the scale as the text of its file (`scale.load_scale` reads it). Raises ChipsUnusable without a band."""
    if not fit.bands:
        band = nearest_band(fit)
        why = next((why for left, why in fit.left_out if left == band), "nothing was measured")
        raise ChipsUnusable(f"no band makes a scale yet; nearest is {band}: {why}")
    lines = [
        "# Grade scale made of photos of chips. Spreads are in ln Sq; medians in mm. Notes at the end.",
        "format = 1",
        *(
            f"{key} = {json.dumps(value, ensure_ascii=False)}"
            for key, value in (
                ("name", head.name),
                ("edition", fit.edition),
                ("chip_set", head.chip_set),
                ("origin", fit.made),
                ("who", head.who),
            )
        ),
        f"date = {head.date}",
        f"window_mm = [{head.window_mm[0]:g}, {head.window_mm[1]:g}]",
    ]
    for band in fit.bands:
        for row in fit.of(band):
            lines += ["", "[[row]]", *_row_lines(row)]
    lines += ["", *(f"# {note}" for note in fit.notes)]
    return "\n".join(lines).rstrip() + "\n"


def _row_lines(row: ChipRow) -> list[str]:
    lines = [
        f"grade = {row.grade}",
        f"band_short_mm = {row.band.short_mm:g}",
        f"band_long_mm = {row.band.long_mm:g}",
        f"median_mm = {row.median_mm:.6g}",
        f"log_sd = {row.log_sd:.4f}",
        f"n_captures = {row.n}",
    ]
    if row.bound == "upper":
        return [*lines, 'bound = "upper"']
    return [*lines, f"shared_log_sd = {row.shared_log_sd:.4f}"]
