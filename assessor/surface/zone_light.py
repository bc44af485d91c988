"""The light on a zone's floor and each photo's exposure, from the sheets' paper and from places that two photos show.

Where two photos show the same floor, its colour and the light on it cancel: what is left is the ratio of exposures and
the lens's fall-off, so both are known well. The light on the floor itself, which all photos share, is only seen on the
paper of the sheets: a constant from one, a slope from three, a bow from six. Between the sheets it is taken as that
smooth; a shadow or a lamp's edge between them stays in the picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from assessor.card.linear import linear_rgb
from assessor.card.zone_sheet import white_points_of
from assessor.surface.zone_cells import CellGrid, PhotoCells
from assessor.values import FloatArray, Photo, PrintScale
from assessor.values.overview import SheetPlace, ZoneFit, ZoneLightFit


@dataclass(frozen=True, slots=True)
class ZoneLightSettings:
    """How much is solved from how much, and when the level can't be told."""

    sd_pair: float = 0.05  # two photos of one place: floors shine a little, shadows are down-weighted
    sd_paper: float = 0.03  # one sheet's paper in one photo: wrinkles, dirt, light that is not smooth
    sd_slope: float = 0.5  # log light per 2 m; ten times from one end of a hall to the other is no even light
    sd_bow: float = 0.3
    sd_vignette: float = 0.25
    slope_sheets: int = 3
    bow_sheets: int = 6
    max_pairs_cells: int = 800
    least_u_level: float = (
        0.02  # the phone's tone curve and the light between the sheets are not known better
    )
    max_u_level: float = 0.12  # the light on the papers is not smooth: levels can't be told


@dataclass(frozen=True, eq=False)
class SolvedLight:
    """Log of white paper's light in photo p at a place: exposure (P, 3) + vignette . (r2, r2^2) + bend . basis."""

    exposure: FloatArray
    vignette: FloatArray
    bend: FloatArray
    middle_mm: tuple[float, float]
    said: ZoneLightFit

    def white(self, photo: int, r2: FloatArray, points: FloatArray) -> FloatArray:
        """Log light (..., 3) of white paper at floor points (..., 2) seen at r2."""
        lens = self.vignette[0] * r2 + self.vignette[1] * r2 * r2
        return np.asarray(lens[..., None] + _basis(points, self.middle_mm) @ self.bend + self.exposure[photo])


def _basis(points: FloatArray, middle_mm: tuple[float, float]) -> FloatArray:
    """Slope and bow (..., 5) of places, in units of 2 m."""
    u, v = (points[..., 0] - middle_mm[0]) / 2000, (points[..., 1] - middle_mm[1]) / 2000
    return np.stack([u, v, u * u, u * v, v * v], -1)


def solve_light(
    photos: Sequence[Photo],
    fit: ZoneFit,
    cells: Sequence[PhotoCells],
    grid: CellGrid,
    *,
    print_scale: PrintScale,
    settings: ZoneLightSettings | None = None,
) -> SolvedLight:
    """Solve exposures, the lens's fall-off and the light's slope and bow together, robustly."""
    settings = settings or ZoneLightSettings()
    paper = [
        (k, sheet.name, *found)
        for k, photo in enumerate(photos)
        for sheet in fit.sheets
        if (found := _paper(photo, fit, k, sheet, print_scale)) is not None
    ]
    places = np.array([[s.x_mm, s.y_mm] for s in fit.sheets])
    middle = (float(places[:, 0].mean()), float(places[:, 1].mean()))
    n_sheets = len({name for _, name, *_ in paper})
    rows, target, sd = _rows(len(photos), paper, cells, middle, settings)
    priors = np.full(len(photos) + 7, np.inf)
    priors[len(photos) : len(photos) + 2] = settings.sd_vignette
    priors[-5:-3] = settings.sd_slope if n_sheets >= settings.slope_sheets else 1e-6
    priors[-3:] = settings.sd_bow if n_sheets >= settings.bow_sheets else 1e-6
    solution = _robust(rows, target, sd, priors)
    off = target - rows @ solution
    of_paper = off[: len(paper)]
    u_level = (
        float(1.4826 * np.median(np.abs(of_paper - np.median(of_paper, axis=0)))) if len(paper) > 2 else 0.1
    )
    n = len(photos)
    bend, vignette = solution[-5:], solution[n : n + 2].mean(1)
    seen = np.any([c.seen for c in cells], axis=0)
    field = (_basis(grid.centres()[seen], middle) @ bend)[:, 1] if seen.any() else np.zeros(1)
    uneven = float(np.exp(np.percentile(field, 98) - np.percentile(field, 2)) - 1)
    why = ""
    if n_sheets < settings.slope_sheets:
        why = (
            f"only the paper of {n_sheets} sheet{'' if n_sheets == 1 else 's'} tells the light,"
            f" {settings.slope_sheets} are needed to tell floor from light"
        )
    elif u_level > settings.max_u_level:
        why = (
            f"the light on the sheets' paper scatters by {u_level:.0%},"
            f" at most {settings.max_u_level:.0%} can be used"
        )
    order = (
        "bow"
        if n_sheets >= settings.bow_sheets
        else "slope"
        if n_sheets >= settings.slope_sheets
        else "constant"
    )
    said = ZoneLightFit(
        u_level=max(u_level, settings.least_u_level),
        uneven=uneven,
        n_sheets=n_sheets,
        can_tell_level=not why,
        why=why,
        method=f"paper of {n_sheets} sheets ({order}), exposures and lens from places that photos share",
    )
    return SolvedLight(solution[:n], vignette, bend, middle, said)


