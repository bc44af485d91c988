"""Seeded zones for overviews: processes, lanes and their faults, marks, light and the way a person walks and shoots."""

from __future__ import annotations

import numpy as np

from assessor.card.zone_sheet import CARD_NAME, zone_sheet
from assessor.simulate.overview import TrueSheet, View, ZoneLight, ZoneRecipe
from assessor.simulate.sensor import SensorRecipe
from assessor.simulate.zone_floor import Process, ZoneFloorRecipe
from assessor.simulate.zone_marks import MarksRecipe

PROCESSES: tuple[Process, ...] = ("ground", "shot", "scarified")
_RIDGE = {"ground": (0.0, 0.02), "shot": (0.0, 0.03), "scarified": (0.06, 0.16)}
_LANE = {"ground": (450.0, 700.0), "shot": (320.0, 560.0), "scarified": (280.0, 420.0)}


def plan_zones(count: int, seed: int, *, small: bool = False, file_format: str = "jpg") -> list[ZoneRecipe]:
    """Plan `count` zones; the k-th depends on seed and k only. small: half the pixels and a zone of 2.4 x 2 m."""
    return [_plan(k, seed, small=small, file_format=file_format) for k in range(count)]


def _plan(k: int, seed: int, *, small: bool, file_format: str) -> ZoneRecipe:
    rng = np.random.default_rng([seed, 70, k])
    process = PROCESSES[k % len(PROCESSES)]
    length, width = (
        (2400.0, 2000.0) if small else (float(rng.uniform(3200, 4400)), float(rng.uniform(2500, 3300)))
    )
    bare = k % 4 == 3  # every fourth zone has nothing on it: false patches show there
    floor = ZoneFloorRecipe(
        length_mm=length,
        width_mm=width,
        process=process,
        crossed=process == "scarified" and bool(rng.random() < 0.4),
        along_x=bool(rng.random() < 0.5),
        lane_mm=float(rng.uniform(*_LANE[process])),
        n_gaps=int(rng.integers(0, 2)),
        n_missed=int(rng.integers(0, 2)),
        n_overlaps=int(rng.integers(0, 2)),
        base=float(rng.uniform(0.24, 0.42)),
        mottle=float(rng.uniform(0.03, 0.08)),
        speckle=float(rng.uniform(0.06, 0.2)),
        ridge=float(rng.uniform(*_RIDGE[process])),
        skin=float(rng.choice([-1, -1, 1]) * rng.uniform(0.12, 0.35)),
        skin_texture=float(rng.uniform(0.25, 0.45)),
        joints=(float(rng.uniform(0.3, 0.7)),) if rng.random() < 0.6 else (),
    )
    marks = MarksRecipe(0, 0, 0, 0, 0, 0, 0, 0) if bare else MarksRecipe(
        islands=int(rng.integers(8, 22)), oil=int(rng.integers(0, 4)), drips=int(rng.integers(0, 2)),
        tyres=int(rng.integers(0, 2)), damp=int(rng.integers(0, 2)), dust=int(rng.integers(0, 2)),
        adhesive=int(rng.integers(0, 2)), repairs=int(rng.integers(0, 2)), broom=bool(rng.random() < 0.3),
        cable=bool(rng.random() < 0.3), boot=bool(rng.random() < 0.2),
    )  # fmt: skip
    sun = float(rng.uniform(0.15, 0.5)) if rng.random() < 0.4 else 0.0
    light = ZoneLight(
        gradient=(float(rng.normal(0, 0.25)), float(rng.normal(0, 0.2)), float(rng.uniform(0, 0.2))),
        sun_share=sun,
        azimuth_deg=float(rng.uniform(0, 360)),
        elevation_deg=float(rng.uniform(30, 60)),
    )
    factor = 0.5 if small else 1.0
    sheets = place_sheets(length, width, rng, card=k % 5 == 4)
    sensor = SensorRecipe(
        psf_px=0.65, exposure=float(rng.uniform(0.55, 0.72)), snr_db=float(rng.uniform(32, 40)),
        sharpen=float(rng.uniform(0.2, 0.6)), s_curve=float(rng.uniform(0, 0.15)),
        vignette=float(rng.uniform(0.05, 0.2)), denoise=float(rng.choice([0.0, 0.4])),
    )  # fmt: skip
    return ZoneRecipe(
        name=f"z{seed:02d}-{k:03d}-{process}",
        seed=seed * 1000 + k,
        floor=floor,
        marks=marks,
        sheets=sheets,
        views=walk(length, width, sheets, rng),
        light=light,
        sensor=sensor,
        size_px=(round(4032 * factor), round(3024 * factor)),
        focal_px=2900.0 * factor,
        k1=float(rng.normal(0.0, 0.02)),
        print_scale=1.0,
        file_format=file_format,
    )


