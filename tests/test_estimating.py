"""Photos too few to measure: which become an estimate, what that carries, and that it never looks measured.

The model is a stand-in here; everything up to what it is shown and after what it says is real.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import pytest

from assessor import estimating
from assessor.card.find import find_card
from assessor.card.layout import card_layout
from assessor.errors import CardNotFound, KindUnclear, LensSwitched, NotAnImage, SpotsDiffer, TooFewPhotos
from assessor.estimating import texture_of
from assessor.grading.suggest import SuggestSettings, _log_amplitude
from assessor.grading.words import say_measure
from assessor.texture.estimate import EstimateSettings
from assessor.texture.look import Look
from assessor.values import CaptureResult, Direction, Estimate, Kind, Photo, TargetRange
from assessor.values.estimate import Form
from tests.fakes import fake_estimate
from tests.test_pipeline import assess, cardless, photos
from tests.test_pipeline_torch import assess as assess_torch
from tests.test_pipeline_torch import decoded, shot


class Model:
    """Stands in for the learned model: keeps what it was shown, pairs looks as the real one is said to."""

    def __init__(self) -> None:
        self.looks: tuple[Look, ...] = ()
        self.abstained: tuple[str, ...] = ()

    def __call__(self, looks: Sequence[Look], settings: EstimateSettings) -> Estimate:
        self.looks = tuple(looks)
        towards = [look.azimuth_deg for look in looks]
        known = all(toward is not None for toward in towards)
        opposite = len(looks) == 2 and known and math.cos(math.radians(towards[0] - towards[1])) < -0.5  # type: ignore[operator]
        return replace(
            fake_estimate("pair" if opposite and settings.pair else "single"),
            photo_names=tuple(look.name for look in looks), light_known=known, abstained=self.abstained,
        )  # fmt: skip


@pytest.fixture
def model(monkeypatch: pytest.MonkeyPatch) -> Model:
    fake = Model()
    monkeypatch.setattr(estimating, "estimate_texture", fake)
    return fake


def test_one_photo_is_estimated_and_says_so(model: Model) -> None:
    result = assess(list(photos()[:1]), TargetRange(3, 5))
    assert (result.kind, result.heights, result.rectified) == ("single", None, ())
    assert result.estimate is not None
    assert [look.name for look in model.looks] == [photos()[0].name]
    (sq,) = result.texture.quantities
    assert (sq.name, sq.estimated, sq.band) == ("Sq", True, result.estimate.band)
    assert "not measured" in sq.method
    assert sq.low90 < sq.value < sq.high90
    assert result.suggestion.reasons[0].startswith("By estimate, not measured: most likely CSP")
    assert "Estimated from one photo, not measured" in result.suggestion.reasons[1]
    assert result.suggestion.narrows is not None
    assert "second phone's light" in result.suggestion.narrows
    assert result.suggestion.verdict is not None
    assert result.suggestion.verdict.sentence.startswith("By estimate")
    assert (
        "few-photos" not in result.flags
    )  # one photo was all that was taken: the result says estimate anyway
    assert not {"hard-shadow", "light-uneven", "photos-dropped"} & set(result.flags)


def test_the_model_is_shown_the_window_as_reflectance_over_the_paper(model: Model) -> None:
    assess(list(photos()[:1]))
    (look,) = model.looks
    assert look.log_rgb.shape[0] == look.log_rgb.shape[1]
    level = np.exp(look.log_rgb).mean()
    assert 0.15 < level < 0.7  # concrete beside white paper
    assert look.clipped < 0.01
    assert look.lighting is not None and not look.lighting.lights  # overcast: no shadow has a direction


def with_tabs_down(photo: Photo, names: Sequence[str]) -> Photo:
    """The photo with white paper where these tabs were cut out."""
    px_from_mm, picture = np.asarray(find_card(photo).px_from_mm), photo.rgb_u8.copy()
    for tab in card_layout(0).tabs:
        if tab.name in names:
            corners = np.column_stack([np.array([*tab.base_mm, tab.tip_flat_mm]), np.ones(3)]) @ px_from_mm.T
            beside = np.append(np.array(tab.base_mm).mean(0) * 1.12, 1.0) @ px_from_mm.T
            x, y = np.rint(beside[:2] / beside[2]).astype(int)
            white = np.percentile(picture[y - 40 : y + 40, x - 40 : x + 40].reshape(-1, 3), 90, axis=0)
            points = np.rint(corners[:, :2] / corners[:, 2:]).astype(np.int32)
            cv2.fillConvexPoly(picture, points, white.tolist())
    return replace(photo, rgb_u8=picture)


def test_tabs_left_down_are_no_overcast_sky(model: Model) -> None:
    names = [tab.name for tab in card_layout(0).tabs]
    result = assess([with_tabs_down(photos()[0], names)])
    assert model.looks[0].lighting is None
    assert "light-unread" in result.flags
    assess([with_tabs_down(photos()[0], names[:1])])  # one torn off leaves three that tell
    assert model.looks[0].lighting is not None


def test_every_stage_of_an_estimate_is_timed(model: Model) -> None:
    ticks = iter(range(1000))
    result = assess(list(photos()[:1]), clock=lambda: float(next(ticks)))
    assert set(result.seconds) == {
        "find", "cameras", "kinds", "tone", "light", "look", "estimate", "suggest", "gloss", "patches",
        "aggregate",
    }  # fmt: skip


def test_photos_left_of_a_capture_are_estimated_each_by_itself(model: Model) -> None:
    wide = replace(photos()[1], name="near.jpg", exif=replace(photos()[1].exif, focal_35mm=13.0))
    result = assess([photos()[0], wide, cardless(), *photos()[2:]])
    assert result.kind == "single"
    assert [look.name for look in model.looks] == [p.name for k, p in enumerate(photos()) if k != 1]
    assert {"few-photos", "photos-dropped", "light-unread"} <= set(result.flags)
    assert {type(error) for error in result.refused} == {LensSwitched, CardNotFound}
    assert len(result.lightings) == len(result.photos) == 3


def test_no_usable_photo_is_refused_as_ever(model: Model) -> None:
    lost = NotAnImage("the file holds no photo", file="notes.txt")
    for kind in (None, "single", "torch"):
        with pytest.raises(
            TooFewPhotos, match=r"^0 photos are usable .*notes\.txt: .*floor\.jpg: "
        ) as caught:
            assess([cardless()], refused=(lost,), kind=kind)
        assert len(caught.value.refused) == 2


@pytest.mark.parametrize("kind", ["angles", "fused"])
def test_who_asks_for_a_kind_that_measures_gets_no_estimate(kind: Kind) -> None:
    with pytest.raises(TooFewPhotos, match="3 photos are usable of the 4 needed"):
        assess(list(photos()[:3]), kind=kind)


def test_four_photos_are_only_estimated_when_asked(model: Model) -> None:
    result = assess(list(photos()), kind="single")
    assert (result.kind, len(model.looks), result.heights) == ("single", 4, None)
    assert "few-photos" not in result.flags
    with pytest.raises(KindUnclear):
        assess(list(photos()), kind="fused")


def opposite() -> list[Photo]:
    """Two photos of one window from one place, the torch on opposite sides."""
    every = decoded(shot())
    return [every[0], every[4]]


def pair(given: list[Photo], kind: Kind | None = None) -> CaptureResult:
    return assess_torch(given, kind)


def test_two_photos_with_the_torch_on_opposite_sides_are_a_pair(model: Model) -> None:
    result = pair(opposite())
    assert (result.kind, result.heights) == ("torch", None)
    assert result.estimate is not None and result.estimate.form == "pair"
    first, second = (look.azimuth_deg for look in model.looks)
    assert first is not None and second is not None
    assert abs((first - second) % 360 - 180) < 25
    true = shot().recipe.torch
    assert true is not None
    assert all(
        look.lighting is not None and true.elevation_deg[0] - 1 < look.lighting.lights[0].elevation_deg < 40
        for look in model.looks
    )
    assert {"few-photos", "light-unread"}.isdisjoint(result.flags)
    assert result.suggestion.narrows is not None and result.suggestion.narrows.startswith("Measure it with")


def test_a_third_photo_without_torch_is_left_out_of_the_pair(model: Model) -> None:
    dark = decoded(shot())[8]
    first, second = opposite()
    result = pair([first, dark, second])
    assert result.kind == "torch"
    assert [photo.name for photo in result.photos] == [first.name, second.name]


def test_asked_for_single_no_two_are_paired(model: Model) -> None:
    result = pair(opposite(), "single")
    assert (result.kind, len(model.looks)) == ("single", 2)


def test_asked_for_torch_two_photos_are_the_pair_and_one_is_an_estimate(model: Model) -> None:
    assert pair(opposite(), "torch").kind == "torch"
    result = pair(opposite()[:1], "torch")
    assert result.kind == "single"


def test_photos_of_different_spots_are_refused_and_named(model: Model) -> None:
    """The same photo with its window cut out and turned round: another floor under the same card and light."""
    first, second = photos()[:2]
    assert assess([first, second]).kind == "single"
    px_from_mm = np.asarray(find_card(first).px_from_mm)
    turn = px_from_mm @ np.diag([-1.0, -1.0, 1.0]) @ np.linalg.inv(px_from_mm)
    window = np.array([[-58, -58, 1], [58, -58, 1], [58, 58, 1], [-58, 58, 1]]) @ px_from_mm.T
    mask = np.zeros(first.rgb_u8.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.rint(window[:, :2] / window[:, 2:]).astype(np.int32), 1)
    turned = cv2.warpPerspective(first.rgb_u8, turn, first.size_px)
    picture = np.where(mask[..., None] > 0, turned, first.rgb_u8).astype(np.uint8)
    with pytest.raises(
        SpotsDiffer, match=r"^next\.jpg: the floor is another one than in spot-1\.jpg; put the photos"
    ):
        assess([first, replace(first, name="next.jpg", rgb_u8=picture)])


@pytest.mark.parametrize("code", ["estimate-wide", "estimate-strange", "light-along-lay"])
def test_a_model_that_abstains_gives_no_number_and_names_the_photos_to_take(model: Model, code: str) -> None:
    model.abstained = (code,)
    result = assess(list(photos()[:1]), TargetRange(3, 5))
    assert result.texture.quantities == ()
    assert code in result.flags
    suggestion = result.suggestion
    assert suggestion.best is None
    assert suggestion.abstained_because is not None
    assert suggestion.abstained_because.startswith("Can't tell from this photo: ")
    assert suggestion.set90 == suggestion.grades
    assert suggestion.narrows is not None
    pair_at, sides_at = (suggestion.narrows.index(word) for word in ("opposite side", "four photos"))
    assert pair_at < sides_at < suggestion.narrows.index("eight sides")
    assert suggestion.verdict is not None and suggestion.verdict.call == "shot"


def test_the_number_weighs_with_the_width_that_the_model_gave() -> None:
    for half90 in (0.3, 0.9, 1.5):
        estimate = replace(fake_estimate(), half90=half90)
        (sq,) = texture_of(estimate, ()).quantities
        log_value, log_sd = _log_amplitude(sq, SuggestSettings())
        assert log_value == pytest.approx(math.log(estimate.sq_mm))
        assert log_sd == pytest.approx(estimate.log_sd, rel=1e-9)
        assert math.log2(sq.high90 / sq.value) == pytest.approx(half90)
        assert math.log2(sq.value / sq.low90) == pytest.approx(half90)


def test_the_texture_of_an_estimate_keeps_lay_band_and_what_was_burnt_out() -> None:
    estimate = replace(fake_estimate(), direction=Direction(30.0, 5.0, 0.7))
    texture = texture_of(estimate, ())
    assert texture.direction.lay_deg == 30.0
    assert texture.noise_band == estimate.band
    assert math.isnan(texture.noise_floor_mm)
    assert texture.valid_fraction == 1.0


@pytest.mark.parametrize("form", ["single", "pair"])
def test_ridges_along_the_light_ask_for_light_across_them(form: Form) -> None:
    estimate = fake_estimate(form)
    assert "across the lines" not in say_measure(estimate, torch_available=True)
    assert "across the lines" in say_measure(replace(estimate, along=True), torch_available=True)
