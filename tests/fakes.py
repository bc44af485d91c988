"""A made-up capture with small arrays, for everything that only shows or stores results."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from assessor.card.layout import card_layout
from assessor.card.raster import card_raster
from assessor.estimating import texture_of
from assessor.grading.scale import load_scale
from assessor.grading.suggest import suggest_grade
from assessor.report.record import RecordHead, SourceFile
from assessor.report.schema import ScaleRecord
from assessor.values import (
    Adjustment,
    Band,
    Camera,
    CaptureResult,
    CardSighting,
    Direction,
    Estimate,
    Exif,
    HeightMap,
    Light,
    Lighting,
    Photo,
    PrintScale,
    Quantity,
    RangeVerdict,
    Rectified,
    SlopeMap,
    Suggestion,
    TargetRange,
    Texture,
    Tone,
    ToneCurve,
    Torches,
    Transfer,
)
from assessor.values.estimate import Form

BAND, FINE = Band(2.5, 25.0), Band(0.5, 8.0)
CHANCES = (0.0, 0.01, 0.07, 0.26, 0.38, 0.2, 0.06, 0.02, 0.0, 0.0)


def fake_photo(name: str = "spot/a.jpg", *, make: str = "Rendered", width_px: int = 640) -> Photo:
    """A card on a grey floor seen from straight above; unequal height and width."""
    px_per_mm = width_px / 250
    sheet = card_raster(card_layout(), px_per_mm, (210.0, 297.0))
    height_px = sheet.shape[0] + 60
    rng = np.random.default_rng(3)
    grey = np.clip(rng.normal(125, 18, (height_px, width_px)), 0, 255).astype(np.uint8)
    left = (width_px - sheet.shape[1]) // 2
    window = round(120 * px_per_mm)
    row, col = 30 + (sheet.shape[0] - window) // 2, left + (sheet.shape[1] - window) // 2
    floor = grey[row : row + window, col : col + window].copy()
    grey[30 : 30 + sheet.shape[0], left : left + sheet.shape[1]] = sheet
    grey[row : row + window, col : col + window] = floor
    return Photo(name, cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB), Exif(make=make, model="Pretend"), "0" * 64)


def fake_sighting(photo: Photo) -> CardSighting:
    width_px, height_px = photo.size_px
    px = width_px / 250
    homography = np.array([[px, 0, width_px / 2], [0, -px, height_px / 2], [0, 0, 1.0]])
    return CardSighting(
        photo_name=photo.name, size_px=photo.size_px, design="window-1", serial=7,
        marker_ids=np.arange(36), corners_px=np.zeros((36, 4, 2)), corner_sd_px=np.full((36, 4), 0.03),
        px_from_mm=homography, px_per_mm=px, tilt_deg=14.0, edge_width_px=2.0, edge_width_mm=2 / px,
        white_linear=0.8, black_linear=0.03, noise_linear=0.01, clipped_fraction=0.0, flags=("soft",),
    )  # fmt: skip


def fake_heights(*, side: int = 160) -> HeightMap:
    """A sine of 0.3 mm and 12 mm wavelength along x on a slope, with a hole; unequal rows and columns."""
    px_per_mm = side / 120
    cols, rows = side, side - 8
    x = -60 + (np.arange(cols) + 0.5) / px_per_mm
    surface = 0.3 * np.sin(2 * np.pi * x / 12)[None, :] + 0.01 * np.arange(rows)[:, None]
    surface = surface + np.random.default_rng(5).normal(0, 0.02, (rows, cols)) - 3.0
    valid = np.ones((rows, cols), bool)
    valid[20:50, 90:120] = False
    transfer = Transfer(np.array([1.0, 2.0, 25.0]), np.array([0.3, 0.86, 1.0]), np.full(3, 0.03), "fake")
    half = surface.astype(np.float32)
    return HeightMap(
        height_mm=half, valid=valid, px_per_mm=px_per_mm, x_min_mm=-60.0, y_max_mm=60.0,
        halves=(half.copy(), half.copy()), transfer=transfer, shortest_trusted_mm=2.0, u_scale=0.01,
        agreement=0.93, method="fake sweep",
    )  # fmt: skip


def fake_texture() -> Texture:
    def number(name: str, value: float, u: float) -> Quantity:
        low, high = value - 1.645 * u, value + 1.645 * u
        return Quantity(name, value, u, low, high, "mm", BAND, 0.1, f"{name} by ISO 25178-2")

    quantities = (
        number("Sq", 0.212, 0.006), number("Sa", 0.19, 0.006), number("MPD", 0.41, 0.02),
        replace(number("Sz", 1.3, 0.2), low90=0.9, high90=1.6),
        Quantity("Ssk", float("nan"), float("nan"), float("nan"), float("nan"), "", BAND, 0.1, "undefined"),
    )  # fmt: skip
    return Texture("angles", quantities, Direction(90.0, 2.0, 0.8), 0.008, BAND, 0.97, ("few-valid",))


def fake_suggestion(target: TargetRange | None = None) -> Suggestion:
    verdict = None
    if target:
        sentence = "The profile is probably within the range: check it with the chip."
        verdict = RangeVerdict(target, 0.08, 0.84, 0.08, "shot", sentence, "four photos at 10-15 degrees")
    return Suggestion(
        scale_name="prior", scale_edition="ten chips", scale_is_prior=True, grades=tuple(range(1, 11)),
        probabilities=CHANCES, set90=(3, 4, 5, 6), best=5, confidence=0.38, abstained_because=None,
        reasons=("Sq 0.212 mm in 2.5-25 mm",), narrows="photograph your own chips: the scale is a prior",
        verdict=verdict,
    )  # fmt: skip


def fake_result(
    photos: tuple[Photo, ...] | None = None,
    *,
    target: TargetRange | None = None,
    refused: tuple[Exception, ...] = (),
) -> CaptureResult:
    photos = photos or (fake_photo(),)
    turn, shift = np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 350.0])
    cameras = tuple(
        Camera(p.name, 3000.0, (320.0, 400.0), 0.0, 0.0, turn.copy(), shift.copy()) for p in photos
    )
    adjustment = Adjustment(
        cameras, PrintScale(), np.array([0.2, 0.0, -0.1]), (0.0,), 0.05, 0.006, "exif", 0.004
    )
    reflectance = np.full((6, 8, 3), 0.4, np.float32)
    seen = np.ones((6, 8), bool)
    rectified = tuple(
        Rectified(p.name, reflectance.copy(), seen.copy(), 1.0, -4.0, 3.0, 0.12, 0.01, np.zeros((6, 3)))
        for p in photos
    )
    return CaptureResult(
        kind="angles", photos=photos, sightings=tuple(fake_sighting(p) for p in photos),
        adjustment=adjustment,
        rectified=rectified, heights=fake_heights(), texture=fake_texture(),
        suggestion=fake_suggestion(target),
        refused=refused, seconds={"decode": 0.25, "heights": 2.0},
        flags=("bars-unchecked", "scale-prior", "few-valid"),
    )  # fmt: skip


def fake_estimate(form: Form = "single") -> Estimate:
    """Sq 0.038 to 0.1 mm about 0.063 mm from a made-up model."""
    return Estimate(
        form=form, model="pretend 0123abcd", band=Band(0.8, 25.0), log2_sq=-4.0, half90=0.7,
        photo_names=("spot/a.jpg", "spot/b.jpg") if form == "pair" else ("spot/a.jpg",), light_known=True,
        strangeness=0.4, direction=Direction(62.0, 8.0, 0.6),
    )  # fmt: skip


def fake_estimated_result(
    form: Form = "single", *, abstained: tuple[str, ...] = (), target: TargetRange | None = None
) -> CaptureResult:
    """A capture that was only estimated, with its light read; suggested as the pipeline does."""
    estimate = replace(fake_estimate(form), abstained=abstained)
    first = fake_photo()
    photos = tuple(replace(first, name=name) for name in estimate.photo_names)
    plain = fake_result(photos, target=target)
    lights = [
        Light(turn, 24.0, 0.5, 0.4, 0.7, 0.02, 0.8, 0.3, (400.0, 0.0, 200.0), ("n", "e"))
        for turn in (10.0, 193.0)
    ]
    lightings = tuple(
        Lighting((light,), 0.3, None, "shadows of 2 upright tabs (n, e)", "one, from the side")
        for light in lights[: len(photos)]
    )
    texture = texture_of(estimate, ())
    suggestion = suggest_grade(texture, load_scale("prior-10"), target, estimate=estimate)
    return replace(
        plain, kind=texture.kind, heights=None, rectified=(), texture=texture, suggestion=suggestion,
        estimate=estimate, lightings=lightings, flags=("scale-prior", *texture.flags),
    )  # fmt: skip


def fake_head(
    photos: tuple[Photo, ...] | None = None, *, capture: str = "spot", target: TargetRange | None = None
) -> RecordHead:
    photos = photos or (fake_photo(),)
    scale = ScaleRecord(
        name="prior-10", edition="ten-chip", is_prior=True, origin="prior", chip_set="none", who="nobody",
        date="version 1", digest="c" * 64,
    )  # fmt: skip
    files = tuple(SourceFile(photo.name, photo.sha256, photo.exif) for photo in photos)
    return RecordHead(
        capture=capture, why_grouped="same folder", key="ab" * 32, assessor_version="0.1.0",
        assessed_at_utc="2026-11-25T09:00:00Z", settings_digest="5" * 64, scale=scale, target=target,
        print_scale=PrintScale(), measured_bars_mm=None, files=files,
    )  # fmt: skip


def fake_torches(names: tuple[str, ...]) -> Torches:
    """Torches like the hours of a clock, low and half a metre away; the last one too far to tell how far."""
    turn = 360.0 / max(len(names), 1)
    lights = tuple(
        Light(turn * n, 22.0 + n, 0.3, 0.2, 0.62, 0.02, 1.0, 0.3,
              None if n == len(names) - 1 else (400.0, 0.0, 300.0), ("n", "e"))
        for n in range(len(names))
    )  # fmt: skip
    sentence = f"the torch stood on {len(names)} sides, 22-{21 + len(names)} degrees above the card"
    return Torches(names, lights, 0.012, (0.01,) * len(names), "tabs of all photos together", sentence)


def fake_slopes(n_lights: int, *, side: int = 160) -> SlopeMap:
    """Slopes of `fake_heights`, and stones of another colour on the grey."""
    heights = fake_heights(side=side)
    step = 1.0 / heights.px_per_mm
    rise, run = np.gradient(heights.height_mm.astype(float), step)
    slope_x, slope_y = run.astype(np.float32), (-rise).astype(np.float32)
    rng = np.random.default_rng(7)
    albedo = np.full((70, 80, 3), 0.35, np.float32) + rng.normal(0, 0.02, (70, 80, 1)).astype(np.float32)
    rows, cols = np.mgrid[0:70, 0:80]
    for row, col in rng.integers(0, 70, (25, 2)):
        albedo[np.hypot(rows - row, cols - col) < 4] = (0.5, 0.36, 0.28)
    modelled = n_lights < 6
    half = (slope_x.copy(), slope_y.copy())
    return SlopeMap(
        slope_x=slope_x, slope_y=slope_y, valid=heights.valid.copy(), px_per_mm=heights.px_per_mm,
        x_min_mm=-60.0, y_max_mm=60.0, halves=(half, (slope_x.copy(), slope_y.copy())), albedo_rgb=albedo,
        albedo_px_per_mm=80 / 120, specular=np.zeros((70, 80), np.float32), n_lights=n_lights,
        noise_is_modelled=modelled, torch_share=0.62, shadowed=0.04, residual=0.011,
        flags=("not-confirmed",) if modelled else (),
    )  # fmt: skip


def fake_tone(names: tuple[str, ...]) -> Tone:
    table = np.linspace(0, 1, 256)
    curves = tuple(ToneCurve(name, table.copy(), 0.02, -0.01, 0.004, 0.005, 0.008) for name in names)
    greys = np.linspace(1.0, 0.05, 6)
    return Tone(curves, greys, np.full(6, 0.01), 0.03, 0.02, 0.006)


def fake_torch_result(n_lights: int = 8, *, fused: bool = False, photo: Photo | None = None) -> CaptureResult:
    """A capture under the torch with a dark photo; with fused, joined with photos from the sides."""
    first = photo or fake_photo("spot/t1.jpg")
    names = tuple(f"spot/t{n + 1}.jpg" for n in range(n_lights))
    photos = (*(replace(first, name=name) for name in names), replace(first, name="spot/dark.jpg"))
    plain = fake_result(photos)
    band = {"Sq": (0.021, 0.0006), "Sa": (0.016, 0.0005)}
    fine = tuple(
        Quantity(
            name, value, u, value - 1.645 * u, value + 1.645 * u, "mm", FINE, 0.1, f"{name} by ISO 25178-2"
        )
        for name, (value, u) in band.items()
    )
    slope = Quantity("Sdq", 0.11, 0.004, 0.103, 0.117, "", FINE, 0.1, "Sdq from slopes")
    kind = "fused" if fused else "torch"
    texture = replace(
        plain.texture, kind=kind, quantities=(*fine, slope, *plain.texture.quantities), noise_floor_mm=0.002,
        noise_band=FINE,
    )  # fmt: skip
    slopes = fake_slopes(n_lights)
    return replace(
        plain, kind=kind, texture=texture, slopes=slopes, torches=fake_torches(names), tone=fake_tone(names),
        dark_photo="spot/dark.jpg", flags=(*plain.flags, *slopes.flags),
    )  # fmt: skip


def unplaced_result() -> CaptureResult:
    """A torch capture in which no tab's shadow was seen: sides, lay and a rank, no millimetres."""
    result = fake_torch_result()
    assert result.torches is not None
    names = result.torches.photo_names
    unknown = float("inf")
    torches = replace(
        result.torches, u_tan_common=unknown, u_tan_own=(unknown,) * len(names),
        sentence="torch seen on 8 sides, but no tab tells how high it was held", flags=("torch-unplaced",),
    )  # fmt: skip
    contrast = Quantity(
        "contrast", 0.24, 0.08, 0.108, 0.372, "", FINE, 0.1, "rms of the shading; no millimetres"
    )
    texture = replace(result.texture, quantities=(contrast,), noise_floor_mm=float("nan"))
    flags = (*result.flags, "torch-unplaced")
    return replace(result, torches=torches, texture=texture, flags=flags)