def place_sheets(
    length_mm: float,
    width_mm: float,
    rng: np.random.Generator,
    *,
    card: bool = False,
    pitch_mm: float = 1300.0,
) -> tuple[TrueSheet, ...]:
    """Sheet 1 in the zone's corner, others about every `pitch_mm`, turned as they fell; the last may be a card."""
    corner = zone_sheet(1).corner_mm
    nx, ny = max(round(length_mm / pitch_mm), 2), max(round(width_mm / pitch_mm), 2)
    places = [(i, j) for j in range(ny) for i in range(nx)]
    sheets = []
    for n, (i, j) in enumerate(places):
        if n == 0:
            sheets.append(TrueSheet("1", 0.0, 0.0, 0.0))
            continue
        x = corner[0] + 250 + (length_mm - 500) * i / max(nx - 1, 1) + float(rng.uniform(-120, 120))
        y = corner[1] + 250 + (width_mm - 500) * j / max(ny - 1, 1) + float(rng.uniform(-120, 120))
        name = CARD_NAME if card and n == len(places) - 1 else str(n + 1)
        sheets.append(TrueSheet(name, x, y, float(rng.uniform(0, 360))))
    return tuple(sheets)


def walk(
    length_mm: float, width_mm: float, sheets: tuple[TrueSheet, ...], rng: np.random.Generator
) -> tuple[View, ...]:
    """A person walks along the zone's two long sides, every metre or so, and shoots inward with two sheets in view."""
    n = max(round(length_mm / 1100.0), 2)
    views = []
    for side in (0, 1):
        for k in range(n):
            tries = [_view(length_mm, width_mm, side, (k + 0.5) / n, rng) for _ in range(12)]
            seen = [min(_sheets_seen(view, sheets), 2) for view in tries]
            views.append(tries[int(np.argmax(seen))])
    return tuple(views)


def _view(length_mm: float, width_mm: float, side: int, share: float, rng: np.random.Generator) -> View:
    corner = zone_sheet(1).corner_mm
    tilt = float(np.radians(rng.uniform(24, 46)))
    height = float(rng.uniform(1400, 1700))
    x = corner[0] + length_mm * share + float(rng.uniform(-150, 150))
    depth = width_mm * (0.27 + 0.46 * side) + float(rng.uniform(-150, 150))
    target = (x, corner[1] + depth)
    turn = float(np.radians((90 if side == 0 else 270) + rng.uniform(-20, 20)))
    reach = height * np.tan(tilt)
    foot = (float(target[0] - reach * np.cos(turn)), float(target[1] - reach * np.sin(turn)))
    return View(foot, target, height, float(rng.uniform(-4, 4)))


def _sheets_seen(view: View, sheets: tuple[TrueSheet, ...]) -> int:
    """Sheets whose marker a phone's main camera (69 by 54 degrees) has whole in the picture."""
    centre = np.array([*view.foot_mm, view.height_mm])
    ahead = np.array([*view.target_mm, 0.0]) - centre
    ahead /= np.linalg.norm(ahead)
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    count = 0
    for sheet in sheets:
        off = np.array([sheet.x_mm, sheet.y_mm, 0.0]) - centre
        depth = off @ ahead
        across, up = off @ right / depth, off @ np.cross(ahead, right) / depth
        room = 140.0 / depth
        count += bool(depth > 0 and abs(across) + room < 0.66 and abs(up) + room < 0.49)
    return count
