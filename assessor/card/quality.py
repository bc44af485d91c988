"""Is the photo good enough to measure, and if not, what should the crew do?

Everything is judged on the card itself, whose edges, paper and ink are known: pixels per millimetre and tilt from the
markers, blur from their edges, light from white paper and black ink beside every marker side. Glare adds light to
ink and paper alike; shade takes the same share from both; a wet or greyed sheet darkens paper but not ink. Limits
refuse only what the study found to spoil heights (study.md part 1, sections 4 and 5) and flag what makes them worse.

Not seen here: a shadow inside the window that misses the paper, gloss on the floor, a sheet that is wet all over.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assessor.card.find import focal_guess_px
from assessor.card.layout import Step, card_layout
from assessor.card.linear import linear_of_byte
from assessor.card.paper import burnt_share, outline_mm
from assessor.card.plane import apply_homography, tilt_and_distance
from assessor.errors import CardWet, Clipped, Glare, TooBlurred, TooClose, TooDark, TooFar, TooOblique
from assessor.values import BoolArray, CardSighting, FloatArray, Photo


@dataclass(frozen=True, slots=True)
class QualitySettings:
    """Limits of one photo. `min_`/`max_` refuse, `flag_` only tell."""

    # 12 MP at 450 mm and 25 degrees tilt has 5.6; a third of a 12 MP photo (3.2) errs 37 % on fine floors.
    min_px_per_mm: float = 4.5
    flag_px_per_mm: float = 5.4
    # Nearer, main cameras of phones lose focus or switch to another lens (common practice).
    min_distance_mm: float = 180.0
    window_margin_mm: float = 6.0
    max_ring_outside: int = 6  # of 28: with all 7 of a side its white paper is missing too
    max_tilt_deg: float = 35.0  # four photos still work at 40 degrees, two fail grossly at 30
    flag_tilt_deg: float = 25.0
    # Blurred only if in both units: large photos have soft pixels, distant ones coarse millimetres. A defocus disc of
    # 4 px (5.5 px wide edge) errs 58 % on fine floors, motion of 5 px (4 px wide edge) 10 %.
    max_edge_px: float = 4.0
    max_edge_mm: float = 0.4
    flag_edge_px: float = 3.0
    flag_edge_mm: float = 0.3
    # 26 dB signal to noise (5 %) did no harm. Below 0.02 a byte is 5 % of the floor's light.
    min_white: float = 0.02
    flag_white: float = 0.08
    max_noise: float = 0.12
    flag_noise: float = 0.06
    clipped_byte: int = 254
    max_window_clipped: float = 0.10  # glints on stones reach 1-2 %
    flag_window_clipped: float = 0.02
    max_paper_clipped: float = 0.50  # the paper is the reflectance standard
    flag_paper_clipped: float = 0.05
    glare_lift: float = 0.10  # light on ink beyond its share, of the paper white
    max_glare_share: float = 0.15  # of the marker sides
    flag_glare_share: float = 0.02
    max_ink: float = 0.35  # ink over paper; a clean print has 0.05-0.1, a veiled or greyed one more
    shadow_ratio: float = 1.6  # white along one marker side, brightest over darkest
    flag_shadow_sides: int = 3
    tab_reach_mm: float = 35.0  # the card's own tabs cast short shadows here
    flag_light_ratio: float = 2.0
    wet_range: tuple[float, float] = (
        0.5,
        0.85,
    )  # paper against the smooth light on dry paper (darker is shadow)
    wet_ink: float = 1.2  # ink over what shade would leave of it
    max_veil: float = 0.3  # of the ink's light may be lens flare, which shade does not take
    max_wet_share: float = 0.25
    flag_wet_share: float = 0.10


@dataclass(frozen=True, eq=False)
class StepReading:
    """One printed grey step in one photo, linear light 0..1.

    level_rgb (3,) inside the step; white_rgb (3,) paper on both sides of it; even is False where these differ by more
    than 15 % (a shadow edge) or anything is out of frame or burnt out.
    """

    step: Step
    level_rgb: FloatArray
    white_rgb: FloatArray
    even: bool


def check_photo(
    photo: Photo, sighting: CardSighting, settings: QualitySettings | None = None
) -> tuple[str, ...]:
    """Check one photo; returns flags (codes of `flags.FLAGS`), the sighting's own first.

    Raises TooFar, TooClose, TooOblique, TooBlurred, TooDark, Clipped, Glare or CardWet: what was found, and the limit.
    """
    settings = settings or QualitySettings()
    light = _light_at_markers(photo, sighting, settings)
    flags = [
        *sighting.flags,
        *_geometry(photo, sighting, settings),
        *_sharpness(sighting, settings),
        *_exposure(photo, sighting, light, settings),
        *_glare(sighting, light, settings),
        *_shadow(light, settings),
    ]
    if "hard-shadow" not in flags:  # flare in a deep shadow looks like damp
        flags += _wet(sighting, light, settings)
    return tuple(dict.fromkeys(flags))


def _geometry(photo: Photo, sighting: CardSighting, settings: QualitySettings) -> list[str]:
    name = photo.name
    if sighting.tilt_deg > settings.max_tilt_deg:
        raise TooOblique(
            f"the phone was tilted {sighting.tilt_deg:.0f} degrees, at most {settings.max_tilt_deg:.0f} can be used",
            file=name,
        )
    if sighting.px_per_mm < settings.min_px_per_mm:
        raise TooFar(
            f"the card has only {sighting.px_per_mm:.2f} pixels per mm where it is farthest, "
            f"at least {settings.min_px_per_mm:.1f} are needed",
            file=name,
        )
    _, distance = tilt_and_distance(sighting.px_from_mm, sighting.size_px, focal_guess_px(photo))
    if distance < settings.min_distance_mm:
        raise TooClose(
            f"the phone was about {distance:.0f} mm from the card, "
            f"at least {settings.min_distance_mm:.0f} mm are needed",
            file=name,
        )
    _check_frame(sighting, settings)
    flags = []
    if sighting.px_per_mm < settings.flag_px_per_mm:
        flags.append("coarse-pixels")
    if sighting.tilt_deg > settings.flag_tilt_deg:
        flags.append("tilted")
    return flags


def _check_frame(sighting: CardSighting, settings: QualitySettings) -> None:
    """TooClose where the window or too much of the ring lies outside the frame."""
    layout = card_layout(0)
    grown = outline_mm(layout.window) * (1 + settings.window_margin_mm / layout.window.x_max_mm)
    ring = np.array([m.corners_mm() for m in layout.markers if m.role != "large"])
    limit = np.array(sighting.size_px) - 1

    def inside(points_mm: FloatArray) -> BoolArray:
        pixels = apply_homography(sighting.px_from_mm, points_mm)
        return np.asarray(((pixels >= 0) & (pixels <= limit)).all(-1))

    outside = int((~inside(ring).all(1)).sum())
    if not inside(grown).all() or outside > settings.max_ring_outside:
        ring_part = f"{outside} of the ring's {len(ring)} markers lie"
        part = ring_part if inside(grown).all() else "the window lies"
        raise TooClose(
            f"{part} partly outside the frame, the window and at least "
            f"{len(ring) - settings.max_ring_outside} markers of the ring must be in it",
            file=sighting.photo_name,
        )


def _sharpness(sighting: CardSighting, settings: QualitySettings) -> list[str]:
    px, mm = sighting.edge_width_px, sighting.edge_width_mm
    if px > settings.max_edge_px and mm > settings.max_edge_mm:
        raise TooBlurred(
            f"the card's edges are {px:.1f} pixels ({mm:.2f} mm) wide, at most {settings.max_edge_px:.1f} pixels "
            f"or {settings.max_edge_mm:.2f} mm can be used",
            file=sighting.photo_name,
        )
    return ["soft"] if px > settings.flag_edge_px and mm > settings.flag_edge_mm else []


@dataclass(frozen=True, eq=False)
class _Light:
    """Linear light beside the sides of M markers: white outside, ink inside, (M, 4); and where, (M, 4, 2) mm.

    spread (M, 4): brightest over darkest white along one side; clipped: share of burnt-out white samples.
    """

    white: FloatArray
    ink: FloatArray
    spread: FloatArray
    at_mm: FloatArray
    clipped: float


def _light_at_markers(photo: Photo, sighting: CardSighting, settings: QualitySettings) -> _Light:
    """Sample paper and ink along every side of every marker that was read."""
    corners = np.asarray(sighting.corners_px, dtype=float)
    mm_from_px = np.linalg.inv(sighting.px_from_mm)
    corners_mm = apply_homography(mm_from_px, corners)
    side_mm = np.linalg.norm(corners_mm[:, 1] - corners_mm[:, 0], axis=1)[:, None, None, None]
    along = np.linspace(0.08, 0.92, 9)[:, None]
    here, after = corners[:, :, None], np.roll(corners, -1, axis=1)[:, :, None]
    points = here + along * (after - here)
    # Toward the middle of the opposite side: half a cell in lies ink, 1.1 mm out lies paper.
    inward = (
        np.roll(corners, -2, axis=1) + np.roll(corners, -3, axis=1) - corners - np.roll(corners, -1, axis=1)
    )[:, :, None] / 2
    ink = _sample(photo, points + inward / 16).astype(int)
    white = _sample(photo, points - inward * (1.1 / side_mm)).astype(int)
    burnt = float((white.max(-1) >= settings.clipped_byte).mean()) if white.size else 0.0
    weights = np.array([0.2126, 0.7152, 0.0722])
    table = linear_of_byte().astype(float)
    white_light, ink_light = np.sort(table[white] @ weights, axis=-1), table[ink] @ weights
    return _Light(
        white=np.median(white_light, axis=-1),
        ink=np.median(ink_light, axis=-1),
        spread=white_light[..., -2] / np.maximum(white_light[..., 1], 1e-4),
        at_mm=(corners_mm + np.roll(corners_mm, -1, axis=1)) / 2,
        clipped=burnt,
    )


def _sample(photo: Photo, points_px: FloatArray) -> FloatArray:
    """Bytes (..., 3) of the nearest pixels (the frame's edge repeats)."""
    width, height = photo.size_px
    column = np.clip(np.rint(points_px[..., 0]), 0, width - 1).astype(int)
    row = np.clip(np.rint(points_px[..., 1]), 0, height - 1).astype(int)
    return np.asarray(photo.rgb_u8[row, column])


def _exposure(photo: Photo, sighting: CardSighting, light: _Light, settings: QualitySettings) -> list[str]:
    name, white, noise = photo.name, sighting.white_linear, sighting.noise_linear
    if white < settings.min_white:
        raise TooDark(
            f"the white paper reaches only {white:.1%} of full exposure, at least {settings.min_white:.0%} is needed",
            file=name,
        )
    if noise > settings.max_noise:
        raise TooDark(
            f"noise on the white paper is {noise:.0%} of its brightness, at most {settings.max_noise:.0%} can be used",
            file=name,
        )
    window = burnt_share(photo.rgb_u8, sighting.px_from_mm, card_layout(0).window, settings.clipped_byte)
    for part, share, limit in (
        ("floor in the window", window, settings.max_window_clipped),
        ("white paper", light.clipped, settings.max_paper_clipped),
    ):
        if share > limit:
            raise Clipped(f"{share:.0%} of the {part} is burnt out, at most {limit:.0%} may be", file=name)
    flags = []
    if white < settings.flag_white or noise > settings.flag_noise:
        flags.append("dark")
    if window > settings.flag_window_clipped or light.clipped > settings.flag_paper_clipped:
        flags.append("clipped")
    return flags


def _glare(sighting: CardSighting, light: _Light, settings: QualitySettings) -> list[str]:
    """Glare and veils put light on the ink that its share of the paper's light does not explain."""
    usual = float(np.median(light.ink / np.maximum(light.white, 1e-4)))
    if usual > settings.max_ink:
        raise Glare(
            f"the black ink is {usual:.0%} as bright as the paper, at most {settings.max_ink:.0%} can be used",
            file=sighting.photo_name,
        )
    bright = float(np.percentile(light.white, 75))
    share = float(((light.ink - usual * light.white) > settings.glare_lift * bright).mean())
    if share > settings.max_glare_share:
        raise Glare(
            f"a reflection lies on {share:.0%} of the marker edges, at most {settings.max_glare_share:.0%} can be used",
            file=sighting.photo_name,
        )
    return ["glare"] if share > settings.flag_glare_share else []


def _shadow(light: _Light, settings: QualitySettings) -> list[str]:
    """Hard shadow edges cross marker sides away from the card's own tabs; smooth fall-off is told apart."""
    tabs = np.array([np.mean(tab.base_mm, axis=0) for tab in card_layout(0).tabs])
    from_tab = np.linalg.norm(light.at_mm[:, :, None] - tabs, axis=-1).min(-1)
    cut = light.spread > settings.shadow_ratio
    if int((cut & (from_tab > settings.tab_reach_mm)).sum()) >= settings.flag_shadow_sides:
        return ["hard-shadow"]
    low, high = np.percentile(light.white, [5, 95])
    return ["light-uneven"] if high > settings.flag_light_ratio * max(low, 1e-4) else []


def _wet(sighting: CardSighting, light: _Light, settings: QualitySettings) -> list[str]:
    """Paper darker than its surroundings while its ink is not: damp, dirt or grey wear, not shade."""
    white, ink = (np.log(np.maximum(v.ravel(), 1e-4)) for v in (light.white, light.ink))
    x, y = (light.at_mm.reshape(-1, 2) / 100).T
    basis = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    weight = np.ones(len(white))
    for _ in range(8):  # the smooth light of the dry paper: what is darker loses its say
        white_fit = basis @ _weighted_fit(basis, white, weight)
        weight = 1 / (1 + (np.minimum(white - white_fit, 0) / 0.03) ** 2) ** 2
    relative = np.exp(white - white_fit)
    ink_relative = np.exp(ink - basis @ _weighted_fit(basis, ink, weight))
    # What shade leaves of the ink's light: flare stays, the rest falls with the light.
    shaded = settings.max_veil + (1 - settings.max_veil) * relative
    darker = (relative > settings.wet_range[0]) & (relative < settings.wet_range[1])
    share = float((darker & (ink_relative > settings.wet_ink * shaded)).mean())
    if share > settings.max_wet_share:
        raise CardWet(
            f"the paper is dark in patches at {share:.0%} of the marker edges where the ink is not in shade, "
            f"at most {settings.max_wet_share:.0%} may be",
            file=sighting.photo_name,
        )
    return ["card-wet"] if share > settings.flag_wet_share else []


def _weighted_fit(basis: FloatArray, values: FloatArray, weight: FloatArray) -> FloatArray:
    root = np.sqrt(weight)
    return np.asarray(np.linalg.lstsq(basis * root[:, None], values * root, rcond=None)[0])


def read_steps(photo: Photo, sighting: CardSighting) -> tuple[StepReading, ...]:
    """Read every printed grey step (24, in the layout's order) and the white paper on both sides of it.

    Means of the middle half of the samples, in linear light per channel; never raises.
    """
    layout = card_layout(0)
    clipped, (width, height) = QualitySettings().clipped_byte, photo.size_px
    readings = []
    for step in layout.steps:
        inner, before, after = (_grid_px(sighting, x, y) for x, y in _step_grids(step))
        seen = all(((p >= 0) & (p <= (width - 1, height - 1))).all() for p in (inner, before, after))
        level, white_before, white_after = (_middle_mean(_sample(photo, p)) for p in (inner, before, after))
        burnt = any(np.median(_sample(photo, p).max(-1)) >= clipped for p in (before, after))
        uneven = float(np.abs(np.log(np.maximum(white_before, 1e-4) / np.maximum(white_after, 1e-4))).max())
        readings.append(
            StepReading(
                step, level, (white_before + white_after) / 2, seen and not burnt and uneven < np.log(1.15)
            )
        )
    return tuple(readings)


def _step_grids(step: Step) -> list[tuple[FloatArray, FloatArray]]:
    """Sample places in mm (x, y): inside the step, and in the 4 mm gaps before and after it along its row."""
    a = step.area
    along_x = step.side in ("top", "bottom")
    low, high = (a.x_min_mm, a.x_max_mm) if along_x else (a.y_min_mm, a.y_max_mm)
    across_low, across_high = (a.y_min_mm, a.y_max_mm) if along_x else (a.x_min_mm, a.x_max_mm)
    across = np.linspace(across_low + 1.5, across_high - 1.5, 9)
    grids: list[tuple[FloatArray, FloatArray]] = []
    for start, end in ((low + 1.5, high - 1.5), (low - 2.7, low - 1.3), (high + 1.3, high + 2.7)):
        u, v = np.meshgrid(np.linspace(start, end, 15), across)
        grids.append((u, v) if along_x else (v, u))
    return grids


def _grid_px(sighting: CardSighting, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    return apply_homography(sighting.px_from_mm, np.column_stack([x_mm.ravel(), y_mm.ravel()]))


def _middle_mean(bytes_u8: FloatArray) -> FloatArray:
    """Mean of the middle half of (N, 3) samples in linear light, per channel: finer than a byte, blind to specks."""
    ordered = np.sort(linear_of_byte().astype(float)[bytes_u8], axis=0)
    quarter = len(ordered) // 4
    return np.asarray(ordered[quarter : len(ordered) - quarter].mean(0))
