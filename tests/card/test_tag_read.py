"""Tags read in photos: flat ones made here, and a rendered capture with torch light and a low photo."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from assessor.card.decode import decode_photo
from assessor.card.find import find_card
from assessor.card.linear import bytes_from_linear
from assessor.card.tag import Tag, tag_text
from assessor.card.tag_read import TagOutcome, TagSighting, judge_tags, read_tags
from assessor.simulate.capture import render_capture
from assessor.simulate.light import LightRecipe
from assessor.simulate.tag import LEVEL_MM, LaidTag, beside, lay_tags
from assessor.simulate.tag_catalogue import paper_corners_mm, plan_tags
from assessor.values import CardSighting, Exif, FloatArray, Photo
from tests.card.photos import Scene, camera_of, linear_image

TAG, OTHER = Tag("K7QX", 3, 7, "after"), Tag("K7QX", 12, 99, "before", 2)
HALF = (105.0, 148.5)
SCENE = Scene(distance_mm=420.0, size_px=(2000, 1500), tilt_deg=8.0, azimuth_deg=30.0, supersample=1)


@cache
def plain() -> FloatArray:
    return np.repeat(linear_image(SCENE)[..., None], 3, axis=2)


@cache
def card() -> CardSighting:
    return find_card(photo_with())


def photo_with(*tags: LaidTag, blur_px: float = 0.6, seed: int = 3) -> Photo:
    """The scene with tags beside its card."""
    image = plain().copy()
    lay_tags(image, camera_of(SCENE), tags, LightRecipe())
    image = cv2.GaussianBlur(image, (0, 0), blur_px)
    image += np.float32(0.004) * np.random.default_rng(seed).standard_normal(image.shape, np.float32)
    data = cv2.imencode(".jpg", bytes_from_linear(np.clip(image, 0, 1)), [cv2.IMWRITE_JPEG_QUALITY, 80])[1]
    return Photo("a.jpg", np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8), Exif(), "0" * 64)


def laid(
    side: str, along_mm: float, tag: Tag = TAG, *, turn_deg: float = 0.0, gap_mm: float = 3.0
) -> LaidTag:
    x, y, turn = beside(side, along_mm, gap_mm, HALF)
    return LaidTag(tag, (x, y), turn + turn_deg)


@pytest.mark.parametrize(
    ("side", "along_mm", "turn_deg", "gap_mm"),
    [("top", 40.0, 0.0, 0.0), ("right", -90.0, 0.0, 8.0), ("bottom", -50.0, 180.0, 3.0), ("left", 60.0, 90.0, 20.0),
     ("top", -100.0, 37.0, 10.0), ("right", 130.0, 211.0, 12.0)],
)  # fmt: skip
def test_a_tag_is_read_on_any_side_and_at_any_turn(
    side: str, along_mm: float, turn_deg: float, gap_mm: float
) -> None:
    lying = laid(side, along_mm, turn_deg=turn_deg, gap_mm=gap_mm)
    (seen,) = read_tags(photo_with(lying), card())
    assert (seen.tag, seen.text, seen.problem) == (TAG, tag_text(TAG), "")
    out = max(abs(lying.at_mm[0]) - HALF[0], abs(lying.at_mm[1]) - HALF[1])
    assert seen.off_card_mm == pytest.approx(out, abs=18)  # of the code, whose middle is 14 mm off the tag's
    assert judge_tags((seen,), "K7QX") == TagOutcome("tag", TAG, "The tag says Z03-S07-after-r1.")


def test_a_tag_needs_no_card_in_the_photo() -> None:
    (seen,) = read_tags(photo_with(laid("left", 0.0)))
    assert (seen.tag, seen.off_card_mm) == (TAG, None)
    assert judge_tags((seen,), "K7QX").said == "tag"


def test_no_tag_is_said_and_not_guessed() -> None:
    assert read_tags(photo_with(), card()) == ()
    assert judge_tags(()) == TagOutcome("none", None, "No tag lies beside the card.")


def test_two_tags_are_both_told_and_neither_is_chosen() -> None:
    seen = read_tags(photo_with(laid("left", 0.0), laid("right", 20.0, OTHER)), card())
    assert {one.tag for one in seen} == {TAG, OTHER}
    outcome = judge_tags(seen, "K7QX")
    assert (outcome.said, outcome.tag) == ("several", None)
    assert "Z03-S07-after-r1" in outcome.sentence and "Z12-S99-before-r2" in outcome.sentence


def test_one_tag_printed_twice_is_one() -> None:
    seen = read_tags(photo_with(laid("left", 0.0), laid("right", 20.0)), card())
    assert [one.tag for one in seen] == [TAG]


def test_a_tag_of_another_job_is_not_filed_here() -> None:
    seen = read_tags(photo_with(laid("top", 0.0)), card())
    outcome = judge_tags(seen, "R2D9")
    assert (outcome.said, outcome.tag) == ("other-job", TAG)
    assert outcome.sentence == "The tag is of job K7QX, not of R2D9: Z03-S07-after-r1."
    assert judge_tags(seen).said == "tag"


def test_a_scratch_that_the_code_mends_does_no_harm_and_a_worse_one_is_told() -> None:
    (seen,) = read_tags(photo_with(replace(laid("left", 0.0), scratched=0.02)), card())
    assert seen.tag == TAG
    worse = [
        read_tags(photo_with(replace(laid("left", 0.0), scratched=0.12), seed=k), card()) for k in (1, 2)
    ]
    assert all(judge_tags(one).said == "unreadable" and judge_tags(one).tag is None for one in worse)


def test_codes_of_others_are_no_tag() -> None:
    foreign = TagSighting(
        "https://example.org", None, "the code 'https://example.org' is no tag", (5.0, 5.0), 20.0
    )
    outcome = judge_tags((foreign,), "K7QX")
    assert (outcome.said, outcome.tag) == ("unreadable", None)
    assert "no tag" in outcome.sentence
    ours = TagSighting(tag_text(TAG), TAG, "", (50.0, 5.0), 10.0)
    assert judge_tags((ours, foreign), "K7QX").tag == TAG


def test_a_tag_far_from_the_card_is_another_spots() -> None:
    far = TagSighting(tag_text(OTHER), OTHER, "", (5.0, 5.0), 260.0)
    near = TagSighting(tag_text(TAG), TAG, "", (50.0, 5.0), 10.0)
    assert judge_tags((near, far)).tag == TAG
    alone = judge_tags((far,))
    assert (alone.said, alone.tag) == ("far", None)
    assert "260 mm from the card" in alone.sentence


def test_a_soft_photo_is_read_on_the_second_try() -> None:
    """Blur of more than half a module hides the code as it is; flat and sharpened it is there."""
    photo = photo_with(laid("right", 0.0), blur_px=2.2)
    assert [one.tag for one in read_tags(photo)] in ([], [None])
    assert [one.tag for one in read_tags(photo, card())] == [TAG]


@pytest.mark.slow
def test_tags_in_rendered_photos_under_a_torch_and_from_low_down() -> None:
    plans = [
        plan for plan in plan_tags(30, 5) if plan.recipe.light.kind == "torch" and plan.case in ("one", "two")
    ]
    plan = plans[0]
    sensor = replace(plan.recipe.sensor, defocus_px=0.0)
    capture = render_capture(replace(plan.recipe, sensor=sensor, distance_mm=(400.0, 440.0)))
    laid_tags = {one.tag for one in plan.recipe.tags}
    for (name, data), camera in zip(capture.photos.items(), capture.cameras, strict=True):
        photo = decode_photo(data, name)
        seen = {one.tag for one in read_tags(photo, find_card(photo)) if one.tag is not None}
        corners = [np.column_stack([paper_corners_mm(one), np.full(4, LEVEL_MM)]) for one in plan.recipe.tags]
        pixels = camera.project(np.concatenate(corners))
        assert ((pixels > 0) & (pixels < np.array(photo.size_px) - 1)).all(), "a tag is cut by the frame"
        assert seen <= laid_tags
        assert seen == laid_tags or name.endswith("-3.jpg")  # the low one may miss
