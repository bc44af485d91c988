"""The edge strip: its print measured, told from a half-hidden card, and the light beside and above it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pypdfium2
import pytest

from assessor.card.designs import designs, window_of
from assessor.card.find import find_card
from assessor.card.ink import bounds
from assessor.card.layout import PAPERS_MM, card_layout
from assessor.card.linear import linear_of_byte
from assessor.card.plane import apply_homography
from assessor.card.quality import check_photo
from assessor.card.strip_layout import STRIP_DESIGN, STRIP_IDS, STRIP_PAPER, strip_layout, strip_markers
from assessor.card.strip_page import draw_strip_pdf, strip_page
from assessor.card.strip_read import MEETING_MM, only_strip, read_strip_light
from assessor.card.tag_read import paper_area
from assessor.card.white import white_basis
from assessor.card.zone_sheet import ZONE_ID_BASE
from assessor.errors import CardNotFound
from assessor.values import Camera, Exif, FloatArray, Photo
from tests.card.photos import Scene, corner_errors_px, photo_of, rms

# All of the sheet but the strip under bare concrete.
REST = ((-106.0, STRIP_PAPER.y_max_mm, 106.0, 149.0), (-106.0, -149.0, 106.0, STRIP_PAPER.y_min_mm))
SCENE = Scene(
    design=STRIP_DESIGN,
    hidden=REST,
    size_px=(2800, 2100),
    distance_mm=360.0,
    serial=4451,
    aim_mm=(0.0, -35.0),
)


def test_the_strip_is_the_window_cards_lower_side() -> None:
    strip, card = strip_layout(4451), card_layout(4451)
    shared = [m for m in strip.markers if m.role != "design" and m.side_mm != 12.0]
    assert len(shared) == 11
    assert all(m in card.markers for m in shared)
    for marker in strip.markers:
        corners = marker.corners_mm()
        assert (corners[:, 1] < STRIP_PAPER.y_max_mm - 1.5).all() and (
            corners[:, 1] > STRIP_PAPER.y_min_mm + 1.5
        ).all()
        assert (np.abs(corners[:, 0]) < STRIP_PAPER.x_max_mm - 1.5).all()
        for other in strip.markers:
            if other is not marker:
                apart = np.abs(np.array([marker.x_mm - other.x_mm, marker.y_mm - other.y_mm])).max()
                assert apart > (marker.side_mm + other.side_mm) / 2 + 1.0
    assert [tab.name for tab in strip.tabs] == ["bottom-right", "bottom-left"]
    assert window_of(STRIP_DESIGN) == card.window
    others = [design for design in designs().values() if design.name != STRIP_DESIGN]
    taken = {m.id for m in card_layout(0).markers} | {m.id for design in others for m in design.markers}
    assert not set(STRIP_IDS) & taken and max(STRIP_IDS) < ZONE_ID_BASE


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("scale", [0.96, 1.02])
def test_the_printed_strip_is_found_and_as_long_as_drawn(paper: str, scale: float) -> None:
    """Page one at 200 dpi as a printer makes it, seen as a photo: corners to 0.1 mm, serial and design."""
    page = pypdfium2.PdfDocument(draw_strip_pdf(4451, paper))[0].render(scale=200 / 72 * scale)
    grey = np.asarray(page.to_pil().convert("L"))
    sighting = find_card(Photo("page.png", np.repeat(grey[..., None], 3, axis=2), Exif(), "0" * 64))
    assert (sighting.design, sighting.serial, len(sighting.marker_ids)) == (STRIP_DESIGN, 4451, 10)
    assert "few-markers" not in sighting.flags
    ends = apply_homography(sighting.px_from_mm, np.array([[-90.0, -131.5], [90.0, -131.5]]))
    assert np.linalg.norm(ends[1] - ends[0]) / (200 / 25.4 * scale) == pytest.approx(180.0, abs=0.2)
    inside = bounds(strip_page(strip_layout(4451), paper).inks)
    width, height = PAPERS_MM[paper]
    assert inside.x_min_mm > -width / 2 + 3.5 and inside.x_max_mm < width / 2 - 3.5
    assert inside.y_min_mm > -height / 2 + 6 and inside.y_max_mm < height / 2 - 5


def test_the_strip_is_found_on_concrete_and_passes_the_checks() -> None:
    photo = photo_of(SCENE, jpeg_quality=90)
    sighting = find_card(photo)
    assert (sighting.design, sighting.serial) == (STRIP_DESIGN, 4451)
    assert rms(corner_errors_px(SCENE, sighting)) < 0.3
    assert "card-worn" not in check_photo(photo, sighting)
    assert paper_area(STRIP_DESIGN) == STRIP_PAPER


def test_a_card_of_which_only_the_lower_side_is_seen_is_no_strip() -> None:
    with pytest.raises(CardNotFound, match="enclose 0% of the window"):
        find_card(photo_of(replace(SCENE, design="window-1")))


def test_a_strip_whose_own_markers_are_hidden_is_not_taken_for_one() -> None:
    over = [(m.x_mm - 7, m.y_mm - 7, m.x_mm + 7, m.y_mm + 7) for m in strip_markers()[:2]]
    with pytest.raises(CardNotFound, match="enclose 0% of the window"):
        find_card(photo_of(replace(SCENE, hidden=(*REST, *over))))


def flat_photo(light: FloatArray, floor: float) -> tuple[Photo, Camera]:
    """Straight down from 400 mm, 2 px/mm: white paper where the strip lies, even floor elsewhere, under a smooth light.

    light (6,): log of the light as `white_basis` has it.
    """
    camera = Camera(
        "a", 800.0, (249.5, 249.5), 0.0, 0.0, np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 400.0])
    )
    x, y = np.meshgrid((np.arange(500) - 249.5) / 2, (249.5 - np.arange(500)) / 2)
    paper = (np.abs(x) < 101) & (y > -136) & (y < -60)
    linear = np.where(paper, 1.0, floor) * np.exp(np.tensordot(light, white_basis(x, y), axes=1))
    coded = np.searchsorted(linear_of_byte(), linear).clip(0, 255).astype(np.uint8)
    return Photo("a", np.repeat(coded[..., None], 3, axis=2), Exif(), "0" * 64), camera


def test_light_that_bends_over_the_floor_is_read_from_the_floor_itself() -> None:
    """Closed form: over an even floor of 30 % the quotient is 0.3 everywhere, whatever the light does there."""
    light = np.array([-0.5, 0.2, 0.35, -0.15, 0.1, -0.2])
    photo, camera = flat_photo(light, 0.3)
    read = read_strip_light(photo, camera, (1.0, 1.0))
    at = np.arange(-54.0, 55.0, 6.0)
    x, y = np.meshgrid(at, at)
    value = np.exp(np.tensordot(light - read.floor[:, 1], white_basis(x, y), axes=1)) * 0.3
    assert value == pytest.approx(0.3, rel=0.04)
    # On the strip a plane is all that is asked for.
    strip = white_basis(at, np.full(len(at), MEETING_MM))
    assert np.exp((read.paper[:, 1] - light) @ strip) == pytest.approx(1.0, abs=0.04)
    assert (read.paper[3:] == 0).all()


def test_all_but_the_strip_is_black_for_readers_of_paper() -> None:
    photo, camera = flat_photo(np.array([-0.3, 0, 0, 0, 0, 0.0]), 0.5)
    only = only_strip(photo, camera, (1.0, 1.0)).rgb_u8[..., 1] > 0
    # The frame ends 124.75 mm below the middle, the strip begins 61.5 mm below it.
    assert only.sum() / 4 == pytest.approx(199.0 * 63.25, rel=0.02)
    assert (photo.rgb_u8[..., 1][only] > 180).all()
