"""Overviews from rendered photos of small zones: places, areas, strips and what is refused."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from assessor.card.decode import decode_photo
from assessor.card.zone_sheet import zone_sheet
from assessor.errors import BadZone, NoOverview
from assessor.report.overview_page import overview_page
from assessor.report.overview_picture import overview_pictures
from assessor.report.record_overview import OverviewHead, overview_record
from assessor.settings import Settings
from assessor.simulate.overview import TrueSheet, View, ZoneLight, ZoneRecipe, ZoneScene, render_zone
from assessor.simulate.sensor import SensorRecipe
from assessor.simulate.zone_floor import ZoneFloorRecipe
from assessor.simulate.zone_marks import MarksRecipe
from assessor.surface.zone_blobs import blob_map
from assessor.surface.zone_settings import OverviewSettings
from assessor.values import Photo, PrintScale
from assessor.values.overview import Overview
from assessor.zone import ZoneAsked, assess_zone, zone_area

SIZE_MM = (2400.0, 1800.0)
NOTHING = MarksRecipe(0, 0, 0, 0, 0, 0, 0, 0, broom=False, cable=False)
SHEETS = (
    TrueSheet("1", 0.0, 0.0, 0.0),
    TrueSheet("2", 1900.0, 60.0, 37.0),
    TrueSheet("3", 120.0, 1250.0, 200.0),
    TrueSheet("7", 1950.0, 1200.0, -64.0),
)
CHECKED = PrintScale(checked=True, u_x=0.0015, u_y=0.0015)


def view(x: float, y: float, turn_deg: float, tilt_deg: float = 34.0, height: float = 1550.0) -> View:
    """A person who looks at (x, y) of the zone, from the side that `turn_deg` points away from."""
    corner = zone_sheet(1).corner_mm
    target = (corner[0] + x, corner[1] + y)
    reach = height * np.tan(np.radians(tilt_deg))
    turn = np.radians(turn_deg)
    return View((target[0] - reach * np.cos(turn), target[1] - reach * np.sin(turn)), target, height, 1.5)


VIEWS = (view(800, 700, 90), view(1600, 700, 84), view(800, 1100, 275), view(1600, 1100, 268))
RECIPE = ZoneRecipe(
    name="zone", seed=5,
    floor=ZoneFloorRecipe(*SIZE_MM, process="scarified", lane_mm=330, n_gaps=0, n_overlaps=0, n_missed=1, speckle=0.08,
                          ridge=0.12, skin=-0.25, joints=()),
    marks=NOTHING, sheets=SHEETS, views=VIEWS, light=ZoneLight((0.3, -0.2, 0.1)),
    sensor=SensorRecipe(exposure=0.65, vignette=0.15), size_px=(2016, 1512), focal_px=1450.0,
)  # fmt: skip


@cache
def scene(name: str = "plain") -> ZoneScene:
    recipe = RECIPE
    if name == "sun":
        recipe = replace(
            RECIPE, light=ZoneLight((0.1, 0.1, 0.0), sun_share=0.4, azimuth_deg=250, elevation_deg=45)
        )
    return render_zone(recipe)


def photos_of(scene: ZoneScene) -> list[Photo]:
    return [decode_photo(data, name) for name, data in scene.photos.items()]


@cache
def assessed(name: str = "plain") -> Overview:
    size = (SIZE_MM[0] / 1000, SIZE_MM[1] / 1000)
    # Half the pixels: what is fine enough halves too.
    return assess_zone(
        photos_of(scene(name)),
        ZoneAsked(CHECKED, size, "scarified"),
        finder=None,
        settings=replace(Settings(), overview=half()),
    )[0]


def half() -> OverviewSettings:
    settings = OverviewSettings()
    return replace(settings, mosaic=replace(settings.mosaic, min_px_per_mm=0.25, spacing_mm=2.0))


def test_sheets_lie_where_they_were_laid() -> None:
    fit = assessed().fit
    true = {sheet.name: sheet for sheet in SHEETS}
    assert {sheet.name for sheet in fit.sheets} == set(true)
    for sheet in fit.sheets:
        off = np.hypot(sheet.x_mm - true[sheet.name].x_mm, sheet.y_mm - true[sheet.name].y_mm)
        assert off < max(3 * sheet.u_mm, 1e-6)
        assert off < 15
        assert abs((sheet.turn_deg - true[sheet.name].turn_deg + 180) % 360 - 180) < 0.5
    assert fit.rms_px < 0.5
    assert fit.focal_source == "exif"


def test_floor_has_its_reflectance_against_the_paper() -> None:
    """White is the sheets' paper, whatever light and lens do: the floor's own albedo over the paper's 0.86."""
    image, floor = assessed().mosaic.image, scene().floor
    rows, columns = np.nonzero(image.valid[::40, ::40])
    worst = []
    for row, column in zip(rows * 40, columns * 40, strict=True):
        px, py = image.place(np.array([float(row)]), np.array([float(column)]))
        c, r = (
            int((px[0] - floor.x_min_mm) * floor.px_per_mm),
            int((floor.y_max_mm - py[0]) * floor.px_per_mm),
        )
        if not (30 < r < floor.passes.shape[0] - 30 and 30 < c < floor.passes.shape[1] - 30):
            continue
        true = float(np.median(floor.albedo[r - 20 : r + 21, c - 20 : c + 21, 1])) / 0.86
        got = image.reflectance[max(row - 12, 0) : row + 13, max(column - 12, 0) : column + 13, 1]
        seen = image.valid[max(row - 12, 0) : row + 13, max(column - 12, 0) : column + 13]
        if seen.all():
            worst.append(np.log(float(np.median(got)) / true))
    assert len(worst) > 100
    assert abs(np.median(worst)) < 0.06
    assert np.std(worst) < 0.08


