"""The learned estimate as a stage: which photos go together, what is claimed, and what a broken model says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from assessor.errors import ModelUnusable
from assessor.texture import estimate as stage
from assessor.texture import model as models
from assessor.texture.estimate import EstimateSettings, estimate_texture, opposite
from assessor.texture.look import SIDE_PX, Look
from assessor.texture.model import Calibration, Model, Said, load_model
from assessor.values import Band, FloatArray, Light, Lighting

PLAIN = Calibration({"lit": 2.0, "unseen": 3.0, "unread": 4.0}, 0.0, 1.0, 0.0, 10.0, 0.2, 8.0)


def look(name: str, azimuth_deg: float | None, elevation_deg: float = 25.0, *, read: bool = True) -> Look:
    lights: tuple[Light, ...] = ()
    if azimuth_deg is not None:
        lights = (Light(azimuth_deg, elevation_deg, 1.0, 0.5, 0.8, 0.02, 0.5, 0.2, None, ("a", "b")),)
    picture = np.random.default_rng(len(name)).normal(-1.2, 0.05, (SIDE_PX, SIDE_PX, 3)).astype(np.float32)
    return Look(name, picture, Lighting(lights, None, None, "test") if read else None, 0.1, 8.0, (0, 0), 0.0)


class Scripted:
    """A session that says what it is told to, in turn."""

    def __init__(self, *said: Said) -> None:
        self.said, self.asked = list(said), []

    def run(self, _: list[str], given: dict[str, FloatArray]) -> list[FloatArray]:
        self.asked.append(given)
        one = self.said[(len(self.asked) - 1) % len(self.said)]
        return [np.array([[one.log2_sq, one.sd]]), np.array([one.lay]), np.array([one.distance])]


def scripted(monkeypatch: pytest.MonkeyPatch, *said: Said) -> Scripted:
    session = Scripted(*said)
    monkeypatch.setattr(stage, "load_model", lambda name: Model(name, name, Band(0.8, 25.0), PLAIN, session))
    return session


def test_torches_on_opposite_sides_go_together(monkeypatch: pytest.MonkeyPatch) -> None:
    session = scripted(monkeypatch, Said(-3.0, 0.2, (0.0, 0.0), 1.0), Said(-2.8, 0.3, (0.0, 0.0), 2.0))
    said = estimate_texture([look("a", 20), look("bb", 190)])
    assert said.form == "pair" and said.model == "two-photos"
    assert len(session.asked) == 2 and session.asked[0]["image"].shape == (1, 2, SIDE_PX, SIDE_PX)
    assert said.log2_sq == pytest.approx(-2.9)
    assert said.half90 == pytest.approx(0.5) and said.strangeness == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (look("a", 20), look("b", 100)),  # not opposite
        (look("a", 20), look("b", 200, 75)),  # too high
        (look("a", 20), look("b", None)),  # no shadow
        (look("a", 20), look("b", 200, read=False)),  # not read
    ],
)
def test_other_photos_are_not_a_pair(first: Look, second: Look) -> None:
    assert not opposite(first, second, EstimateSettings())


def test_photos_by_themselves_give_the_middle_and_the_widest(monkeypatch: pytest.MonkeyPatch) -> None:
    scripted(
        monkeypatch, Said(-3.0, 0.2, (0, 0), 1.0), Said(-1.0, 0.3, (0, 0), 1.0), Said(-2.5, 0.5, (0, 0), 1.0)
    )
    said = estimate_texture([look("a", 10), look("b", 20), look("c", 30)])
    assert said.form == "single" and said.log2_sq == -2.5
    assert said.half90 == pytest.approx(1.5)  # the third photo's own 1.0 would not hold the second's -1.0


@pytest.mark.parametrize(
    ("azimuth_deg", "read", "half90"), [(10.0, True, 0.4), (None, True, 0.6), (None, False, 0.8)]
)
def test_the_width_goes_with_what_is_known_of_the_light(
    monkeypatch: pytest.MonkeyPatch, azimuth_deg: float | None, read: bool, half90: float
) -> None:
    scripted(monkeypatch, Said(-3.0, 0.2, (0, 0), 1.0))
    said = estimate_texture([look("a", azimuth_deg, read=read)])
    assert said.half90 == pytest.approx(half90) and said.light_known is read


def test_nothing_is_claimed_where_it_is_too_wide_or_strange(monkeypatch: pytest.MonkeyPatch) -> None:
    scripted(monkeypatch, Said(-3.0, 0.9, (0, 0), 20.0))
    said = estimate_texture([look("a", 10)])
    assert said.abstained == ("estimate-wide", "estimate-strange")


@pytest.mark.parametrize("azimuth_deg", [10.0, 100.0, 200.0, 350.0])
def test_the_lay_comes_back_in_the_card_frame(monkeypatch: pytest.MonkeyPatch, azimuth_deg: float) -> None:
    turns, mirror = stage.quarter_turns(azimuth_deg)
    turned = np.deg2rad(2 * (-(30.0 - 90 * turns) if mirror else 30.0 - 90 * turns))
    scripted(monkeypatch, Said(-3.0, 0.2, (0.5 * np.cos(turned), 0.5 * np.sin(turned)), 1.0))
    direction = estimate_texture([look("a", azimuth_deg)]).direction
    assert direction.lay_deg == pytest.approx(30.0, abs=1e-6) and direction.strength == pytest.approx(0.5)


def test_interval_and_deviation_agree() -> None:
    said = replace(estimate_texture([look("a", 10)]), log2_sq=-2.0, half90=1.0)  # with the packaged model
    low, high = said.interval_mm
    assert (low, said.sq_mm, high) == pytest.approx((0.125, 0.25, 0.5))
    assert said.log_sd * 1.6449 == pytest.approx(np.log(2), rel=1e-4)


def test_strangeness_widens_beyond_the_knee() -> None:
    calibration = replace(PLAIN, knee=0.5, slope=1.0, floor=0.3)
    assert calibration.half90(0.4, "lit", 0.4) == pytest.approx(1.0)
    assert calibration.half90(0.4, "lit", 1.0) == pytest.approx(1.5)


def test_an_unknown_model_says_so() -> None:
    with pytest.raises(ModelUnusable, match="there is no model 'nobody'"):
        load_model("nobody")


def test_a_broken_model_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "broken"
    folder.mkdir()
    (folder / "config.json").write_text('{"form": "single", "band_mm": [0.8, 25.0]}')
    (folder / "calibration.json").write_text("{}")
    monkeypatch.setattr(models, "PLACES", (tmp_path,))
    with pytest.raises(ModelUnusable, match="FileNotFoundError"):
        load_model("broken")


@pytest.mark.parametrize(("name", "form"), [("one-photo", "single"), ("two-photos", "pair")])
def test_packaged_models_load(name: str, form: str) -> None:
    model = load_model(name)
    assert model.form == form and model.band == Band(0.8, 25.0)
    assert model.title.startswith(name + " ")


@pytest.mark.parametrize(
    ("azimuth_deg", "strength", "hidden"),
    [(40.0, 0.1, True), (200.0, 0.1, True), (120.0, 0.6, False), (40.0, 0.03, False)],
)
def test_light_along_ridges_widens_and_says_so(
    monkeypatch: pytest.MonkeyPatch, azimuth_deg: float, strength: float, hidden: bool
) -> None:
    turns, mirror = stage.quarter_turns(azimuth_deg)
    angle = np.deg2rad(2 * (-(30.0 - 90 * turns) if mirror else 30.0 - 90 * turns))
    lay = (strength * np.cos(angle), strength * np.sin(angle))
    scripted(monkeypatch, Said(-3.0, 0.2, lay, 1.0), Said(-3.0, 0.5, lay, 1.0))
    sure, unsure = (estimate_texture([look("a", azimuth_deg)]) for _ in range(2))
    assert sure.along is hidden and sure.half90 == pytest.approx(0.8 if hidden else 0.4)
    assert sure.abstained == ()
    assert unsure.abstained == (("light-along-lay", "estimate-wide") if hidden else ())
