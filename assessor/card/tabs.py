"""What the paper round each tab looks like, with print and smooth light taken out: maps of the tabs' shadows.

A shadow lies still on the sheet while the tab itself hides another part of it in every photo. So each photo's paper
round a tab is brought to true millimetres on the sheet *as it lies* (cockle of 0.3 mm moves a shadow's tip by a
hundredth of its length), divided by the known print and by the smooth white fit, and what the standing tab or its
hole hides is left out. Only plain white and solid black count; black carries little weight, for it is noisy and
glare lifts it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

from assessor.card.bundle import HALF_SHEET_MM
from assessor.card.layout import CardLayout, Tab, card_layout
from assessor.card.linear import linear_of_byte
from assessor.card.raster import card_raster
from assessor.card.white import HasWhiteFit, white_basis
from assessor.values import (
    Adjustment,
    BoolArray,
    Camera,
    CardSighting,
    FloatArray,
    Photo,
    ToneCurve,
    freeze,
)

SPACING_MM = 0.25
POOL = 2
NODE = 16  # samples between nodes of the coarse coordinate grid: 4 mm bend a line of sight by 0.03 px
X_RANGE_MM, Y_RANGE_MM = (39.0, 103.0), (38.0, 122.0)  # of a patch, away from the window's middle
BLACK_WEIGHT = 0.04
HOLE_MARGIN_MM, PRINT_MARGIN_MM, TAB_MARGIN_MM = 1.0, 0.5, 0.8
LEAN_ALLOWED_DEG = 15.0
U_CORNER_HEIGHT_MM, COCKLE_REACH_MM = 0.3, 25.0  # sheets wave by this much, in waves of about 80 mm
MAX_OFF_PX = 10.0
CLIPPED_BYTE, DARK_BYTE = 253, 3
MIN_SEEN = 0.4  # of a patch's paper, or of its ink


@dataclass(frozen=True, eq=False)
class TabMaps:
    """Light on the sheet round the four tabs, relative to the smooth light; 1 where no shadow lies.

    x_mm, y_mm, z_mm (4, h, w): where the samples lie on the true sheet, row 0 at the largest y. ratio, weight
    (P, 4, h, w): one map a photo and tab; weight 1 is a sample all of white paper, 0 one that cannot be used.
    fold_mm (4, 2, 3) and height_mm (4,): the tabs' folds and heights as printed; outward (4, 2): unit vectors
    across the folds, away from the window.
    """

    names: tuple[str, ...]
    x_mm: FloatArray
    y_mm: FloatArray
    z_mm: FloatArray
    ratio: FloatArray
    weight: FloatArray
    fold_mm: FloatArray
    height_mm: FloatArray
    outward: FloatArray

    def __post_init__(self) -> None:
        for array in (self.x_mm, self.y_mm, self.z_mm, self.ratio, self.weight):
            freeze(array)


def map_tabs(
    photos: Sequence[Photo],
    sightings: Sequence[CardSighting],
    adjustment: Adjustment,
    rectified: Sequence[HasWhiteFit],
    curves: Sequence[ToneCurve] | None = None,
) -> TabMaps:
    """Map the paper round every tab in every photo; all arguments run in the same order as the photos.

    curves: the photos' tone curves, sRGB if None.
    """
    layout = card_layout(0)  # serial markers lie far from the tabs
    scale = np.array([adjustment.print_scale.x, adjustment.print_scale.y])
    sheet = SheetHeights(sightings, adjustment)
    grids = [_grid(tab, scale) for tab in layout.tabs]
    nodes = [np.stack([*g, sheet.at(g[0], g[1])], -1) for g in grids]
    folds = np.array([tab.base_mm for tab in layout.tabs]) * scale
    folds = np.concatenate([folds, sheet.at(folds[..., 0], folds[..., 1])[..., None]], -1)
    outward = np.array([np.subtract(t.tip_flat_mm, np.mean(t.base_mm, 0)) for t in layout.tabs])
    heights = np.linalg.norm(outward * scale, axis=1)
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    tables = [linear_of_byte()] * len(photos) if curves is None else [c.table for c in curves]
    maps = [
        [
            _one(
                photo,
                (camera, table),
                white.white_fit[:, 1],
                (t, nodes[t], folds[t], heights[t] * outward[t]),
            )
            for t in range(len(nodes))
        ]
        for photo, camera, white, table in zip(photos, adjustment.cameras, rectified, tables, strict=True)
    ]
    dense = [_enlarge(node) for node in nodes]
    pooled = np.stack([_pool(d) for d in dense])
    return TabMaps(
        names=tuple(tab.name for tab in layout.tabs),
        x_mm=pooled[..., 0], y_mm=pooled[..., 1], z_mm=pooled[..., 2],
        ratio=np.stack([[m[0] for m in row] for row in maps]),
        weight=np.stack([[m[1] for m in row] for row in maps]),
        fold_mm=folds, height_mm=heights, outward=outward,
    )  # fmt: skip


class SheetHeights:
    """Height of the sheet above the card plane, mm: the fitted bow plus what the marker corners say about cockle.

    With poses known every corner tells its own height by its parallax (0.04 mm from four photos at 15 degrees);
    between corners heights are interpolated by simple kriging (Matheron 1963) with a Gaussian covariance.
    """

    def __init__(self, sightings: Sequence[CardSighting], adjustment: Adjustment) -> None:
        self.bow = adjustment.bow_mm
        scale = np.array([adjustment.print_scale.x, adjustment.print_scale.y])
        information: dict[tuple[float, float], list[float]] = {}
        out = np.array([[-1.0, 1], [1, 1], [1, -1], [-1, -1]])
        layout = card_layout(0).fixed_markers()  # the serial's markers stand twice and lie far from the tabs
        offsets = adjustment.marker_offset_mm or (0.0,) * len(sightings)
        for sighting, camera, grown in zip(sightings, adjustment.cameras, offsets, strict=False):
            known = [k for k, marker_id in enumerate(sighting.marker_ids) if int(marker_id) in layout]
            if not known:
                continue
            flat = np.stack([layout[int(sighting.marker_ids[k])].corners_mm() for k in known])
            xy = (flat + out * grown) * scale
            points = np.concatenate([xy, self._bow(xy[..., 0], xy[..., 1])[..., None]], -1)
            at = camera.project(points)
            by_z = camera.project(points + np.array([0, 0, 1.0])) - at
            off = sighting.corners_px[known] - at
            sure = 1 / np.maximum(sighting.corner_sd_px[known], 0.05) ** 2
            # A corner under a boot or in a hard shadow is no height.
            sure = np.where(np.hypot(*np.moveaxis(off, -1, 0)) < MAX_OFF_PX, sure, 1e-6)
            for place, gain, pull in zip(
                flat.reshape(-1, 2), (sure * (by_z**2).sum(-1)).ravel(), (sure * (by_z * off).sum(-1)).ravel(),
                strict=True,
            ):  # fmt: skip
                entry = information.setdefault((float(place[0]), float(place[1])), [0.0, 0.0])
                entry[0] += float(gain)
                entry[1] += float(pull)
        self.places = np.array(list(information)).reshape(-1, 2) * scale
        gain, pull = np.array(list(information.values())).reshape(-1, 2).T
        noise = 1 / np.maximum(gain, 1e-6)
        inner = self._cover(self.places, self.places) + np.diag(noise)
        self.weights = np.linalg.solve(inner, pull * noise)

    def at(self, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        """Heights in mm at true card-frame positions, same shape."""
        where = np.column_stack([np.ravel(x_mm), np.ravel(y_mm)])
        cockle = self._cover(where, self.places) @ self.weights
        return np.asarray(self._bow(x_mm, y_mm) + cockle.reshape(np.shape(x_mm)))

    def _bow(self, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        u, v = x_mm / HALF_SHEET_MM[0], y_mm / HALF_SHEET_MM[1]
        return np.asarray(self.bow[0] * u * u + self.bow[1] * u * v + self.bow[2] * v * v)

    @staticmethod
    def _cover(a: FloatArray, b: FloatArray) -> FloatArray:
        square = ((a[:, None] - b[None]) ** 2).sum(-1)
        return np.asarray(U_CORNER_HEIGHT_MM**2 * np.exp(-square / (2 * COCKLE_REACH_MM**2)))


def _box(tab: Tab) -> tuple[float, float, float, float]:
    """x_min, x_max, y_min, y_max of a tab's patch in drawn mm."""
    sx, sy = np.sign(tab.tip_mm[0]), np.sign(tab.tip_mm[1])
    x, y = sorted(sx * v for v in X_RANGE_MM), sorted(sy * v for v in Y_RANGE_MM)
    return float(x[0]), float(x[1]), float(y[0]), float(y[1])


