"""The frozen values passed between stages, and nothing else.

Conventions, written once:

- **Card frame**, mm: origin at the centre of the window, +x to the right as one reads the sheet, +y toward
  the sheet's top, +z out of the paper toward the camera. Heights grow toward the camera.
- **Pixels**: `xy_px` is (x, y) with the origin at the *centre* of the first pixel; arrays are `[row, col]`.
- **Rasters of the window**: row 0 lies at the largest y (the sheet's top), column 0 at the smallest x. Sample
  k of n lies at (k + 0.5) / px_per_mm from the edge; n samples span n / px_per_mm.
- `valid` masks are positive: True means usable.
- Arrays inside values are read-only; a stage hands over fresh arrays and keeps no reference.
"""

from __future__ import annotations

from assessor.values.arrays import BoolArray, Bound, FloatArray, Kind, U8Array, freeze
from assessor.values.card import (
    Adjustment,
    Camera,
    CardSighting,
    Light,
    Lighting,
    PrintScale,
    Rectified,
    Tone,
    ToneCurve,
    Torches,
    warp_terms,
)
from assessor.values.estimate import Estimate
from assessor.values.photo import Exif, FileFacts, Photo
from assessor.values.result import CaptureResult, RangeVerdict, Suggestion, TargetRange
from assessor.values.surface import (
    PATCH_KINDS,
    Aggregate,
    Evidence,
    FloorImage,
    FloorState,
    Patch,
    Patches,
    PatchKind,
    PatchLook,
    Segments,
    SieveRow,
    Surface,
)
from assessor.values.texture import Band, Direction, HeightMap, Quantity, SlopeMap, Texture, Transfer

__all__ = [
    "PATCH_KINDS",
    "Adjustment",
    "Aggregate",
    "Band",
    "BoolArray",
    "Bound",
    "Camera",
    "CaptureResult",
    "CardSighting",
    "Direction",
    "Estimate",
    "Evidence",
    "Exif",
    "FileFacts",
    "FloatArray",
    "FloorImage",
    "FloorState",
    "HeightMap",
    "Kind",
    "Light",
    "Lighting",
    "Patch",
    "PatchKind",
    "PatchLook",
    "Patches",
    "Photo",
    "PrintScale",
    "Quantity",
    "RangeVerdict",
    "Rectified",
    "Segments",
    "SieveRow",
    "SlopeMap",
    "Suggestion",
    "Surface",
    "TargetRange",
    "Texture",
    "Tone",
    "ToneCurve",
    "Torches",
    "Transfer",
    "U8Array",
    "freeze",
    "warp_terms",
]
