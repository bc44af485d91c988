"""Which photos are torch photos: made-up paper light and cameras."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from assessor.card.kinds import tell_kinds, tell_pair
from assessor.errors import KindUnclear
from assessor.values import Camera, Exif, FloatArray

EXIF = Exif(exposure_s=0.01, iso=100.0)


def light(azimuth_deg: float | None, share: float = 0.8, level: float = 0.5) -> FloatArray:
    """Log of the white: even, or lit from one side; ambient light stays."""
    fit = np.zeros((6, 3))
    fit[0] = np.log(level)
    if azimuth_deg is not None:
        turn = np.deg2rad(azimuth_deg)
        fit[0] += np.log(1 / (1 - share))
        fit[1], fit[2] = 0.7 * share * np.cos(turn), 0.7 * share * np.sin(turn)
    return fit


def camera(tilt_deg: float, azimuth_deg: float, k: int) -> Camera:
    lean, turn = np.tan(np.deg2rad(tilt_deg)), np.deg2rad(azimuth_deg)
    place = 340.0 * np.array([lean * np.cos(turn), lean * np.sin(turn), 1.0])
    down = np.diag([1.0, -1.0, -1.0])
    return Camera(f"{k}.jpg", 2900.0, (2000.0, 1500.0), 0.0, 0.0, down, -down @ place)


TORCH = [light(45.0 * k) for k in range(8)]
SIDES = [camera(15.0, 90.0 * k, k) for k in range(4)]


def above(n: int) -> list[Camera]:
    return [camera(2.0, 77.0 * k, k) for k in range(n)]


def exifs(n: int) -> Sequence[Exif]:
    return [EXIF] * n


def test_eight_sides_and_a_dark_photo() -> None:
    kinds = tell_kinds([*TORCH[:5], light(None), *TORCH[5:]], above(9), exifs(9))
    assert (kinds.kind, kinds.dark) == ("torch", 5)
    assert kinds.torch == (0, 1, 2, 3, 4, 6, 7, 8)


def test_without_a_dark_photo_all_are_torch_photos() -> None:
    kinds = tell_kinds(TORCH, above(8), exifs(8))
    assert (kinds.kind, kinds.dark, len(kinds.torch)) == ("torch", None, 8)


def test_four_sides_in_one_light_are_angles() -> None:
    assert tell_kinds([light(None)] * 4, SIDES, exifs(4)).kind == "angles"


def test_one_photo_with_another_light_is_a_slip_not_a_torch() -> None:
    kinds = tell_kinds([light(None), light(None), light(None), light(90.0)], SIDES, exifs(4))
    assert kinds.kind == "angles"


def test_both_kinds_of_one_spot() -> None:
    whites = [*[light(None)] * 4, *TORCH, light(None)]
    kinds = tell_kinds(whites, [*SIDES, *above(9)], exifs(13))
    assert kinds.kind == "fused"
    assert kinds.angles == (0, 1, 2, 3)
    assert kinds.dark == 12
    assert kinds.torch == tuple(range(4, 12))


def test_an_angles_photo_stands_in_for_a_missing_dark_one() -> None:
    kinds = tell_kinds([*[light(None)] * 4, *TORCH], [*SIDES, *above(8)], exifs(12))
    assert kinds.kind == "fused"
    assert kinds.dark in kinds.angles
    assert len(kinds.angles) == 4


def test_a_weak_torch_is_still_one() -> None:
    whites = [light(45.0 * k, share=0.25) for k in range(8)] + [light(None)]
    kinds = tell_kinds(whites, above(9), exifs(9))
    assert (kinds.kind, kinds.dark) == ("torch", 8)


def test_what_is_asked_for_goes_before_what_is_seen() -> None:
    whites = [*[light(None)] * 4, *TORCH, light(None)]
    cameras = [*SIDES, *above(9)]
    assert tell_kinds(whites, cameras, exifs(13), "torch").kind == "torch"
    kinds = tell_kinds(whites, cameras, exifs(13), "angles")
    assert (kinds.kind, kinds.angles, kinds.torch) == ("angles", (0, 1, 2, 3, 12), ())
    with pytest.raises(KindUnclear, match="torch"):
        tell_kinds([light(None)] * 4, SIDES, exifs(4), "fused")


def test_a_torch_on_two_sides_of_a_still_phone_is_a_pair() -> None:
    assert tell_pair([light(0.0), light(180.0)], above(2)) == (0, 1)
    assert tell_pair([light(20.0), light(None), light(190.0)], above(3)) == (
        0,
        2,
    )  # the one without torch is left


def test_of_three_sides_the_two_most_unlike_are_the_pair() -> None:
    assert tell_pair([light(0.0), light(60.0), light(170.0)], above(3)) == (0, 2)


@pytest.mark.parametrize(
    ("whites", "cameras"),
    [([light(0.0), light(180.0)], SIDES[:2]), ([light(None)] * 3, above(3)), ([light(40.0), light(45.0)], above(2)),
     ([light(0.0)], above(1))],
    ids=["phone moved", "same light", "torch hardly moved", "one photo"],
)  # fmt: skip
def test_no_pair_without_still_phone_and_moved_torch(whites: list[FloatArray], cameras: list[Camera]) -> None:
    assert tell_pair(whites, cameras) is None