def _shape() -> tuple[int, int]:
    rows, cols = ((r[1] - r[0]) / SPACING_MM for r in (Y_RANGE_MM, X_RANGE_MM))
    return round(rows), round(cols)


def _grid(tab: Tab, scale: FloatArray) -> tuple[FloatArray, FloatArray]:
    """True mm of coarse nodes, one row and column of them beyond the patch on each side."""
    x0, _, _, y1 = _box(tab)
    rows, cols = (n // NODE + 2 for n in _shape())
    x = x0 + (np.arange(cols) - 0.5) * NODE * SPACING_MM
    y = y1 - (np.arange(rows) - 0.5) * NODE * SPACING_MM
    gx, gy = np.meshgrid(x * scale[0], y * scale[1])
    return gx, gy


def _enlarge(coarse: FloatArray) -> FloatArray:
    """Coarse nodes (r, c, n) to the patch's samples (H, W, n), float32."""
    rows, cols = _shape()
    # Nodes stand in the middle of cells of NODE samples, as cv2.resize takes them; the rim is cut off.
    size = (coarse.shape[1] * NODE, coarse.shape[0] * NODE)
    whole = cv2.resize(np.asarray(coarse, np.float32), size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(whole[NODE : NODE + rows, NODE : NODE + cols])


def _pool(dense: FloatArray) -> FloatArray:
    size = (dense.shape[1] // POOL, dense.shape[0] // POOL)
    return np.asarray(cv2.resize(dense, size, interpolation=cv2.INTER_AREA))


def _one(
    photo: Photo,
    picture: tuple[Camera, FloatArray],
    white: FloatArray,
    patch: tuple[int, FloatArray, FloatArray, FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """Pooled ratio and weight of one patch in one photo.

    picture: camera and linear light of each byte; patch: tab's index, nodes, fold, height across it.
    """
    camera, table = picture
    tab, nodes, fold, up = patch
    plain, black = _print_masks()[tab]
    seen = _sample_green(photo, camera.project(nodes), table)
    light = np.exp(-np.tensordot(white, white_basis(nodes[..., 0], nodes[..., 1]), axes=1))
    value = seen * _enlarge(light[..., None])
    usable = (seen < table[CLIPPED_BYTE]) & (seen > table[DARK_BYTE])
    usable &= ~_hidden_by_tab(camera, fold, up, nodes)
    weight = np.zeros(value.shape, np.float32)
    for mask, share in ((plain, 1.0), (black, BLACK_WEIGHT)):
        use = usable & mask
        # Burnt-out paper leaves only its shadows, and they say nothing without their surroundings.
        if np.count_nonzero(use[::3, ::3]) < MIN_SEEN * np.count_nonzero(mask[::3, ::3]):
            continue
        # The level of this ink or paper here; a shadow covers the lesser part of it.
        level = np.median(value[::3, ::3][use[::3, ::3]])
        value[use] /= level
        weight[use] = share
    pooled = _pool(weight)
    mean = _pool(value * weight) / np.maximum(pooled, 1e-6)
    return mean, pooled


def _sample_green(photo: Photo, node_px: FloatArray, table: FloatArray) -> FloatArray:
    """Linear green (H, W) of a patch whose nodes fall at node_px; 0 where the photo does not show it.

    Averages are taken on linear light: on coded bytes every shadow would look wider.
    """
    width, height = photo.size_px
    low = np.floor(node_px.min((0, 1))).astype(int) - 2
    high = np.ceil(node_px.max((0, 1))).astype(int) + 3
    low = np.clip(low, 0, (width - 2, height - 2))
    high = np.clip(high, low + 2, (width, height))
    crop = cv2.LUT(
        np.ascontiguousarray(photo.rgb_u8[low[1] : high[1], low[0] : high[0], 1]),
        np.asarray(table, np.float32),
    )
    soft = cv2.GaussianBlur(crop, (3, 3), 0)
    column, row = (_enlarge(node_px[..., k : k + 1] - low[k]) for k in (0, 1))
    # A border of 0 is too dark to count, so what the photo does not show drops out.
    return np.asarray(cv2.remap(soft, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT))


def _hidden_by_tab(camera: Camera, fold: FloatArray, up: FloatArray, nodes: FloatArray) -> BoolArray:
    """What the standing tab hides of its patch, whatever its lean up to LEAN_ALLOWED_DEG; (H, W)."""
    height = float(np.linalg.norm(up))
    middle, normal = fold.mean(0), np.append(up / height, 0.0)
    eye = camera.position_mm
    corners = [fold[0, :2], fold[1, :2]]
    for lean in np.deg2rad((-LEAN_ALLOWED_DEG, 0.0, LEAN_ALLOWED_DEG)):
        tip = middle + height * (np.cos(lean) * np.array([0, 0, 1.0]) + np.sin(lean) * normal)
        rise = (tip[2] - middle[2]) / (eye[2] - tip[2])
        corners.append(tip[:2] + (tip[:2] - eye[:2]) * rise)
    return _filled(np.array(corners), nodes, TAB_MARGIN_MM)


def _filled(corners_mm: FloatArray, nodes: FloatArray, margin_mm: float) -> BoolArray:
    """True in the convex hull of points (true mm) and margin_mm round it, on a patch's samples."""
    rows, cols = _shape()
    step = (nodes[0, 1, :2] - nodes[0, 0, :2])[0] / NODE, (nodes[1, 0, :2] - nodes[0, 0, :2])[1] / NODE
    # Node 0 stands half a cell before the first sample's edge.
    px = (corners_mm - nodes[0, 0, :2]) / step - NODE / 2 - 0.5
    mask = np.zeros((rows, cols), np.uint8)
    hull = cv2.convexHull(np.round(px * 16).astype(np.int32))
    cv2.fillConvexPoly(mask, hull, 1, shift=4)
    cv2.polylines(mask, [hull], True, 1, thickness=max(round(2 * margin_mm / SPACING_MM), 1), shift=4)
    return mask > 0


@cache
def _print_masks() -> tuple[tuple[BoolArray, BoolArray], ...]:
    """For every tab: where its patch is plain white paper, and where it is solid black, clear of edges."""
    layout: CardLayout = card_layout(0)
    size = (212.0, 252.0)
    drawn = card_raster(layout, 1 / SPACING_MM, size)
    kernel = np.ones((2 * round(PRINT_MARGIN_MM / SPACING_MM) + 1,) * 2, np.uint8)
    x = (np.arange(drawn.shape[1]) + 0.5) * SPACING_MM - size[0] / 2
    y = size[1] / 2 - (np.arange(drawn.shape[0]) + 0.5) * SPACING_MM
    # The window with its cut line, and the check bar along with its figures.
    shut = ((np.abs(x) < 62) & (np.abs(y) < 62)[:, None]) | ((x > 94.5) & (x < 101))
    free = (~shut).astype(np.uint8)
    masks = []
    for tab in layout.tabs:
        x0, x1, y0, y1 = _box(tab)
        part = np.s_[
            round((size[1] / 2 - y1) / SPACING_MM) : round((size[1] / 2 - y0) / SPACING_MM),
            round((x0 + size[0] / 2) / SPACING_MM) : round((x1 + size[0] / 2) / SPACING_MM),
        ]
        nodes = np.stack(_grid(tab, np.ones(2)), -1)
        hole = _filled(np.array([*tab.base_mm, tab.tip_flat_mm]), nodes, HOLE_MARGIN_MM)
        both = []
        for byte in (255, 0):
            solid = cv2.erode((drawn == byte).astype(np.uint8), kernel)
            both.append((solid[part] > 0) & (free[part] > 0) & ~hole)
        masks.append((both[0], both[1]))
    return tuple(masks)
