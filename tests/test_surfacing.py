"""What a spot's photos show beside texture: a damp floor, light that moved, photos too low for anything but shine."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from assessor import intake
from assessor.errors import TooFewPhotos
from assessor.surfacing import floor_state, light_differs
from assessor.values import PATCH_KINDS, FloorImage, Patch, Patches
from tests.test_estimating import photos
from tests.test_pipeline import HALF_SIZE


def patches(kind: str, area_mm2: float) -> Patches:
    chances = tuple(1.0 if name == kind else 0.0 for name in PATCH_KINDS)
    square = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
    one = Patch(square, area_mm2, 1.0, 0.0, "dark", -0.4, 0.01, chances, "damp", 0.9, (), "dry-reshoot")
    return Patches((one,), 12000.0, "cannot-tell", "", "", ("a.jpg",))


@pytest.mark.parametrize(
    ("told", "kind", "area_mm2", "state"),
    [
        ("damp", "oil", 10.0, "told-damp"), ("", "damp", 6000.0, "looks-damp"), ("dry", "damp", 6000.0, "looks-damp"),
        ("dry", "damp", 500.0, "told-dry"), ("", "oil", 6000.0, "not-told"),
    ],
)  # fmt: skip
def test_a_damp_floor_is_told_or_seen(told: str, kind: str, area_mm2: float, state: str) -> None:
    assert floor_state(patches(kind, area_mm2), told) == state


def test_light_that_moved_is_seen_and_colour_is_not_light() -> None:
    rng = np.random.default_rng(4)
    colour = rng.uniform(0.1, 0.5, (112, 112, 1)) * np.ones(3)
    shade = np.where(np.arange(112) > 60, 0.6, 1.0)[None, :, None]

    def view(field: np.ndarray) -> FloorImage:
        return FloorImage("x", np.asarray(field, np.float32), np.ones((112, 112), bool), 1.0, -56, 56)

    assert not light_differs([view(colour), view(1.3 * colour)], 0.08)
    assert light_differs([view(colour), view(shade * colour)], 0.08)


def test_a_low_photo_only_shows_shine_and_alone_it_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    found = intake.find_card

    def tilted(photo, settings):  # type: ignore[no-untyped-def]
        sighting = found(photo, settings)
        return replace(sighting, tilt_deg=55.0) if photo.name == "low.jpg" else sighting

    monkeypatch.setattr(intake, "find_card", tilted)
    one, low = photos()[0], replace(photos()[1], name="low.jpg")
    taken = intake.find_all([one, low], HALF_SIZE, (), None)
    assert [f.photo.name for f in taken.found] == [one.name]
    assert [f.photo.name for f in taken.low] == ["low.jpg"]
    with pytest.raises(TooFewPhotos, match="shows shine but nothing else"):
        intake.find_all([low], HALF_SIZE, (), None)
