"""Made-up patches and aggregate on a made-up floor, for everything that only scores, shows or stores them."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np

from assessor.values import Band, FloatArray, Quantity
from assessor.values.surface import (
    PATCH_KINDS,
    Aggregate,
    Evidence,
    FloorImage,
    Patch,
    Patches,
    PatchKind,
    PatchLook,
    SieveRow,
    Surface,
)

TESTS = {
    "oil": "water-drop", "damp": "dry-reshoot", "coating": "knife-scratch", "dust": "cloth-wipe",
    "shadow": "move-light", "unknown": "water-drop",
}  # fmt: skip


def ring(x_mm: float, y_mm: float, width_mm: float, height_mm: float, *, corners: int = 72) -> FloatArray:
    """An ellipse as a closed outline; its area is that of the polygon."""
    turn = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    outline = np.column_stack([x_mm + width_mm / 2 * np.cos(turn), y_mm + height_mm / 2 * np.sin(turn)])
    return np.vstack([outline, outline[:1]])


def square(x_mm: float, y_mm: float, side_mm: float) -> FloatArray:
    half = side_mm / 2
    corners = [(-half, -half), (half, -half), (half, half), (-half, half), (-half, -half)]
    return np.array(corners) + np.array([x_mm, y_mm])


def area_of(outline: FloatArray) -> float:
    x, y = outline.T
    return float(abs(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])) / 2)


def fake_patch(outline: FloatArray, kind: PatchKind = "oil", *, chance: float = 0.7, **changes: Any) -> Patch:
    """A patch of this kind with that chance, the rest even."""
    rest = (1 - chance) / (len(PATCH_KINDS) - 1)
    look: dict[str, PatchLook] = {"coating": "coating", "dust": "light", "laitance": "light"}
    values: dict[str, Any] = {
        "outline_mm": outline, "area_mm2": area_of(outline), "u_area_mm2": 0.06 * area_of(outline),
        "distance_mm": float(np.hypot(*outline.T).min()), "look": look.get(kind, "dark"), "contrast": -0.42,
        "u_contrast": 0.03, "probabilities": tuple(chance if one == kind else rest for one in PATCH_KINDS),
        "kind": kind, "likely": 0.96,
        "evidence": (
            Evidence("contrast", -0.42, 0.03, "34 % darker than the floor around"),
            Evidence("edge", 4.2, None, "soft edge, 4 mm wide"),
        ),
        "test": TESTS.get(kind, "water-drop"), "sure": True,
    }  # fmt: skip
    return Patch(**{**values, **changes})


def fake_image(*, side: int = 240, patches: tuple[Patch, ...] = (), seed: int = 5) -> FloorImage:
    """A mottled floor with stones, darker or lighter where patches lie; unequal rows and columns."""
    cols, rows = side, side - 10
    px_per_mm = side / 120
    rng = np.random.default_rng(seed)
    grey = 0.33 + rng.normal(0, 0.02, (rows, cols))
    x = -60 + (np.arange(cols) + 0.5) / px_per_mm
    y = 60 - (np.arange(rows) + 0.5) / px_per_mm
    for at_x, at_y, size, shade in rng.random((70, 4)):
        far = np.hypot(x[None, :] - 120 * at_x + 60, y[:, None] - 115 * at_y + 55)
        grey[far < 1 + 4 * size**2] = 0.2 + 0.25 * shade
    for patch in patches:
        middle, half = patch.outline_mm.mean(0), np.ptp(patch.outline_mm, axis=0) / 2
        far = ((x[None, :] - middle[0]) / half[0]) ** 2 + ((y[:, None] - middle[1]) / half[1]) ** 2
        grey[far < 1] *= np.exp(patch.contrast)
    colour = np.stack([grey * 1.03, grey, grey * 0.94], axis=2).astype(np.float32)
    return FloorImage("spot/a.jpg", colour, np.ones((rows, cols), bool), px_per_mm, -60.0, 60.0)


def fraction(name: str, value: float, low: float, high: float) -> Quantity:
    u = (high - low) / 3.29
    return Quantity(
        name, value, u, low, high, "1", Band(2.0, 120.0), 0.5, f"{name} by image segmentation (pretend)"
    )


def fake_aggregate(*, side: int = 240, **changes: Any) -> Aggregate:
    """Stones on a grid, 21 % coarse and 34 % visible."""
    rows, cols, px_per_mm = side - 10, side, side / 120
    labels = np.zeros((rows, cols), np.int32)
    x, y = np.arange(cols) / px_per_mm, np.arange(rows) / px_per_mm
    rng = np.random.default_rng(9)
    for number, (at_x, at_y, size, flat) in enumerate(rng.random((60, 4)), start=1):
        far = np.hypot((x[None, :] - 120 * at_x) * (0.7 + 0.5 * flat), y[:, None] - 115 * at_y)
        labels[far < 1.2 + 5 * size**2] = number
    values: dict[str, Any] = {
        "coarse": fraction("coarse_fraction", 0.21, 0.16, 0.27),
        "visible": fraction("visible_fraction", 0.34, 0.27, 0.42), "smallest_mm": 2.0,
        "sizes": (
            SieveRow(2.0, 0.0, 0.0, 0.0), SieveRow(4.75, 0.38, 0.3, 0.47), SieveRow(9.5, 0.8, 0.68, 0.9),
            SieveRow(19.0, 1.0, 1.0, 1.0),
        ),
        "uneven": (0.05, 0.02, 0.09), "block_mm": 24.0, "n_particles": 60, "labels": labels,
        "px_per_mm": px_per_mm, "x_min_mm": -60.0, "y_max_mm": 60.0, "plausible": True,
        "method": "pretend segmentation",
    }  # fmt: skip
    known = {field.name for field in fields(Aggregate)}
    return Aggregate(**{name: value for name, value in {**values, **changes}.items() if name in known})


def some_patches() -> tuple[Patch, ...]:
    """Four that the crew sees, of every look, and one for the review list."""
    return (
        fake_patch(ring(-28, 22, 40, 30), "oil", chance=0.62),
        fake_patch(ring(30, 30, 30, 18), "dust", chance=0.55, contrast=0.38),
        fake_patch(ring(22, -24, 34, 40), "coating", chance=0.66, contrast=-0.05, look="glossy"),
        fake_patch(ring(-34, -34, 26, 26), "shadow", chance=0.81, contrast=-0.6),
        fake_patch(ring(0, 4, 12, 10), "unknown", chance=0.2, likely=0.55, sure=False, contrast=-0.12),
    )


def fake_surface(
    found: tuple[Patch, ...] | None = None, *, aggregate: Aggregate | None = None, **changes: Any
) -> Surface:
    found = some_patches() if found is None else found
    values: dict[str, Any] = {
        "found": found, "judged_mm2": 13800.0, "gloss": "cannot-tell",
        "gloss_why": "one photo from straight above can't show a film's shine", "model": "pretend 0123abcd",
        "photo_names": ("spot/a.jpg",),
    }  # fmt: skip
    return Surface(Patches(**{**values, **changes}), aggregate, fake_image(patches=found))
