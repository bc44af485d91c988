"""Propose a refined scale from chip readings at the floor; nothing uses it until a person accepts it.

Each spot that was measured and read blind against the chips says how far the scale's curve lies off there. `refine_fit`
pools that over grades, sites, aggregates and cameras; each curve (process and band) is fitted by itself and moves only
as far as its own readings carry it. What is proposed is a whole scale file, its differences in words, and what was left
out. Rules: rendered and real readings are never mixed; a refined scale is not refined again, but the scale it came from
with all readings, so that none counts twice; estimates from one photo never enter; a curve needs enough spots and two
readers. The spread that is proposed is that of floors; the readers' own error is taken out (`refine_cells`).
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Literal

import numpy as np

from assessor.grading.curves import ANY, GradeScale, ScaleCurve
from assessor.grading.refine_cells import CellSettings, ReadSpot, offsets_of
from assessor.grading.refine_fit import FitSettings, Fitted, fit_offsets, odd_scores
from assessor.grading.scale_refined import FORMAT, RefinedFile, curve_row, refined_text, scale_of
from assessor.values import Band

__all__ = ["NotProposed", "ProposalHead", "ReadSpot", "RefineSettings", "ScaleProposal", "propose"]


@dataclass(frozen=True, slots=True)
class RefineSettings:
    """When a curve may move; working values of ours."""

    least_spots: int = 10  # of one process and band: half a day's; fewer are an anecdote
    least_readers: int = 2  # else one reader's habit becomes the scale's
    odd_from: float = 5.0  # robust standard deviations: a wrong tag or chip, not a floor; named and left out
    odd_at_most: float = (
        0.10  # share of a curve's spots; more say that the process or the chips are not those told
    )
    worth_telling: float = 0.01  # change of a median or a spread, relative, that the difference names
    cells: CellSettings = field(default_factory=CellSettings)
    fit: FitSettings = field(default_factory=FitSettings)


@dataclass(frozen=True, slots=True)
class ProposalHead:
    """What a proposed scale is called, who asked for it, and where it is to hold.

    base_digest: the digest of the scale it is derived from. site: None for any site. aggregate, camera: None takes
    the one that all of the site's readings share, else it is for any.
    """

    name: str
    who: str
    date: date
    base_digest: str
    version: int = 1
    site: str | None = None
    aggregate: str | None = None
    camera: str | None = None


@dataclass(frozen=True, slots=True)
class NotProposed:
    """Why no refined scale is proposed, in one sentence, and what was left out."""

    reason: str
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ScaleProposal:
    """A refined scale to be accepted or not. file_text: the scale's file, read by `load_scale`; scale: what it holds.

    differences: in words, a line per grade that changes. odd_spots: left out for fitting so badly, to be looked at.
    """

    scale: GradeScale
    file_text: str
    derived_from: str
    derived_digest: str
    n_readings: int
    n_sites: int
    n_readers: int
    differences: tuple[str, ...]
    odd_spots: tuple[str, ...]
    left_out: tuple[str, ...]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Moved:
    curve: ScaleCurve
    before: ScaleCurve
    spots: tuple[ReadSpot, ...]
    fitted: Fitted
    odd: tuple[str, ...]


def propose(
    scale: GradeScale,
    readings: Sequence[ReadSpot],
    head: ProposalHead,
    *,
    settings: RefineSettings | None = None,
) -> ScaleProposal | NotProposed:
    """Return a scale refined by the readings, or why there is none.

    All readings ever made with the scale go in each time.
    """
    settings = settings or RefineSettings()
    refused = _refuse(scale, readings)
    if refused:
        return NotProposed(refused)
    used, left_out = _usable(scale, readings)
    site = head.site
    asked = (
        site,
        head.aggregate or _only(used, site, "aggregate"),
        head.camera or _only(used, site, "camera"),
    )
    groups: dict[tuple[str, Band], list[ReadSpot]] = defaultdict(list)
    for reading in used:
        groups[_curve_of(scale, reading).process, reading.band].append(reading)
    moved: dict[tuple[str, Band], _Moved] = {}
    for curve in scale.curves:
        own = groups.get((curve.process, curve.band), [])
        short = _too_few(own, curve, settings)
        if own and short:
            left_out.append(short)
        elif own:
            found = _move(curve, own, asked, settings)
            if isinstance(found, str):
                left_out.append(found)
            else:
                moved[curve.process, curve.band] = found
    if not moved:
        few = left_out[-1] if left_out else "there are none."
        return NotProposed(
            f"No scale is proposed: too few chip readings of measured spots; {few}", tuple(left_out)
        )
    return _proposal(scale, moved, left_out, settings, head)


def _refuse(scale: GradeScale, readings: Sequence[ReadSpot]) -> str | None:
    if not readings:
        return "No scale is proposed: there are no chip readings of measured spots yet."
    kinds = {reading.rendered for reading in readings}
    if len(kinds) > 1:
        return "No scale is proposed: rendered and real readings are never mixed, give one kind."
    kind: Literal["rendered", "real"] = "rendered" if True in kinds else "real"
    if scale.origin not in ("prior", kind):
        return f"No scale is proposed: the scale is from {scale.origin} chips, the readings are {kind}."
    if scale.refined:
        return (
            f"No scale is proposed: {scale.name} was refined already, and a reading must not count twice. Refine "
            f"{scale.derived_from}, which it was derived from, with all readings."
        )
    return None


def _usable(scale: GradeScale, readings: Sequence[ReadSpot]) -> tuple[list[ReadSpot], list[str]]:
    """Readings that say something of the scale, and a line for each reason others don't."""
    used, why = [], Counter[str]()
    for reading in readings:
        if reading.estimated:
            why["only estimated, not measured"] += 1
        elif reading.edition != scale.edition:
            why[f"read with a {reading.edition} set, the scale is for the {scale.edition} set"] += 1
        elif reading.low not in scale.grades or reading.high not in scale.grades:
            why["of a chip that the scale does not have"] += 1
        elif not (math.isfinite(reading.log_value) and reading.u_log >= 0 and math.isfinite(reading.u_log)):
            why["without a measured value"] += 1
        elif _find_curve(scale, reading) is None:
            why["of a process or band that the scale does not have"] += 1
        else:
            used.append(reading)
    return used, [f"{count} readings left out: {reason}." for reason, count in why.items()]


