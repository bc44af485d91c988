"""A spot beside the edge strip, from rendered photos to what is claimed."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from assessor.card.decode import decode_photo
from assessor.grading.scale import load_scale
from assessor.pipeline import assess_capture
from assessor.settings import Settings
from assessor.simulate.capture import render_capture
from assessor.simulate.floors import FloorRecipe
from assessor.simulate.light import LightRecipe
from assessor.simulate.quick_catalogue import plan_single
from assessor.simulate.sensor import SensorRecipe
from assessor.strip_estimate import StripSettings, wider
from assessor.strip_workflow import write_strip
from assessor.values import Band, CaptureResult, Direction, Estimate, Photo, PrintScale

BAND = Band(0.8, 25.0)


def estimate(half90: float) -> Estimate:
    return Estimate(
        "single", "a model", BAND, -2.0, half90, ("a.jpg",), True, 0.1, Direction(None, None, 0.0)
    )


def test_the_strip_adds_its_doubt_and_may_silence_an_estimate() -> None:
    said = wider(estimate(0.8), Settings(), StripSettings(half90=0.6))
    assert said.half90 == pytest.approx(1.0)  # 0.8 and 0.6 at right angles
    assert (said.log2_sq, said.abstained) == (-2.0, ())
    assert wider(estimate(1.45), Settings(), StripSettings(half90=0.6)).abstained == ("estimate-wide",)
    assert StripSettings().half90 > 0


def test_a_strip_is_written_as_a_pdf(tmp_path: Path) -> None:
    path = write_strip("letter", 7, tmp_path / "new" / "strip.pdf")
    assert path.read_bytes().startswith(b"%PDF")


def assess(photos: list[Photo]) -> CaptureResult:
    return assess_capture(
        photos, print_scale=PrintScale(checked=True, u_x=0.002, u_y=0.002), scale=load_scale("prior-10"),
        target=None, bands=(BAND,), settings=Settings(),
    )  # fmt: skip


@pytest.mark.slow
def test_a_rendered_spot_beside_the_strip_is_estimated_and_never_measured() -> None:
    """Four photos under one low lamp: with the card they would be measured, with the strip they are not."""
    base = plan_single(1, 3)[0].recipe
    recipe = replace(
        base, name="strip", floor=FloorRecipe("shot", 0.2, band_mm=(0.8, 25.0), px_per_mm=10.0), photos=4,
        light=LightRecipe("lamp", 200.0, 35.0, half_angle_deg=1.0, direct=0.8), sides_deg=(0.0, 90.0, 180.0, 270.0),
        sheet=replace(base.sheet, design="strip-1", serial=4451, scale_x=1.0, scale_y=1.0, bow_mm=(0.0, 0.0, 0.0)),
        sensor=SensorRecipe(psf_px=0.7),
        tilt_deg=(2.0, 8.0), distance_mm=(330.0, 380.0),
    )  # fmt: skip
    capture = render_capture(recipe)
    photos = [decode_photo(data, name) for name, data in capture.photos.items()]
    result = assess(photos)
    assert (result.kind, result.heights, result.surface) == ("single", None, None)
    assert "edge-strip" in result.flags and "few-photos" not in result.flags
    assert {s.design for s in result.sightings} == {"strip-1"}
    assert {s.serial for s in result.sightings} == {4451}
    said = result.estimate
    assert said is not None
    assert said.half90 > StripSettings().half90
    assert abs(said.log2_sq - math.log2(0.2)) < said.half90
    (light,) = result.lightings[0].lights if result.lightings[0] else (None,)
    assert light is not None
    assert light.tabs_used == ("bottom-right", "bottom-left")
    assert light.azimuth_deg == pytest.approx(200.0, abs=6.0)
    assert light.elevation_deg == pytest.approx(35.0, abs=5.0)
    assert "lay the whole card where it fits" in (result.suggestion.narrows or "")
