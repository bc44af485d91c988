"""Designs that share the frame: told apart in photos, drawn without clashes, one to a capture."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from assessor.card.describe import describe_card
from assessor.card.designs import (
    CHIP_DESIGN,
    CHIP_WINDOW_MM,
    common_design,
    design_layout,
    designs,
    window_of,
)
from assessor.card.find import find_card
from assessor.card.layout import DESIGN, SERIAL_COUNT, SERIAL_ID_BASE, card_layout
from assessor.card.zone_sheet import zone_markers
from assessor.errors import MixedCards
from tests.card.photos import Scene, corner_errors_px, photo_of, rms
from tests.card.test_layout import gap_mm, parts

CHIP = Scene(design=CHIP_DESIGN, serial=4660, tilt_deg=14.0, azimuth_deg=40.0, roll_deg=90.0)
# Designs with a smaller window in the whole frame; an edge strip has only a part of it.
EXTRA = [name for name, row in designs().items() if row.window != window_of(DESIGN)]


def test_the_finder_tells_the_chip_sheet_by_its_own_markers() -> None:
    sighting = find_card(photo_of(CHIP))
    assert (sighting.design, sighting.serial) == (CHIP_DESIGN, 4660)
    frame = {m.id for m in card_layout(4660).markers}
    assert set(sighting.marker_ids.tolist()) <= frame
    assert rms(corner_errors_px(CHIP, sighting)) < 0.1


@pytest.mark.parametrize("print_scale", [(0.96, 0.96), (1.02, 1.02), (0.97, 1.01)])
def test_prints_of_any_size_are_told(print_scale: tuple[float, float]) -> None:
    assert find_card(photo_of(replace(CHIP, print_scale=print_scale))).design == CHIP_DESIGN


def test_the_window_card_stays_the_window_card() -> None:
    assert find_card(photo_of(replace(CHIP, design=DESIGN))).design == DESIGN


@pytest.mark.parametrize("roll_deg", [0.0, 180.0])
def test_two_of_the_four_markers_are_enough_and_one_is_not(roll_deg: float) -> None:
    left = (-59.0, -45.0, -41.0, 45.0)
    half_hidden = replace(CHIP, hidden=(left,), roll_deg=roll_deg)
    assert find_card(photo_of(half_hidden)).design == CHIP_DESIGN
    nearly = replace(CHIP, hidden=(left, (41.0, 20.0, 59.0, 40.0)), roll_deg=roll_deg)
    assert find_card(photo_of(nearly)).design == DESIGN


def test_one_photo_that_shows_a_design_speaks_for_the_capture() -> None:
    chip = find_card(photo_of(CHIP))
    plain = replace(chip, design=DESIGN, photo_name="hidden.jpg")
    assert common_design([plain, chip]) == CHIP_DESIGN
    assert common_design([plain, plain]) == DESIGN
    other = replace(chip, design="other-1", photo_name="other.jpg")
    with pytest.raises(MixedCards, match=r"the photos show sheets chip-1 and other-1"):
        common_design([chip, other])


def test_no_two_markers_share_an_id() -> None:
    used = [m.id for row in designs().values() for m in row.markers]
    frame = [m.id for m in card_layout().markers if not m.role.startswith("serial")]
    serial = range(SERIAL_ID_BASE, SERIAL_ID_BASE + round(SERIAL_COUNT**0.5))
    every = [*used, *frame, *serial, *(k for k in zone_markers() if k not in frame)]
    assert len(every) == len(set(every))
    assert max(every) < 587  # AprilTag 36h11 has 587 codes (Olson 2011; OpenCV's dictionary)


@pytest.mark.parametrize("design", EXTRA)
def test_a_designs_markers_lie_on_paper_that_the_window_card_has_not(design: str) -> None:
    layout = design_layout(design)
    own = [part for n, part in enumerate(parts(layout)) if n == 0 or "marker" in part[0]]
    for (_, a), (_, b) in itertools.combinations(own, 2):
        assert gap_mm(a, b) > 1.0
    standard = window_of(DESIGN)
    for marker in designs()[design].markers:
        corners = marker.corners_mm()
        assert (np.abs(corners[:, 0]) < standard.x_max_mm - 3).all()
        assert (np.abs(corners[:, 1]) < standard.y_max_mm - 3).all()
        assert marker.role == "design"


def test_the_chip_sheets_window_is_the_chips() -> None:
    w = window_of(CHIP_DESIGN)
    assert (w.x_max_mm - w.x_min_mm, w.y_max_mm - w.y_min_mm) == CHIP_WINDOW_MM == (80.0, 105.0)
    assert designs()[CHIP_DESIGN].window_mm == CHIP_WINDOW_MM
    # A chip is about 90 x 115 mm (domain.md 1.1): the sheet lies 5 mm on it all round.
    assert (90 - 80) / 2 == (115 - 105) / 2 == 5


def test_the_description_carries_the_design() -> None:
    told = describe_card(design_layout(CHIP_DESIGN, 7), "a4")
    assert (told["design"], told["serial"]) == (CHIP_DESIGN, 7)
    assert told["window"]["x_max_mm"] == 40.0
    assert sum(marker["role"] == "design" for marker in told["markers"]) == 4


def test_an_unknown_design_is_refused() -> None:
    with pytest.raises(KeyError):
        design_layout("chip-9")