def _find_curve(scale: GradeScale, reading: ReadSpot) -> ScaleCurve | None:
    here = {curve.process: curve for curve in scale.curves if curve.band == reading.band}
    return here.get(reading.process or ANY) or here.get(ANY)


def _curve_of(scale: GradeScale, reading: ReadSpot) -> ScaleCurve:
    curve = _find_curve(scale, reading)
    if curve is None:
        raise ValueError("unusable reading")
    return curve


def _only(readings: Iterable[ReadSpot], site: str | None, what: str) -> str | None:
    """The one aggregate or camera that a site's readings share, None where they are several or no site is asked."""
    found = {getattr(reading, what) for reading in readings if reading.site == site}
    return str(found.pop()) if site is not None and len(found) == 1 else None


def _too_few(own: Sequence[ReadSpot], curve: ScaleCurve, settings: RefineSettings) -> str | None:
    spots, readers = len({reading.spot for reading in own}), len({reading.reader for reading in own})
    where = f"{curve.words} in {curve.band} stays as it is"
    if spots < settings.least_spots:
        return f"{where}: {spots} spots read, {settings.least_spots} are needed."
    if readers < settings.least_readers:
        return f"{where}: {readers} reader, {settings.least_readers} are needed."
    return None


def _move(
    curve: ScaleCurve,
    own: Sequence[ReadSpot],
    asked: tuple[str | None, str | None, str | None],
    settings: RefineSettings,
) -> _Moved | str:
    """The curve as its readings move it, or why it can't be."""
    by_spot: dict[tuple[str, str, str], list[ReadSpot]] = defaultdict(list)
    for reading in own:
        by_spot[reading.spot, reading.site, reading.camera].append(reading)
    spots = list(by_spot.values())
    scores = odd_scores(offsets_of(curve, spots, settings.cells), settings.fit)
    kept = [group for group, score in zip(spots, scores, strict=True) if abs(score) < settings.odd_from]
    if len(spots) - len(kept) > settings.odd_at_most * len(spots):
        return (
            f"{curve.words} in {curve.band} stays as it is: {len(spots) - len(kept)} of {len(spots)} spots lie far off "
            "the others of their grade; check their tags, chips and process."
        )
    odd = tuple(
        f"spot {group[0].spot} ({group[0].reader}: {group[0].words}) lies {abs(score):.0f} spreads "
        f"{'rougher' if score > 0 else 'smoother'} than the others of its grade"
        for group, score in zip(spots, scores, strict=True)
        if abs(score) >= settings.odd_from
    )
    fitted = fit_offsets(offsets_of(curve, kept, settings.cells), curve.log_sd, asked, settings.fit)
    new = replace(
        curve,
        log_median=tuple(float(v) for v in np.array(curve.log_median) + fitted.mean),
        log_sd=tuple(float(v) for v in fitted.log_sd),
    )
    return _Moved(new, curve, tuple(reading for group in kept for reading in group), fitted, odd)


