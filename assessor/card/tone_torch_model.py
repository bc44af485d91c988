"""The equations of `tone_torch`: how coded light of paper and grey steps should be read, given all unknowns.

With x the log of sRGB-coded light and F(x) the log of true light (slopes s at knots), paper at p in photo j obeys

    F(x) + relit log(around/paper) = gain_j + V(p) + log(exp(T_j(p)) + r_j exp(A(p)))

V what stays put (lens shading), T_j the torch's light with its unknowns, A the ambient light, r_j its share. Without
the torch, and in the tabs' full shadow, exp(T_j) is 0. A grey step beside paper obeys F(x_grey) - F(x_paper) = log
grey. Each photo's light has smooth unknowns of its own, the sheet has waves (cosines in both directions, slopes alike
in size): under low light they matter as much as anything, and a sheet bent up in its middle looks like a flat curve.

Residuals are taken in coded light, for in true light a curve that squeezes noise would win.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from assessor.card.tone_torch_curve import KNOTS, Coded, integral_terms
from assessor.card.tone_torch_light import TorchPlace, beam_terms, log_fall_off
from assessor.values import BoolArray, FloatArray

SMOOTH = 9  # terms of a cubic without its constant
SHEET_MM = (210.0, 297.0)
USUAL_COTANGENT = 2.0  # of the torch's elevation, 27 degrees
# Half waves of the sheet along x and y, down to a wavelength of 45 mm.
WAVES = [
    (m, n) for m in range(10) for n in range(14) if 0 < np.hypot(m / SHEET_MM[0], n / SHEET_MM[1]) < 2 / 45
]


@dataclass(frozen=True, slots=True)
class TorchFitSettings:
    """Priors and errors (standard deviations), each with its reason."""

    # Slopes of phones' curves against sRGB run from 0.8 in the middle to 1.7 at white (S-curves of 0.35, toe, half a
    # stop of lift): from memory, verify.
    sd_slope: float = 0.10
    sd_slope_own: float = 0.10
    sd_slope_white: float = 0.35  # shoulders end steeply
    slope_reach: float = 1.2  # e-folds of light over which a slope stays alike
    sd_log_distance: float = 0.01  # rendered captures: the tabs tell it to 0.5 %
    sd_log_distance_common: float = 0.006  # the tabs' places
    sd_log_distance_unread: float = 0.25
    # Beams of lamps with a lens or reflector: cos^0 to cos^9 about the aim (common practice); hands aim to some
    # degrees, and have a habit.
    power: float = 2.5
    sd_power: float = 3.0
    sd_aim: float = 0.08
    sd_aim_common: float = 0.05
    # Beam and paper beyond that, per photo and 100 mm: slopes, bends, cubes. Rings and hot spots make them larger,
    # which the fit finds from what is not alike a fall-off, and then doubts the rest as much.
    sd_smooth: tuple[float, float, float] = (0.012, 0.015, 0.015)
    max_uneven: float = 8.0  # times as uneven as that
    sd_stays: float = 0.05  # lens shading that correction left, per term
    sd_ambient: float = 0.4  # course of the ambient light over 100 mm
    log_ambient: float = -1.4  # ambient over torch light: a quarter
    sd_log_ambient: float = 1.5
    sd_relit: float = 0.3
    sd_wave_slope: float = 0.004  # of each of the 62 waves; together 0.02, cockles of 0.3 mm
    # What is left of paper is 0.5 %, but alike over centimetres and in all photos: as good as a tenth of the places.
    sd_white: float = 0.05
    sd_dark: float = 0.05  # of ambient light about a smooth one (windows on a wavy sheet, tabs)
    # The tab takes some of the ambient light too, and flare adds some: so for paper in full shadow, and alike in all
    # photos for what the tabs' fit told about the torch's share.
    sd_shade: float = 0.15
    sd_share: float = 0.06
    sd_exposure: float = 0.07  # between photos of one ambient light: who holds the torch takes some of it
    sd_stray: float = 0.004  # of the brightest paper: what lens and tabs throw into shadows
    sd_log_step: float = 0.015
    rounds: int = 10


@dataclass(frozen=True, eq=False)
class PaperSeen:
    """Plain paper in one photo: log coded light x (N,), points (N, 3) and the sheet's slopes (N, 2).

    around (N,): log of the light around over the paper's own, as print and window make it. lit (N,): the torch reaches
    it; False in a tab's full shadow. place: the torch, None where none burns. log_shade, u_log_shade: log of the light
    in the torch's full shadow over that beside it, at the window's centre, as sRGB codes both; NaN where not known.
    log_exposure: as EXIF tells, NaN where it doesn't. x_ambient (N,): x at the same places in the photo without torch,
    which shows the ambient light with every wave of the sheet; None where there is none.
    """

    x: FloatArray
    around: FloatArray
    points_mm: FloatArray
    slopes: FloatArray
    lit: BoolArray
    place: TorchPlace | None
    u_log_distance: float = 0.01
    u_log_tan: float = 0.02
    log_shade: float = float("nan")
    u_log_shade: float = 1.0
    log_exposure: float = float("nan")
    x_ambient: FloatArray | None = None


@dataclass(frozen=True, eq=False)
class StepsSeen:
    """Steps of all photos: log coded light of step and paper beside it, (M,), which step (M,), photo (M,)."""

    x: FloatArray
    x_white: FloatArray
    step: FloatArray
    photo: FloatArray


class Columns:
    """Where each unknown stands in the vector."""

    def __init__(self, papers: Sequence[PaperSeen], steps: int) -> None:
        burns = [paper.place is not None for paper in papers]
        torches = sum(burns)
        self.torch_of = (np.cumsum(burns) - 1).tolist()  # which torch a photo has
        sizes = {
            "slope": len(KNOTS), "grey": steps, "relit": 1, "stays": 5, "ambient": 5, "power": 1, "common": 4,
            "shade": 1, "waves": len(WAVES), "level": 1, "gain": len(papers), "share": torches,
            "own": 4 * torches, "smooth": SMOOTH * torches,
        }  # fmt: skip
        self.at: dict[str, slice] = {}
        self.n = 0
        for name, size in sizes.items():
            self.at[name] = slice(self.n, self.n + size)
            self.n += size

    def of(self, name: str, k: int = 0, size: int = 1) -> slice:
        """Columns of the k-th group of `size` unknowns of this name."""
        start = self.at[name].start + k * size
        return slice(start, start + size)


# Jacobian (N, n), what is left to explain (N,), its error (N,)
Part = tuple[FloatArray, FloatArray, FloatArray]


def step_part(steps: StepsSeen, columns: Columns, estimate: FloatArray, settings: TorchFitSettings) -> Part:
    """Steps as they should be read beside their paper."""
    slopes, grey = estimate[columns.at["slope"]], columns.at["grey"].start + steps.step
    white = integral_terms(steps.x_white)
    x, rate, by_slope = Coded(slopes).of(white @ slopes + estimate[grey])
    jacobian = np.zeros((len(steps.x), columns.n))
    jacobian[:, columns.at["slope"]] = by_slope + rate[:, None] * white
    jacobian[np.arange(len(x)), grey] = rate
    return jacobian, steps.x - x, np.hypot(settings.sd_log_step, settings.sd_stray * np.exp(-steps.x))


def shade_part(
    papers: Sequence[PaperSeen], columns: Columns, estimate: FloatArray, settings: TorchFitSettings
) -> Part:
    """Full shadow over light at the window's centre, as the tabs' fit read it."""
    use = [k for k, paper in enumerate(papers) if paper.place is not None and np.isfinite(paper.log_shade)]
    jacobian = np.zeros((len(use), columns.n))
    at, left, error = columns.at["slope"], np.zeros(len(use)), np.zeros(len(use))
    coded = Coded(estimate[at])
    for row, k in enumerate(use):
        gain, share = columns.of("gain", k), columns.of("share", columns.torch_of[k])
        rest = float(np.exp(estimate[share][0]))
        levels = estimate[gain] + np.log([rest, 1 + rest])
        x, rate, by_slope = coded.of(levels)
        jacobian[row, at] = by_slope[0] - by_slope[1]
        jacobian[row, gain] = rate[0] - rate[1]
        jacobian[row, share] = rate[0] - rate[1] * rest / (1 + rest)
        jacobian[row, columns.at["shade"]] = 1
        left[row] = papers[k].log_shade - (x[0] - x[1]) - float(estimate[columns.at["shade"]][0])
        error[row] = papers[k].u_log_shade
    return jacobian, left, error


def exposure_part(
    papers: Sequence[PaperSeen], columns: Columns, estimate: FloatArray, settings: TorchFitSettings
) -> Part:
    """Ambient light at the window's centre goes with the exposure; the torch's light is another one in every photo."""
    use = [k for k, paper in enumerate(papers) if np.isfinite(paper.log_exposure)]
    use = use if any(papers[k].place is None for k in use) else []
    jacobian, left = np.zeros((len(use), columns.n)), np.zeros(len(use))
    for row, k in enumerate(use):
        jacobian[row, columns.of("gain", k)] = 1
        if papers[k].place is not None:
            jacobian[row, columns.of("share", columns.torch_of[k])] = 1
        jacobian[row, columns.at["level"]] = -1
        left[row] = papers[k].log_exposure - jacobian[row] @ estimate
    return jacobian, left, np.full(len(use), settings.sd_exposure)


class View:
    """The equations of one photo's paper, and what of them does not change from round to round."""

    def __init__(self, paper: PaperSeen, k: int, columns: Columns, dark: int | None = None) -> None:
        self.paper, self.columns = paper, columns
        self.gain = columns.of("gain", k)
        self.torch = columns.torch_of[k]
        u, v = paper.points_mm[:, :2].T / 100
        self.quadratic = np.column_stack([u, v, u * u, u * v, v * v])
        self.cubic = np.column_stack([self.quadratic, u**3, u * u * v, u * v * v, v**3])
        self.ambient_terms: FloatArray | None = None
        if (
            paper.x_ambient is not None and dark is not None
        ):  # the dark photo's light, less its gain and what stays put
            terms = np.zeros((len(paper.x), columns.n))
            terms[:, columns.at["slope"]] = integral_terms(paper.x_ambient)
            terms[:, columns.at["stays"]] = -self.quadratic
            terms[:, columns.of("relit")] = paper.around[:, None]
            terms[:, columns.of("gain", dark)] = -1
            self.ambient_terms = terms
        self.waves: FloatArray = np.zeros((len(paper.x), 0))
        self.low: FloatArray = np.ones(len(paper.x))
        if paper.place is not None:
            self.waves = _waves(paper)
            line = paper.place.lamp_mm - paper.points_mm
            # What the waves leave grows with the cotangent of the elevation, and faster where bends are steep.
            self.low = np.maximum(np.hypot(*line[:, :2].T) / line[:, 2] / USUAL_COTANGENT, 1.0) ** 2

    def part(self, estimate: FloatArray, settings: TorchFitSettings) -> Part:
        """Paper as it should be read."""
        model, jacobian = self.model(estimate)
        at = self.columns.at["slope"]
        x, rate, by_slope = Coded(estimate[at]).of(model)
        jacobian *= rate[:, None]
        jacobian[:, at] += by_slope
        shade = np.hypot(settings.sd_shade, settings.sd_stray * np.exp(-self.paper.x))
        known = self.ambient_terms is not None
        white = self.low * (settings.sd_white if known else settings.sd_dark)
        error = np.where(self.paper.lit, white, shade)
        return jacobian, self.paper.x - x, error

    def model(self, estimate: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log of the light that the curve was given (N,), and its Jacobian (N, n)."""
        paper, columns = self.paper, self.columns
        jacobian = np.zeros((len(paper.x), columns.n))
        jacobian[:, columns.of("relit")] = -paper.around[:, None]
        jacobian[:, columns.at["stays"]] = self.quadratic
        jacobian[:, self.gain] = 1
        linear = jacobian @ estimate
        ambient = self.quadratic @ estimate[columns.at["ambient"]]
        by_ambient: FloatArray = np.zeros_like(jacobian)
        by_ambient[:, columns.at["ambient"]] = self.quadratic
        if self.ambient_terms is not None:
            by_ambient = self.ambient_terms
            ambient = by_ambient @ estimate
        if paper.place is None:
            jacobian[:, columns.at["ambient"]] = self.quadratic
            return linear + ambient, jacobian
        torch_light, terms, where = self._torch(estimate)
        lit = np.where(paper.lit, np.exp(torch_light), 0.0)
        rest = np.exp(estimate[columns.of("share", self.torch)] + ambient)
        part = lit / (lit + rest)
        for columns_of, term in zip(where, terms, strict=True):
            jacobian[:, columns_of] += part[:, None] * term
        jacobian[:, columns.of("share", self.torch)] = (1 - part)[:, None]
        jacobian += (1 - part)[:, None] * by_ambient
        return linear + np.log(lit + rest), jacobian

    def _torch(self, estimate: FloatArray) -> tuple[FloatArray, list[FloatArray], list[slice]]:
        """Log of the torch's light (N,), its derivatives, and the columns that they belong to."""
        paper, columns, torch = self.paper, self.columns, self.torch
        assert paper.place is not None
        own = estimate[columns.of("own", torch, 4)]
        common = estimate[columns.at["common"]]
        by_distance, by_tan = own[0] + common[0], own[1] + common[1]
        place = replace(
            paper.place,
            distance_mm=paper.place.distance_mm * float(np.exp(by_distance)),
            tan_elevation=paper.place.tan_elevation * float(np.exp(by_tan)),
        )
        even = log_fall_off(place, paper.points_mm, paper.slopes)
        step = 1e-3
        far = replace(place, distance_mm=place.distance_mm * (1 + step))
        high = replace(place, tan_elevation=place.tan_elevation * (1 + step))
        moved = np.column_stack(
            [(log_fall_off(p, paper.points_mm, paper.slopes) - even) / step for p in (far, high)]
        )
        beam = beam_terms(place, paper.points_mm)
        aim = own[2:] + common[2:]
        power = float(estimate[columns.of("power")][0])
        smooth = estimate[columns.of("smooth", torch, SMOOTH)]
        tilted = np.maximum(1 + self.waves @ estimate[columns.at["waves"]], 0.2)
        log_light = even + power * beam[:, 0] + beam[:, 1:] @ aim + self.cubic @ smooth + np.log(tilted)
        terms = [
            np.column_stack([moved, beam[:, 1:]]),
            np.column_stack([moved, beam[:, 1:]]),
            beam[:, :1],
            self.cubic,
            self.waves / tilted[:, None],
        ]
        where = [
            columns.of("own", torch, 4), columns.at["common"], columns.of("power"), columns.of("smooth", torch, SMOOTH),
            columns.at["waves"],
        ]  # fmt: skip
        return log_light, terms, where


def _waves(paper: PaperSeen) -> FloatArray:
    """(N, W): relative light of the torch that each wave of the sheet adds, of slope 1 where it is steepest."""
    assert paper.place is not None
    line = paper.place.lamp_mm - paper.points_mm
    lean = -line[:, :2] / line[:, 2:]
    u, v = (np.pi * (paper.points_mm[:, k] / SHEET_MM[k] + 0.5) for k in (0, 1))
    terms = np.empty((len(u), len(WAVES)))
    for k, (m, n) in enumerate(WAVES):
        per_mm = np.array([m, n]) / SHEET_MM / np.hypot(m / SHEET_MM[0], n / SHEET_MM[1])
        along = -per_mm[0] * np.sin(m * u) * np.cos(n * v)
        across = -per_mm[1] * np.cos(m * u) * np.sin(n * v)
        terms[:, k] = along * lean[:, 0] + across * lean[:, 1]
    return terms
