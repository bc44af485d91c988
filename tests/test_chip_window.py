"""A sheet's own window downstream: floors compared over the chips' area, nothing estimated through a small window."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from assessor.card.designs import CHIP_DESIGN, CHIP_WINDOW_MM, window_of
from assessor.card.find import find_card
from assessor.card.layout import square
from assessor.card.quality import check_photo
from assessor.errors import PhotoError, TooFewPhotos
from assessor.estimating import _check_window
from assessor.grading.scale import load_scale
from assessor.pipeline import Asked, _suggest
from assessor.report.record import assessed_record
from assessor.settings import Settings
from assessor.texture.measure import measure_texture
from assessor.values import HeightMap
from tests.card.photos import photo_of
from tests.card.test_designs import CHIP
from tests.fakes import fake_head, fake_photo, fake_result, fake_sighting
from tests.grading.helpers import BAND, owner_text
from tests.texture.surfaces import fractal, height_map

WITH_WINDOW = load_scale(owner_text(window_mm=list(CHIP_WINDOW_MM)))
WITHOUT = load_scale(owner_text())
WHOLE = Asked(square(60.0), (BAND,), None)


def rougher_rim() -> HeightMap:
    """A floor whose middle, as large as a chip's window, has half the amplitude of what lies round it."""
    height = fractal(np.random.default_rng(4), 0.2)
    middle = np.s_[38:502, 100:440]  # 93 x 68 mm of 108 x 108 at 5 samples per mm
    height[middle] *= 0.5
    return height_map(height, (height, height))


def test_a_floor_is_compared_over_as_large_an_area_as_the_chips() -> None:
    heights = rougher_rim()
    texture = measure_texture(heights, (BAND,))
    asked = {"target": None, "settings": Settings()}
    cut = _suggest(heights, texture, WHOLE, scale=WITH_WINDOW, **asked)  # type: ignore[arg-type]
    whole = _suggest(heights, texture, WHOLE, scale=WITHOUT, **asked)  # type: ignore[arg-type]
    assert whole.weighed == texture.get("Sq", BAND)
    assert whole.area_mm is None
    chips = window_of(CHIP_DESIGN)
    assert cut.weighed == measure_texture(heights, (BAND,), window=chips).get("Sq", BAND)
    assert cut.area_mm == (68.0, 93.0)
    assert cut.weighed is not None
    assert whole.weighed is not None
    assert cut.weighed.value < 0.75 * whole.weighed.value
    assert any("68 x 93 mm" in reason for reason in cut.reasons)


def test_a_chip_under_its_own_sheet_is_compared_over_all_that_was_measured() -> None:
    chips = window_of(CHIP_DESIGN)
    heights = rougher_rim()
    texture = measure_texture(heights, (BAND,), window=chips)
    found = _suggest(
        heights, texture, Asked(chips, (BAND,), None), scale=WITH_WINDOW, target=None, settings=Settings()
    )
    assert found.weighed == texture.get("Sq", BAND)
    # A scale of a larger window than the sheet has cannot be met: then all there is counts, and nothing else is said.
    wide = load_scale(owner_text(window_mm=[110, 110]))
    small = _suggest(
        heights, texture, Asked(chips, (BAND,), None), scale=wide, target=None, settings=Settings()
    )
    assert (small.weighed, small.area_mm) == (found.weighed, None)


def test_the_record_keeps_what_was_compared_and_over_which_area() -> None:
    photo = fake_photo()
    result = fake_result((photo,))
    heights = rougher_rim()
    texture = measure_texture(heights, (BAND,))
    cut = _suggest(heights, texture, WHOLE, scale=WITH_WINDOW, target=None, settings=Settings())
    record = assessed_record(fake_head((photo,)), replace(result, suggestion=cut))
    told = json.loads(record.model_dump_json())["suggestion"]
    assert cut.weighed is not None
    assert told["weighed"]["value"] == pytest.approx(cut.weighed.value)
    assert told["area_mm"] == [68.0, 93.0]


def test_nothing_is_estimated_through_a_chips_window() -> None:
    sighting = fake_sighting(fake_photo())
    _check_window([sighting], (), Settings())
    with pytest.raises(
        TooFewPhotos, match=r"1 usable of the 4 photos needed: through a window of 80 x 105 mm"
    ):
        _check_window([replace(sighting, design=CHIP_DESIGN)], (PhotoError("dark"),), Settings())


def test_white_paper_round_a_chip_is_no_burnt_out_floor() -> None:
    """Overexposed paper fills a third of the window card's window; of the chip's window nothing is burnt out."""
    photo = photo_of(replace(CHIP, exposure=1.25))
    sighting = find_card(photo)
    settings = replace(Settings().quality, max_paper_clipped=1.0, flag_paper_clipped=1.0)
    assert "clipped" not in check_photo(photo, sighting, settings)
    as_floor = replace(sighting, design="window-1")
    with pytest.raises(PhotoError, match="of the floor in the window is burnt out"):
        check_photo(photo, as_floor, settings)
