"""The point count as a use case, beside `workflow`: a sheet to count on from a photo, and what a count says.

A person's count checks what the picture was taken for; it replaces nothing, and neither is a grade.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from pydantic import ValidationError

from assessor.card.bars import scale_from_bars
from assessor.card.camera import adjust_cameras
from assessor.card.decode import decode_photo
from assessor.card.find import find_card
from assessor.card.layout import WINDOW_MM
from assessor.card.linear import bytes_from_linear
from assessor.card.rectify import RectifySettings, rectify
from assessor.card.video import is_video
from assessor.errors import BadCount, BadGrid, NoPhotos, OutputNotWritable, PhotoError
from assessor.report.point_record import PointRecord, read_point_record
from assessor.report.point_sheet import PointSheet, draw_points_pdf, points_page
from assessor.report.record import SourceFile, origin_of
from assessor.report.schema import CaptureRecord
from assessor.report.schema_base import QuantityRecord
from assessor.settings import Settings
from assessor.store.files import RECORD, find_photos, read_photo_bytes, shown_name, write_bytes, write_text
from assessor.surface.points import (
    COUNTED_MM,
    Comparison,
    CountedFraction,
    PointCount,
    PointGrid,
    compare_count,
    count_points,
    counted_fraction,
    point_grid,
)
from assessor.values import CardSighting, FloatArray, Photo, PrintScale

SHOWN_HALF_MM = (
    COUNTED_MM / 2 + 3
)  # of the window's 60 mm, so that the outermost points have floor round them
SPACING_MM = 0.1  # of the sheet's picture
DEFAULT_GRID = "10x10"
Fraction = Literal["coarse", "visible"]


@dataclass(frozen=True, slots=True)
class PointsRequest:
    """What a person asks of `points`: a photo or a spot's folder, where to write, the grid, the print."""

    source: Path
    out: Path = Path("points.html")
    grid: str = DEFAULT_GRID
    measured_bars: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class PointsWritten:
    """The file written and the photo it shows."""

    path: Path
    photo_name: str
    grid: PointGrid


@dataclass(frozen=True, slots=True)
class Told:
    """A fraction told from a picture: value and 90 % limits."""

    value: float
    low90: float
    high90: float


@dataclass(frozen=True, slots=True)
class CountReport:
    """A count, and for each fraction that an assessment tells too: what it tells, and how the two compare.

    why_not: why nothing was compared, where an assessment was named. source: the photo counted on, where known.
    """

    count: PointCount
    unmarked: int
    compared: dict[Fraction, tuple[Told, Comparison]]
    why_not: str | None
    source: str | None
    rendered: bool


def write_points(request: PointsRequest, settings: Settings | None = None) -> PointsWritten:
    """Draw the sheet to count on, PDF or HTML by the suffix of `out`.

    Of a folder the sharpest photo is taken. Raises BadGrid, OutputNotWritable, NoPhotos and, where no photo shows a
    card, the first photo's error.
    """
    use = settings or Settings()
    suffix = request.out.suffix.lower()
    if suffix not in (".pdf", ".html"):
        raise OutputNotWritable("a counting sheet is a .pdf or an .html file", file=str(request.out))
    grid = read_grid(request.grid)
    bars = request.measured_bars
    print_scale = scale_from_bars(*bars, settings=use.bars) if bars else PrintScale()
    photo, sighting = _best_photo(find_photos([request.source]), use)
    sheet = PointSheet(
        photo_name=photo.name,
        photo_sha256=photo.sha256,
        serial=sighting.serial or 0,
        jpeg=_jpeg(window_picture(photo, sighting, print_scale, use)),
        half_mm=SHOWN_HALF_MM,
        grid=grid,
        rendered=origin_of([SourceFile(photo.name, photo.sha256, photo.exif)]) == "rendered",
    )
    if suffix == ".pdf":
        write_bytes(request.out, draw_points_pdf(sheet))
    else:
        write_text(request.out, points_page(sheet))
    return PointsWritten(request.out, photo.name, grid)


def read_grid(text: str) -> PointGrid:
    """The grid of a text such as 10x10 (rows x columns); raises BadGrid."""
    match = re.fullmatch(r"\s*(\d{1,3})\s*[xX×]\s*(\d{1,3})\s*", text)
    if match is None:
        raise BadGrid(f"'{text}' is no grid")
    try:
        return point_grid(int(match[1]), int(match[2]))
    except ValueError as error:
        raise BadGrid(str(error)) from error


