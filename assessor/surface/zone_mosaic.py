"""The floor of a zone in plan: every sample from the photo that shows it best, levelled by the paper's light.

Which photo is best is decided cell by cell (25 mm): the finest pixels, not at the frame's edge, and not where another
photo of the same place is clearly lighter, since a person's shadow moves with the person and the floor's colour does
not. Seams are feathered over some 20 mm. What only one photo shows keeps its shadows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from assessor.card.linear import linear_rgb
from assessor.card.zone_sheet import paper_outline_mm
from assessor.surface.zone_cells import CellGrid, PhotoCells, photo_cells, project_floor
from assessor.surface.zone_light import SolvedLight, ZoneLightSettings, solve_light
from assessor.values import BoolArray, FloatArray, FloorImage, Photo, PrintScale
from assessor.values.overview import Mosaic, ZoneArea, ZoneFit


@dataclass(frozen=True, slots=True)
class MosaicSettings:
    """Grid and limits."""

    spacing_mm: float = 1.5  # an island of 1 cm2 is 7 samples across
    cell_mm: float = 25.0
    min_px_per_mm: float = 0.45  # a pixel of 2.2 mm: an island of 1 cm2 is 5 pixels across
    max_samples: int = 60_000_000  # 130 m2; larger zones get a coarser grid
    rim_mm: float = 150.0  # kept beyond the zone's edges
    sheet_pad_mm: float = 8.0  # blur of distant pixels round a sheet
    clipped_byte: int = 253
    edge_share: float = 0.02  # of the long side: lenses are poorer there
    shadow_log: float = 0.10
    feather_mm: float = 12.0
    paper_level: float = 0.75  # of the paper's own: concrete has 0.3 to 0.6, white efflorescence up to 0.7
    least_paper_mm2: float = 10_000.0  # a sheet's white rim has 20 000
    light: ZoneLightSettings = field(default_factory=ZoneLightSettings)


def build_mosaic(
    photos: Sequence[Photo],
    fit: ZoneFit,
    zone: ZoneArea | None,
    print_scale: PrintScale,
    settings: MosaicSettings | None = None,
) -> Mosaic:
    """Rectify all photos to the floor, level them by the paper, put them together; photos run as the fit's cameras."""
    settings = settings or MosaicSettings()
    grid = _grid(fit, zone, settings)
    cells = [
        _fine_enough(photo_cells(photo, camera, grid, clipped_byte=settings.clipped_byte), settings)
        for photo, camera in zip(photos, fit.cameras, strict=True)
    ]
    light = solve_light(photos, fit, cells, grid, print_scale=print_scale, settings=settings.light)
    source, shadow = _choose(cells, light, grid, settings)
    factor = max(round(settings.cell_mm / _spacing(grid, settings)), 1)
    shape = grid.rows * factor, grid.columns * factor
    total, weight = np.zeros((*shape, 3), np.float32), np.zeros(shape, np.float32)
    for k, photo in enumerate(photos):
        _add((total, weight), photo, fit, (k, source, grid, factor, light), settings)
    hidden = _hidden(fit, grid, factor, print_scale, settings)
    valid = (weight > 1e-3) & ~hidden
    total /= np.maximum(weight, 1e-3)[..., None]
    stray = _stray_paper(total, valid, factor, settings)
    hidden, valid = hidden | stray, valid & ~stray
    total[~valid] = 0
    finest = np.zeros((grid.rows, grid.columns), np.float32)
    for k, one in enumerate(cells):
        finest[source == k] = one.finest[source == k]
    name = f"mosaic of {len(photos)} photos" if len(photos) > 1 else photos[0].name
    image = FloorImage(name, total, valid, factor / grid.cell_mm, grid.x_min_mm, grid.y_max_mm)
    return Mosaic(image, hidden, source, finest, shadow, grid.cell_mm, light.said)


def _spacing(grid: CellGrid, settings: MosaicSettings) -> float:
    area = grid.rows * grid.columns * grid.cell_mm**2
    return float(max(settings.spacing_mm, np.sqrt(area / settings.max_samples)))