def test_missed_strip_is_found_with_place_and_width() -> None:
    true = next(strip for strip in scene().floor.strips if strip.kind == "missed")
    found = [strip for strip in assessed().strips if strip.kind in ("less-worked", "lane-gap")]
    assert found
    best = found[0]
    assert 1000 * best.width_m == pytest.approx(true.width_mm, abs=50)
    assert abs(np.mean([best.start_mm[1], best.end_mm[1]]) - np.mean([true.start_mm[1], true.end_mm[1]])) < 40
    assert best.contrast < -3 * best.u_contrast
    assert min(abs(best.direction_deg), abs(best.direction_deg - 180)) < 4


def test_lines_run_one_way_and_that_matters_after_scarifying() -> None:
    lay = assessed().lay
    assert lay.state == "one-way"
    assert lay.matters
    assert lay.direction_deg is not None
    assert min(lay.direction_deg, 180 - lay.direction_deg) < 5


def test_shadow_that_moves_with_the_person_is_left_out_where_another_photo_shows_the_place() -> None:
    plain, sun = assessed(), assessed("sun")
    assert sun.mosaic.shadow.mean() > 0.02
    both = plain.mosaic.image.valid & sun.mosaic.image.valid
    ratio = np.log(
        np.maximum(sun.mosaic.image.reflectance[..., 1], 0.01)
        / np.maximum(plain.mosaic.image.reflectance[..., 1], 0.01)
    )
    # A body takes 40 % of the light: -0.51. What only one photo shows keeps it.
    assert (ratio[both] < -0.3).mean() < 0.1


def test_coverage_and_gaps_of_a_zone_that_is_half_photographed() -> None:
    whole = assessed().coverage
    assert whole.share is not None
    assert whole.share > 0.95
    result, _ = assess_zone(
        photos_of(scene())[:1],
        ZoneAsked(CHECKED, (4.8, 1.8), None),
        finder=None,
        settings=replace(Settings(), overview=half()),
    )
    told = result.coverage
    assert told.share is not None
    assert told.share < 0.7
    assert told.gaps
    assert told.covered_m2 + sum(gap.area_m2 for gap in told.gaps) + told.hidden_m2 == pytest.approx(
        4.8 * 1.8, rel=0.03
    )


def test_two_sheets_do_not_tell_floor_from_light() -> None:
    few = render_zone(replace(RECIPE, sheets=SHEETS[:2], views=VIEWS[:2]))
    result, _ = assess_zone(
        photos_of(few), ZoneAsked(CHECKED), finder=None, settings=replace(Settings(), overview=half())
    )
    assert result.evenness.level_spread.value is None
    assert "only the paper of 1 sheet tells" in result.evenness.level_spread.why
    assert result.evenness.contrast_spread.value is not None


def test_photos_without_a_sheet_or_a_tie_are_named_and_the_rest_goes_on() -> None:
    photos = photos_of(scene())
    blank = Photo("blank.jpg", np.full_like(photos[0].rgb_u8, 120), photos[0].exif, "0")
    result, dropped = assess_zone(
        [*photos, blank], ZoneAsked(CHECKED), finder=None, settings=replace(Settings(), overview=half())
    )
    assert [error.code for error in dropped] == ["no-sheet"]
    assert "blank.jpg" in str(dropped[0])
    assert "photos-dropped" in result.flags
    with pytest.raises(NoOverview, match="none of the 1 photos"):
        assess_zone([blank], ZoneAsked(CHECKED), finder=None, settings=Settings())


def test_a_sheet_that_was_moved_is_noticed() -> None:
    moved = tuple(replace(s, x_mm=s.x_mm + 60) if s.name == "2" else s for s in SHEETS)
    other = render_zone(replace(RECIPE, sheets=moved, views=VIEWS[1:2]))
    photos = photos_of(scene())
    late = replace(photos_of(other)[0], name="late.jpg")
    _, dropped = assess_zone(
        [*photos, late], ZoneAsked(CHECKED), finder=None, settings=replace(Settings(), overview=half())
    )
    assert [error.code for error in dropped] == ["overview-misfit"]
    assert dropped[0].file == "late.jpg"


def test_the_card_alone_has_no_zone_corner() -> None:
    with pytest.raises(BadZone, match="card alone"):
        zone_area(replace(assessed().fit, origin="card"), (3.0, 2.0))


def test_island_stands_out_and_an_even_floor_does_not() -> None:
    image = assessed().mosaic.image
    assert (blob_map(image) > 0).mean() < 0.2
    reflectance = np.array(image.reflectance)
    row, column = 500, 500
    assert image.valid[row - 30 : row + 31, column - 30 : column + 31].all()
    before = blob_map(replace(image, reflectance=reflectance.copy()))[
        row - 4 : row + 5, column - 4 : column + 5
    ]
    reflectance[row - 9 : row + 10, column - 9 : column + 10] *= np.float32(1.9)
    after = blob_map(replace(image, reflectance=reflectance))[row - 4 : row + 5, column - 4 : column + 5]
    assert before.max() == 0
    assert after.min() > 7


def test_record_pictures_and_page_say_nothing_is_proven() -> None:
    result = assessed()
    head = OverviewHead("0", "2026-01-01T00:00:00+00:00", "d", "rendered", True, "scarified", (2.4, 1.8))
    record = overview_record(head, result, ())
    assert record.schema_version == "overview-1"
    pictures = overview_pictures(result, record)
    assert set(pictures) == {"evenness.jpg", "coverage.jpg"}
    page = overview_page(record, pictures, (0.0, 0.0))
    assert "does not mean clean" in page
    assert "No height is measured" in page
    for word in ("is clean", "all clean", "passed"):
        assert word not in page