def window_picture(
    photo: Photo, sighting: CardSighting, print_scale: PrintScale, settings: Settings
) -> FloatArray:
    """The window's middle +-57 mm in plan at 10 samples a mm, linear reflectance, (1140, 1140, 3)."""
    adjustment = adjust_cameras([sighting], [photo.exif], print_scale, settings.camera)
    wide = RectifySettings(half_side_mm=SHOWN_HALF_MM, spacing_mm=SPACING_MM)
    assert SHOWN_HALF_MM <= WINDOW_MM / 2
    return rectify(photo, adjustment.cameras[0], adjustment, wide).reflectance


def _best_photo(paths: Sequence[Path], settings: Settings) -> tuple[Photo, CardSighting]:
    """The photo whose card edges are sharpest; a photo without a card is passed over while any other has one."""
    found: list[tuple[Photo, CardSighting]] = []
    first: PhotoError | None = None
    for path in paths:
        if is_video(path):
            continue
        try:
            data = read_photo_bytes(path, max_bytes=settings.decode.max_bytes)
            photo = decode_photo(data, shown_name(path), settings.decode)
            found.append((photo, find_card(photo, settings.find)))
        except PhotoError as error:
            named = error.with_file(shown_name(path))
            assert isinstance(named, PhotoError)
            first = first or named
    if found:
        return min(found, key=lambda one: one[1].edge_width_mm)
    raise first or NoPhotos("there is no still photo here to count on", file=str(paths[0]))


def _jpeg(reflectance: FloatArray) -> bytes:
    """The picture as bright as it can be without burning out more than a hundredth."""
    bright = float(np.quantile(reflectance[::4, ::4], 0.99))
    bytes_u8 = bytes_from_linear(np.clip(reflectance * (0.85 / max(bright, 1e-3)), 0, 1))
    _, data = cv2.imencode(".jpg", np.ascontiguousarray(bytes_u8[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, 88])
    return bytes(data)


def read_count(counted: str, assessment: Path | None = None) -> CountReport:
    """What a count says: `34/100` (coarse stone), or the file that the page saved; held against an assessment.json.

    Raises BadCount where either cannot be read.
    """
    match = re.fullmatch(r"\s*(\d+(?:\.5|\.0)?)\s*/\s*(\d+)\s*", counted)
    unmarked, record = 0, None
    if match:
        hits, points = float(match[1]), int(match[2])
        if not 0 < points <= 100_000 or hits > points:
            raise BadCount(f"{counted} is no share of points")
        count = PointCount(counted_fraction(hits, points), None, 0, None)
    else:
        record = read_point_record(_text(Path(counted)), counted)
        marks = [mark for mark in record.marks if mark is not None]
        unmarked = len(record.marks) - len(marks)
        count = count_points(marks, record.spacing_mm)
    compared, why_not = _compared(count, record, assessment) if assessment else ({}, None)
    return CountReport(
        count, unmarked, compared, why_not, record.photo if record else None, record.rendered if record else False
    )  # fmt: skip


def _compared(
    count: PointCount, record: PointRecord | None, assessment: Path
) -> tuple[dict[Fraction, tuple[Told, Comparison]], str | None]:
    """The count against what an assessment tells; else why not."""
    file = assessment / RECORD if assessment.is_dir() else assessment
    try:
        told = CaptureRecord.model_validate_json(_text(file))
    except ValidationError as error:
        raise BadCount("this is no assessment.json of this version", file=str(file)) from error
    aggregate = told.surface.aggregate if told.surface else None
    if aggregate is None or aggregate.coarse is None:
        return {}, "the assessment tells no aggregate"
    photos = {photo.sha256 for photo in told.photos}
    if record is not None and record.photo_sha256 not in photos:
        return {}, f"the count was made on {record.photo}, which is no photo of this assessment"
    compared: dict[Fraction, tuple[Told, Comparison]] = {}
    sides: tuple[tuple[Fraction, CountedFraction | None, QuantityRecord | None], ...] = (
        ("coarse", count.coarse, aggregate.coarse),
        ("visible", count.visible, aggregate.visible),
    )
    for name, counted, quantity in sides:
        own = quantity and (quantity.value, quantity.low90, quantity.high90)
        if counted is not None and own and own[0] is not None and own[1] is not None and own[2] is not None:
            limits = own[0], own[1], own[2]
            compared[name] = Told(*limits), compare_count(counted, limits)
    return compared, None


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise BadCount("there is no such file", file=str(path)) from error
    except (OSError, UnicodeDecodeError) as error:
        raise BadCount("the file cannot be read as text", file=str(path)) from error