def _grid(fit: ZoneFit, zone: ZoneArea | None, settings: MosaicSettings) -> CellGrid:
    """Cells over the zone with a rim; without a size, over all that photos show finely enough."""
    cell = settings.cell_mm
    if zone is not None:
        low = np.array([zone.x_mm, zone.y_mm]) - settings.rim_mm
        high = np.array([zone.x_mm + zone.length_mm, zone.y_mm + zone.width_mm]) + settings.rim_mm
    else:
        places = [np.array([[s.x_mm, s.y_mm] for s in fit.sheets])]
        for camera, size in zip(fit.cameras, fit.sizes_px, strict=True):
            foot = camera.position_mm[:2]
            at = np.arange(-6000.0, 6001.0, 100.0)
            around = np.stack(np.meshgrid(foot[0] + at, foot[1] + at), -1)
            _, finest = project_floor(camera, around, size)
            places.append(around[finest >= settings.min_px_per_mm])
        every = np.concatenate(places)
        low, high = every.min(0) - 50, every.max(0) + 50
    columns, rows = (int(np.ceil(v / cell)) for v in high - low)
    return CellGrid(rows, columns, cell, float(low[0]), float(low[1] + rows * cell))


def _fine_enough(cells: PhotoCells, settings: MosaicSettings) -> PhotoCells:
    usable = (cells.finest >= settings.min_px_per_mm) & (cells.edge > 0.002)
    return PhotoCells(
        cells.log_light, np.where(usable, cells.finest, 0).astype(np.float32), cells.r2, cells.edge
    )


def _choose(
    cells: Sequence[PhotoCells], light: SolvedLight, grid: CellGrid, settings: MosaicSettings
) -> tuple[np.ndarray[tuple[int, int], np.dtype[np.int16]], BoolArray]:
    """Each cell's photo, and where a darker one was left out."""
    points = grid.centres()
    shape = (grid.rows, grid.columns)
    lightest = np.full(shape, -np.inf, np.float32)
    levels = []
    for k, one in enumerate(cells):
        # Over 75 mm: single stones look different from two sides, shadows are large.
        level = _smooth(one.log_light[..., 1] - light.white(k, one.r2, points)[..., 1], one.seen)
        levels.append(level)
        lightest = np.where(one.seen, np.maximum(lightest, level), lightest)
    best = np.full(shape, -np.inf, np.float32)
    source = np.full(shape, -1, np.int16)
    shadow = np.zeros(shape, bool)
    for k, one in enumerate(cells):
        darker = one.seen & (levels[k] < lightest - settings.shadow_log)
        shadow |= darker
        score = np.log(np.maximum(one.finest, 1e-3)) - 2.0 * darker - 0.5 * (one.edge < settings.edge_share)
        take = one.seen & (score > best)
        best, source = np.where(take, score, best), np.where(take, np.int16(k), source)
    return np.asarray(source, dtype=np.int16), shadow


def _smooth(field_: FloatArray, seen: BoolArray) -> FloatArray:
    """Mean over 3 x 3 cells that are seen."""
    weight = cv2.blur(seen.astype(np.float32), (3, 3))
    return np.asarray(
        cv2.blur(np.where(seen, field_, 0).astype(np.float32), (3, 3)) / np.maximum(weight, 1e-3)
    )


