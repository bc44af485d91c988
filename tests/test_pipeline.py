"""The main job end to end on rendered photos: half the pixels of a phone and a coarse floor raster, so it is quick."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from assessor.card.bars import scale_from_bars
from assessor.card.decode import decode_photo
from assessor.card.quality import QualitySettings
from assessor.errors import CardNotFound, LensSwitched, MixedCameras, NotAnImage, TooFewPhotos
from assessor.grading.scale import load_scale
from assessor.pipeline import assess_capture
from assessor.settings import Settings
from assessor.simulate.capture import CaptureRecipe, RenderedCapture, render_capture
from assessor.simulate.floors import FloorRecipe
from assessor.simulate.light import LightRecipe
from assessor.simulate.sheet import SheetRecipe
from assessor.texture.measure import MAIN_BANDS
from assessor.values import CaptureResult, Exif, Photo, TargetRange

SQ_MM = 0.2
SMALL = CaptureRecipe(
    "spot",
    FloorRecipe("shot", SQ_MM, px_per_mm=5.0),
    LightRecipe("overcast"),
    SheetRecipe(serial=777, scale_x=0.985, scale_y=0.99, bow_mm=(0.4, 0.1, -0.3), cockle_mm=0.2),
    size_px=(2000, 1500),
    focal_px=1450.0,
    distance_mm=(310.0, 360.0),
    seed=3,
)


@cache
def rendered() -> RenderedCapture:
    return render_capture(SMALL)


@cache
def photos() -> tuple[Photo, ...]:
    return tuple(decode_photo(data, name) for name, data in rendered().photos.items())


def cardless() -> Photo:
    """A phone's picture of bare floor."""
    noise = np.random.default_rng(2).normal(120, 15, (1500, 2000, 1))
    return Photo("floor.jpg", np.repeat(np.clip(noise, 0, 255).astype(np.uint8), 3, 2), Exif(), "1" * 64)


# Half-size photos have 3.5 px/mm; the gate for real ones stands at 4.5.
HALF_SIZE = replace(Settings(), quality=QualitySettings(min_px_per_mm=3.0))


def assess(
    given: list[Photo], target: TargetRange | None = None, *, settings: Settings = HALF_SIZE, **more: object
) -> CaptureResult:
    return assess_capture(
        given,
        print_scale=scale_from_bars(250 * 0.99, 180 * 0.985),
        scale=load_scale("prior-10"),
        target=target,
        bands=MAIN_BANDS,
        settings=settings,
        **more,  # type: ignore[arg-type]
    )


@cache
def result() -> CaptureResult:
    """Six photos of one spot, one without the card, one by another lens, and a file that was no photo."""
    ticks = iter(range(1000))
    wide = replace(photos()[0], name="near.jpg", exif=replace(photos()[0].exif, focal_35mm=13.0))
    given = [*photos()[:2], cardless(), wide, *photos()[2:]]
    refused = (NotAnImage("the file holds no photo", file="notes.txt"),)
    return assess(given, TargetRange(3, 5), refused=refused, clock=lambda: float(next(ticks)))


def test_the_texture_is_that_of_the_rendered_floor() -> None:
    sq = result().texture.get("Sq")
    assert sq is not None
    true = next(r.value for r in rendered().truth() if r.quantity == "Sq" and r.band_short_mm == 2.5)
    assert true == pytest.approx(SQ_MM, rel=1e-3)
    assert sq.value == pytest.approx(true, rel=0.05)
    assert sq.low90 < true < sq.high90


def test_the_cameras_are_those_of_the_render() -> None:
    for found, true in zip(result().adjustment.cameras, rendered().cameras, strict=True):
        # The sheet's own slope is open (no texture in it), and 1.5 mm at 340 mm is a quarter of a degree.
        assert np.linalg.norm(found.position_mm - true.position_mm) < 6
        assert found.photo_name == true.photo_name
    assert result().adjustment.rms_px < 0.1


def test_a_suggestion_says_that_its_scale_is_a_prior() -> None:
    suggestion = result().suggestion
    assert suggestion.scale_is_prior
    assert "scale-prior" in result().flags
    assert sum(suggestion.probabilities) == pytest.approx(1)
    assert suggestion.best in suggestion.set90
    assert suggestion.verdict is not None
    assert suggestion.verdict.target == TargetRange(3, 5)
    assert "bars-unchecked" not in result().flags


def test_photos_without_the_card_or_by_another_lens_are_dropped_and_named() -> None:
    done = result()
    assert [p.name for p in done.photos] == [p.name for p in photos()]
    assert [s.photo_name for s in done.sightings] == [p.name for p in photos()]
    assert [(type(e), getattr(e, "file", None)) for e in done.refused] == [
        (NotAnImage, "notes.txt"),
        (CardNotFound, "floor.jpg"),
        (LensSwitched, "near.jpg"),
    ]
    assert "photos-dropped" in done.flags
    assert len(set(done.flags)) == len(done.flags)


