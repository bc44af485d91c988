"""The whole torch path on rendered captures: photos in, texture out, against the floor that was rendered."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from assessor.card.bars import scale_from_bars
from assessor.card.decode import decode_photo
from assessor.errors import TorchesAlike, TorchTooWeak
from assessor.grading.scale import load_scale
from assessor.pipeline import assess_capture
from assessor.settings import Settings
from assessor.simulate.capture import CaptureRecipe, RenderedCapture, render_capture
from assessor.simulate.floors import FloorRecipe
from assessor.simulate.sensor import SensorRecipe
from assessor.simulate.sheet import SheetRecipe
from assessor.simulate.torchlight import TorchRecipe
from assessor.texture.measure import MAIN_BANDS
from assessor.values import Band, CaptureResult, Kind, Photo

FINE, MIDDLE = Band(0.5, 8.0), Band(2.5, 25.0)
SHEET = SheetRecipe(scale_x=0.99, scale_y=0.985, cockle_mm=0.2)
BARS_MM = (250 * 0.985, 180 * 0.99)
SMALL = replace(Settings(), quality=replace(Settings().quality, min_px_per_mm=2.5))


def recipe(process: str, sq_mm: float, torch: TorchRecipe | None = None, **more: object) -> CaptureRecipe:
    return CaptureRecipe(
        "spot", FloorRecipe(process, sq_mm, band_mm=(0.5, 8.0)), sheet=SHEET, seed=5, photos=0,
        torch=torch or TorchRecipe(), sensor=SensorRecipe(quality=88, s_curve=0.1), **more,
    )  # fmt: skip


def small(one: CaptureRecipe) -> CaptureRecipe:
    width, height = one.size_px
    floor = replace(one.floor, px_per_mm=one.floor.px_per_mm / 2)
    return replace(one, size_px=(width // 2, height // 2), focal_px=one.focal_px / 2, floor=floor)


def assess(photos: list[Photo], kind: Kind | None = None, settings: Settings = SMALL) -> CaptureResult:
    return assess_capture(
        photos, print_scale=scale_from_bars(*BARS_MM), scale=load_scale("prior-10"), target=None, bands=MAIN_BANDS,
        settings=settings, kind=kind,
    )  # fmt: skip


def decoded(capture: RenderedCapture) -> list[Photo]:
    return [decode_photo(data, name) for name, data in capture.photos.items()]


def true(capture: RenderedCapture, quantity: str, band: Band) -> float:
    return next(
        r.value for r in capture.truth()
        if (r.quantity, r.band_short_mm, r.band_long_mm) == (quantity, band.short_mm, band.long_mm)
    )  # fmt: skip


@cache
def shot() -> RenderedCapture:
    return render_capture(small(recipe("shot", 0.08, TorchRecipe(elevation_deg=(26.0, 28.0)))))


def test_a_torch_capture_is_recognised_and_measured() -> None:
    capture = shot()
    result = assess(decoded(capture))
    assert result.kind == "torch"
    assert result.dark_photo is not None
    assert result.torches is not None and len(result.torches.lights) == 8
    sq = result.texture.get("Sq", MIDDLE)
    assert sq is not None and sq.bound == "value"
    assert sq.value == pytest.approx(true(capture, "Sq", MIDDLE), rel=0.12)
    assert sq.low90 < true(capture, "Sq", MIDDLE) < sq.high90
    assert result.slopes is not None and not result.slopes.noise_is_modelled
    assert result.texture.get("MPD") is None  # it needs waves that a torch does not tell


def test_four_lights_measure_but_are_not_confirmed_and_three_are_refused() -> None:
    photos = decoded(shot())
    four = [*photos[:8:2], photos[8]]
    result = assess(four)
    assert "not-confirmed" in result.flags
    sq = result.texture.get("Sq", MIDDLE)
    assert sq is not None
    assert sq.value == pytest.approx(true(shot(), "Sq", MIDDLE), rel=0.15)
    with pytest.raises(TorchesAlike, match="3 usable torch photos"):
        assess([photos[0], photos[3], photos[5], photos[8]], kind="torch")


def test_tabs_left_down_give_a_rank_and_no_millimetres() -> None:
    capture = render_capture(replace(small(recipe("shot", 0.08)), sheet=replace(SHEET, tabs_up=False)))
    result = assess(decoded(capture))
    assert "torch-unplaced" in result.flags
    assert [quantity.name for quantity in result.texture.quantities] == ["contrast"]
    assert all(quantity.unit != "mm" for quantity in result.texture.quantities)
    assert result.suggestion.best is None


def test_a_torch_lost_in_daylight_is_refused_in_plain_words() -> None:
    capture = render_capture(small(recipe("shot", 0.08, TorchRecipe(share=0.08))))
    with pytest.raises(TorchTooWeak, match="of the light on the card"):
        assess(decoded(capture), kind="torch")


@pytest.mark.slow
@pytest.mark.parametrize(("process", "sign"), [("bumps", 1), ("pits", -1)])
def test_bumps_stand_up_and_pits_go_down(process: str, sign: int) -> None:
    result = assess(decoded(render_capture(recipe(process, 0.04))), settings=Settings())
    ssk = result.texture.get("Ssk", FINE)
    assert ssk is not None
    assert ssk.value * sign > 1.0


@pytest.mark.slow
def test_fine_ground_floor_in_full_size() -> None:
    capture = render_capture(recipe("ground", 0.03))
    result = assess(decoded(capture), settings=Settings())
    sq, sdq = result.texture.get("Sq", FINE), result.texture.get("Sdq", FINE)
    assert sq is not None and sdq is not None
    assert sq.value == pytest.approx(true(capture, "Sq", FINE), rel=0.08)
    assert sdq.value == pytest.approx(true(capture, "Sdq", FINE), rel=0.15)