def _add(
    sums: tuple[FloatArray, FloatArray],
    photo: Photo,
    fit: ZoneFit,
    chosen: tuple[int, np.ndarray[tuple[int, int], np.dtype[np.int16]], CellGrid, int, SolvedLight],
    settings: MosaicSettings,
) -> None:
    """Add one photo's share to the mosaic, in place, row block by row block of its own part."""
    total, weight = sums
    k, source, grid, factor, light = chosen
    own = (source == k).astype(np.float32)
    if not own.any():
        return
    pad = int(np.ceil(3 * settings.feather_mm / grid.cell_mm))
    rows, cols = np.flatnonzero(own.any(1)), np.flatnonzero(own.any(0))
    r1, c1 = min(rows[-1] + 1 + pad, grid.rows), min(cols[-1] + 1 + pad, grid.columns)
    r0, c0 = max(rows[0] - pad, 0), max(cols[0] - pad, 0)
    camera = fit.cameras[k]
    middle = np.array([(n - 1) / 2 for n in photo.size_px])
    block = 16  # rows of cells at once keep memory small
    for top in range(r0, r1, block):
        bottom = min(top + block, r1)
        part = CellGrid(bottom - top + 2, c1 - c0 + 2, grid.cell_mm,
                        grid.x_min_mm + (c0 - 1) * grid.cell_mm, grid.y_max_mm - (top - 1) * grid.cell_mm)  # fmt: skip
        points = part.centres()
        pixels, finest = project_floor(camera, points, photo.size_px)
        ok = finest >= settings.min_px_per_mm * 0.9
        if not ok.any():
            continue
        r2 = ((pixels - middle) ** 2).sum(-1) / float((middle**2).sum())
        white = np.exp(light.white(k, r2, points)).astype(np.float32)

        def fine(coarse: FloatArray, part: CellGrid = part) -> FloatArray:
            size = (part.columns * factor, part.rows * factor)
            grown = cv2.resize(coarse.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
            return np.asarray(grown[factor:-factor, factor:-factor])

        share = cv2.GaussianBlur(
            np.pad(own, 1)[top : bottom + 2, c0 : c1 + 2], (0, 0), settings.feather_mm / grid.cell_mm
        )
        share = fine(np.asarray(share * ok))
        # Beyond the last cell that is seen, nothing is added.
        share *= fine(ok.astype(np.float32)) > 0.999
        # Over 25 mm the floor's place in the picture is straight to 0.2 px.
        patch, burnt = _sample(photo, fine(np.asarray(pixels)), settings)
        share[burnt] = 0
        window = slice(top * factor, bottom * factor), slice(c0 * factor, c1 * factor)
        total[window] += share[..., None] * patch / fine(white)
        weight[window] += share


def _sample(photo: Photo, at: FloatArray, settings: MosaicSettings) -> tuple[FloatArray, BoolArray]:
    """Linear light (h, w, 3) at pixels, and which are burnt out; softened where the photo is finer than the grid."""
    width, height = photo.size_px
    low = np.clip(np.floor(np.nanmin(at, (0, 1))).astype(int) - 4, 0, (width - 1, height - 1))
    high = np.clip(np.ceil(np.nanmax(at, (0, 1))).astype(int) + 5, 1, (width, height))
    if (high - low).min() < 8:
        return np.zeros((*at.shape[:2], 3), np.float32), np.ones(at.shape[:2], bool)
    roi: FloatArray = linear_rgb(photo.rgb_u8[low[1] : high[1], low[0] : high[0]])
    spot = (at - low).astype(np.float32)
    step = np.linalg.norm(np.diff(spot, axis=1), axis=2)
    across = float(np.median(step[(step > 0) & (step < 50)])) if step.size else 1.0
    if across > 1.3:
        roi = np.asarray(cv2.GaussianBlur(roi, (0, 0), 0.35 * across), dtype=np.float32)
    patch = cv2.remap(
        roi, np.ascontiguousarray(spot[..., 0]), np.ascontiguousarray(spot[..., 1]), cv2.INTER_LINEAR
    )
    limit = float(linear_rgb(np.full((1, 1, 3), settings.clipped_byte, np.uint8))[0, 0, 0])
    return np.asarray(patch, dtype=np.float32), np.asarray(patch.max(2) >= limit)


def _stray_paper(light: FloatArray, valid: BoolArray, factor: int, settings: MosaicSettings) -> BoolArray:
    """Samples under sheets that lie there but could not be read (cut off in every photo): as white as paper, no floor.

    On whole cells; the closing bridges a marker's black.
    """
    rows, columns = valid.shape[0] // factor, valid.shape[1] // factor
    white = (valid & (light[..., 1] > settings.paper_level)).astype(np.float32)
    share = cv2.resize(white, (columns, rows), interpolation=cv2.INTER_AREA)
    bridge = int(np.ceil(180 / settings.cell_mm)) | 1
    shape = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (bridge, bridge))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        cv2.morphologyEx((share > 0.5).astype(np.uint8), cv2.MORPH_CLOSE, shape)
    )
    mask = np.zeros((rows, columns), np.uint8)
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] * settings.cell_mm**2 >= settings.least_paper_mm2:
            mask |= (labels == k).astype(np.uint8)
    mask = cv2.dilate(mask, np.ones((3, 3), np.uint8))
    size = (valid.shape[1], valid.shape[0])
    return np.asarray(cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST) > 0)


def _hidden(
    fit: ZoneFit,
    grid: CellGrid,
    factor: int,
    print_scale: PrintScale,
    settings: MosaicSettings,
) -> BoolArray:
    """Samples under a sheet's paper or within its blur."""
    mask = np.zeros((grid.rows * factor, grid.columns * factor), np.uint8)
    for sheet in fit.sheets:
        box = paper_outline_mm(sheet.name)
        box = box * (print_scale.x, print_scale.y) + np.sign(box - box.mean(0)) * settings.sheet_pad_mm
        c, s = np.cos(np.radians(sheet.turn_deg)), np.sin(np.radians(sheet.turn_deg))
        points = box @ np.array([[c, s], [-s, c]]) + (sheet.x_mm, sheet.y_mm)
        at = (
            np.stack([points[:, 0] - grid.x_min_mm, grid.y_max_mm - points[:, 1]], -1) * factor / grid.cell_mm
            - 0.5
        )
        cv2.fillPoly(mask, [np.round(at).astype(np.int32)], 1)
    return np.asarray(mask > 0)