def test_every_stage_is_timed_on_the_callers_clock() -> None:
    stages = ("find", "cameras", "kinds", "rectify", "light", "tone", "heights", "texture", "suggest")
    stages = (*stages, "gloss", "patches", "aggregate")
    assert result().seconds == dict.fromkeys(stages, 1.0)


def test_three_usable_photos_are_too_few_and_the_sentence_says_why() -> None:
    given = [*photos()[:3], cardless()]
    with pytest.raises(
        TooFewPhotos, match=r"^3 photos are usable of the 4 needed; floor\.jpg: .*; take four"
    ):
        assess(given, kind="angles")
    with pytest.raises(TooFewPhotos, match=r"^1 photo is usable of the 4 needed; take four"):
        assess(given[:1], kind="angles")


def test_no_photo_at_all_is_too_few_not_a_crash() -> None:
    lost = NotAnImage("the file holds no photo", file="notes.txt")
    with pytest.raises(TooFewPhotos, match=r"^0 photos are usable .*; notes\.txt: the file holds no photo;"):
        assess([], refused=(lost,))


def test_photos_from_too_far_are_each_refused_with_their_reason() -> None:
    with pytest.raises(
        TooFewPhotos, match=r"spot-1\.jpg: the card has only 3\.\d+ pixels .*; spot-4\.jpg: the"
    ):
        assess(list(photos()), settings=Settings())


def test_flash_and_a_copy_from_a_chat_are_said() -> None:
    flashed = replace(photos()[1], exif=replace(photos()[1].exif, flash_fired=True))
    with pytest.raises(TooFewPhotos, match=r"3 photos are usable .*; spot-2\.jpg: the flash fired;"):
        assess([photos()[0], flashed, *photos()[2:]], kind="angles")
    assert "photo-resent" in result().flags  # half a phone's pixels


def test_another_lens_stops_a_capture_of_four_and_names_the_photo() -> None:
    wide = replace(photos()[1], exif=replace(photos()[1].exif, focal_35mm=13.0))
    sentence = (
        r"^spot-2\.jpg: it shows another angle of view \(35 mm equivalent 13 mm, the rest 25 mm\); shoot"
    )
    with pytest.raises(MixedCameras, match=sentence) as caught:
        lost = (NotAnImage("no photo", file="notes.txt"),)
        assess([photos()[0], wide, *photos()[2:]], refused=lost, kind="angles")
    assert [type(error) for error in caught.value.refused] == [NotAnImage, LensSwitched]


def test_inputs_are_read_only_and_untouched() -> None:
    result()
    for photo, data in zip(photos(), rendered().photos.values(), strict=True):
        assert not photo.rgb_u8.flags.writeable
        np.testing.assert_array_equal(photo.rgb_u8, decode_photo(data, photo.name).rgb_u8)


# Full renders at a phone's 12 MP and a floor of 20 samples per mm: about 30 s of processor time each.
FULL = replace(
    SMALL, size_px=(4000, 3000), focal_px=2900.0, tilt_deg=(14.0, 18.0), distance_mm=(310.0, 370.0)
)


def full(process: str, sq_mm: float) -> tuple[CaptureResult, dict[str, float]]:
    recipe = replace(FULL, name=process, floor=FloorRecipe(process, sq_mm), seed=5)
    capture = render_capture(recipe)
    done = assess([decode_photo(d, name) for name, d in capture.photos.items()], settings=Settings())
    return done, {r.quantity: r.value for r in capture.truth() if r.band_short_mm == 2.5}


@pytest.mark.slow
@pytest.mark.parametrize("sq_mm", [0.08, 0.3])
def test_full_size_sq_of_a_shot_floor_within_five_percent(sq_mm: float) -> None:
    done, truth = full("shot", sq_mm)
    sq = done.texture.get("Sq")
    assert sq is not None
    assert sq.value == pytest.approx(truth["Sq"], rel=0.05)


@pytest.mark.slow
@pytest.mark.parametrize(("process", "sign"), [("bumps", 1), ("pits", -1)])
def test_full_size_sign_of_ssk(process: str, sign: int) -> None:
    done, truth = full(process, 0.2)
    ssk = done.texture.get("Ssk")
    assert ssk is not None
    assert sign * truth["Ssk"] > 0
    assert min(sign * ssk.low90, sign * ssk.high90) > 0


@pytest.mark.slow
def test_full_size_flat_floor_is_at_most() -> None:
    done, _ = full("flat", 0.0)
    sq = done.texture.get("Sq")
    assert sq is not None
    assert (sq.bound, "at-most" in done.flags) == ("upper", True)
    assert sq.high90 < 0.01
    assert 0 < done.texture.noise_floor_mm < 0.01