def _proposal(
    scale: GradeScale,
    moved: dict[tuple[str, Band], _Moved],
    left_out: Sequence[str],
    settings: RefineSettings,
    head: ProposalHead,
) -> ScaleProposal:
    file = _file(scale, moved, head)
    odd = tuple(odd for one in moved.values() for odd in one.odd)
    sentences = [
        f"From {file.n_readings} spots at {_sites(file.n_sites)}, read by {file.n_readers} people, for "
        f"{file.holds_for}. Nothing uses it until somebody accepts it.",
        *[_say_spreads(one) for one in moved.values()],
        *[
            f"{one.curve.words}, {one.curve.band}: on the new scale grades {a + 1} to {b + 1} break the order."
            for one in moved.values()
            for a, b in one.curve.breaks
            if one.curve.breaks != one.before.breaks
        ],
        *([f"Left out, look at them before accepting: {'; '.join(odd)}."] if odd else []),
    ]
    return ScaleProposal(
        scale=scale_of(file),
        file_text=refined_text(file),
        derived_from=scale.name,
        derived_digest=head.base_digest,
        n_readings=file.n_readings,
        n_sites=file.n_sites,
        n_readers=file.n_readers,
        differences=tuple(line for one in moved.values() for line in _differences(one, settings)),
        odd_spots=odd,
        left_out=tuple(left_out),
        sentences=tuple(sentences),
    )


def _file(scale: GradeScale, moved: dict[tuple[str, Band], _Moved], head: ProposalHead) -> RefinedFile:
    """The whole scale: moved curves as they are now, the others as they were."""
    readings = [reading for one in moved.values() for reading in one.spots]
    rows = []
    for curve in scale.curves:
        own = moved.get((curve.process, curve.band))
        rows.append(curve_row(own.curve, len({r.spot for r in own.spots})) if own else curve_row(curve, 0))
    return RefinedFile.model_validate(
        {
            "format": FORMAT,
            "name": head.name,
            "version": head.version,
            "edition": scale.edition,
            "chip_set": scale.chip_set,
            "origin": "rendered" if readings[0].rendered else scale.origin,
            "is_prior": scale.is_prior,
            "derived_from": scale.name,
            "derived_digest": head.base_digest,
            "n_readings": len({reading.spot for reading in readings}),
            "n_sites": len({reading.site for reading in readings}),
            "n_readers": len({reading.reader for reading in readings}),
            "holds_for": "any site" if head.site is None else f"site {head.site}",
            "who": head.who,
            "date": head.date,
            "window_mm": scale.window_mm,
            "curve": rows,
        }
    )


def _differences(one: _Moved, settings: RefineSettings) -> list[str]:
    """A line for each grade whose median or spread changes enough to tell."""
    spots = {reading.spot: reading for reading in one.spots}
    sites = len({reading.site for reading in one.spots})
    read = Counter(grade for r in spots.values() for grade in {r.low, r.high})
    lines = []
    for k in range(len(one.curve.log_median)):
        old, new = math.exp(one.before.log_median[k]), math.exp(one.curve.log_median[k])
        old_sd, new_sd = one.before.log_sd[k], one.curve.log_sd[k]
        if max(abs(new / old - 1), abs(new_sd / old_sd - 1)) < settings.worth_telling:
            continue
        lines.append(
            f"grade {k + 1}, {one.curve.band}, {one.curve.words}: median {old:.3g} -> {new:.3g} mm "
            f"({100 * (new / old - 1):+.0f} %, standard error {100 * one.fitted.u[k]:.0f} %), spread {old_sd:.2f} -> "
            f"{new_sd:.2f}; {read[k + 1]} of {len(spots)} spots at {_sites(sites)} read as it"
        )
    return lines


def _sites(count: int) -> str:
    return "1 site" if count == 1 else f"{count} sites"


def _say_spreads(one: _Moved) -> str:
    fitted = one.fitted
    return (
        f"{one.curve.words}, {one.curve.band}: floors scatter by {fitted.scatter:.2f} in ln Sq, sites by "
        f"{fitted.site:.2f}, aggregates by {fitted.aggregate:.2f}, cameras by {fitted.camera:.2f}."
    )
