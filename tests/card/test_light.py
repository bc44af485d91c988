"""Light that stayed, light that moved."""

from __future__ import annotations

import numpy as np
import pytest

from assessor.card.light import LightSettings, check_light
from assessor.card.white import white_basis
from assessor.errors import LightMoved
from assessor.values import Exif, FloatArray, Rectified


def photo(
    name: str, slope: tuple[float, float] = (0.0, 0.0), *, level: float = 0.0, spread: float = 0.01
) -> Rectified:
    """A photo whose log paper white falls by `slope` per 100 mm along x and y."""
    fit = np.zeros((6, 3))
    fit[0] = level
    fit[1], fit[2] = slope[0], slope[1]
    x, y = np.meshgrid([-98.0, 98.0], [-131.0, 131.0])
    field: FloatArray = np.tensordot(fit[:, 1], white_basis(x, y), axes=1)
    return Rectified(
        name, np.ones((4, 6, 3), np.float32), np.ones((4, 6), bool), 4.0, -0.75, 0.5,
        float(np.exp(np.ptp(field)) - 1), spread, fit,
    )  # fmt: skip


QUIET = [Exif(flash_fired=False), Exif(), Exif(), Exif(flash_fired=False)]


def four(last: Rectified) -> list[Rectified]:
    return [photo("a"), photo("b"), photo("c"), last]


def test_steady_light_has_no_flag() -> None:
    assert check_light(four(photo("d")), QUIET) == ()


def test_exposure_may_differ() -> None:
    assert check_light(four(photo("d", level=-0.7)), QUIET) == ()


def test_a_slope_that_all_photos_share_is_no_change() -> None:
    same = [photo(n, (0.15, -0.05)) for n in "abcd"]
    assert check_light(same, QUIET) == ()


def test_flash_is_refused_by_name() -> None:
    fired = [Exif(), Exif(flash_fired=True), Exif(), Exif()]
    with pytest.raises(LightMoved, match=r"^b: the flash fired; switch the flash off, keep lamps"):
        check_light(four(photo("d")), fired)


def test_changed_fall_off_is_refused_with_its_amount() -> None:
    # 0.3 per 100 mm over +-80 mm: exp(0.24) - 1 = 27 % at the rim is allowed, 0.4 gives exp(0.32) - 1 = 38 %.
    check_light(four(photo("d", (0.3, 0.0))), QUIET)
    with pytest.raises(
        LightMoved, match=r"^a, b, c, d: the light on the paper changed by 38% over the sheet"
    ):
        check_light(four(photo("d", (0.4, 0.0))), QUIET)


def test_small_change_is_flagged() -> None:
    assert check_light(four(photo("d", (0.0, 0.08))), QUIET) == ()  # exp(0.088) - 1 = 9 %
    assert check_light(four(photo("d", (0.0, 0.15))), QUIET) == ("light-changed",)  # exp(0.165) - 1 = 18 %


def test_uneven_light_and_hard_shadow_are_flagged() -> None:
    steep = [photo(n, (0.25, 0.2), spread=0.08) for n in "abcd"]
    assert check_light(steep, QUIET) == ("light-uneven", "hard-shadow")


def test_limits_are_settings() -> None:
    with pytest.raises(LightMoved, match="at most 5% can be used"):
        check_light(four(photo("d", (0.1, 0.0))), QUIET, LightSettings(max_change=0.05))