Paper = tuple[int, str, FloatArray, FloatArray, float]  # photo, sheet, log light (3), place (2), r2


def _paper(
    photo: Photo, fit: ZoneFit, k: int, sheet: SheetPlace, print_scale: PrintScale
) -> tuple[FloatArray, FloatArray, float] | None:
    """Log light of one sheet's paper in one photo (its brighter part: shadows and dirt only darken), place and r2."""
    own = white_points_of(sheet.name) * np.array([print_scale.x, print_scale.y])
    c, s = np.cos(np.radians(sheet.turn_deg)), np.sin(np.radians(sheet.turn_deg))
    points = own @ np.array([[c, s], [-s, c]]) + (sheet.x_mm, sheet.y_mm)
    camera = fit.cameras[k]
    depth = points @ camera.camera_from_card[2, :2] + camera.shift_mm[2]
    if depth.min() < 200:
        return None
    pixels = camera.project(np.column_stack([points, np.zeros(len(points))]))
    width, height = photo.size_px
    inside = ((pixels > 2) & (pixels < (width - 3, height - 3))).all(1)
    if inside.mean() < 0.7:
        return None
    at = np.rint(pixels[inside]).astype(int)
    coded = photo.rgb_u8[at[:, 1], at[:, 0]]
    fine = (coded.max(1) < 254) & (coded.min(1) > 8)
    if fine.sum() < 30:
        return None
    log = np.log(linear_rgb(coded[fine][None])[0])
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    r2 = float((((pixels[inside].mean(0) - middle) ** 2).sum()) / (middle**2).sum())
    grey = log[:, 1]
    bright = grey >= np.quantile(grey, 0.4)
    return np.median(log[bright], axis=0), points[inside].mean(0), r2


def _rows(
    n: int,
    paper: Sequence[Paper],
    cells: Sequence[PhotoCells],
    middle: tuple[float, float],
    s: ZoneLightSettings,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Equations: paper of each sheet in each photo, then cells that two photos show."""
    rows, target, sd = [], [], []
    for k, _, log, place, r2 in paper:
        row = np.zeros(n + 7)
        row[k], row[n], row[n + 1], row[-5:] = 1, r2, r2 * r2, _basis(place, middle)
        rows.append(row)
        target.append(log)
        sd.append(s.sd_paper)
    for p, q in combinations(range(n), 2):
        both = np.flatnonzero((cells[p].seen & cells[q].seen).ravel())
        if len(both) < 20:
            continue
        both = both[:: max(len(both) // s.max_pairs_cells, 1)]
        a, b = cells[p].r2.ravel()[both], cells[q].r2.ravel()[both]
        part = np.zeros((len(both), n + 7))
        part[:, p], part[:, q], part[:, n], part[:, n + 1] = 1, -1, a - b, a * a - b * b
        difference = cells[p].log_light.reshape(-1, 3)[both] - cells[q].log_light.reshape(-1, 3)[both]
        rows += list(part)
        target += list(difference)
        # Neighbouring cells err alike: a pair of photos counts as some twenty places.
        sd += [s.sd_pair * np.sqrt(max(len(both) / 20, 1))] * len(both)
    return np.array(rows).reshape(-1, n + 7), np.array(target).reshape(-1, 3), np.array(sd)


def _robust(rows: FloatArray, target: FloatArray, sd: FloatArray, priors: FloatArray) -> FloatArray:
    """Weighted least squares (unknowns, 3), far residuals weighed down (Cauchy)."""
    prior = np.diag(np.where(np.isfinite(priors), 1 / priors**2, 1e-6))
    vote = np.ones(len(rows))
    solution = np.zeros((rows.shape[1], 3))
    for _ in range(6):
        weight = vote / sd**2
        solution = np.linalg.solve(
            rows.T @ (rows * weight[:, None]) + prior, rows.T @ (target * weight[:, None])
        )
        off = np.abs(target - rows @ solution).mean(1)
        vote = 1 / (1 + (off / 0.06) ** 2)
    return np.asarray(solution)
