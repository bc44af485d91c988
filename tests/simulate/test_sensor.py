"""The sensor chain: known tone, noise and blur in, the same out; files carry what phones write."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest
from PIL import Image

from assessor.simulate.sensor import SensorRecipe, Shot, develop, encode

CLEAN = SensorRecipe(psf_px=0.0, exposure=1.0, snr_db=200.0, sharpen=0.0, vignette=0.0)
SHOT = Shot(focal_px=2900.0, width_px=4000, height_px=3000, taken_at="2026:03:02 10:00:05")


def _grey(level: float, shape: tuple[int, int] = (96, 128)) -> np.ndarray:
    return np.full((*shape, 3), level, np.float32)


@pytest.mark.parametrize(("linear", "byte"), [(0.0, 0), (0.2140, 127), (0.5, 188), (1.0, 255), (3.0, 255)])
def test_srgb_bytes(linear: float, byte: int) -> None:
    # IEC 61966-2-1: linear 0.5 is byte 188, byte 127 is linear 0.2122 to 0.2159.
    assert np.abs(develop(_grey(linear), CLEAN, np.random.default_rng(0)).astype(int) - byte).max() <= 1


def test_noise_is_36_db_at_a_fifth() -> None:
    recipe = SensorRecipe(psf_px=0.0, exposure=1.0, snr_db=36.0, sharpen=0.0, vignette=0.0)
    photo = develop(_grey(0.2, (400, 600)), recipe, np.random.default_rng(1)).astype(float) / 255
    linear = ((photo + 0.055) / 1.055) ** 2.4
    sd = linear.std(axis=(0, 1)).mean()
    assert 20 * np.log10(0.2 / sd) == pytest.approx(36.0, abs=1.0)
    quiet = linear[..., 1] - cv2.GaussianBlur(linear[..., 1], (0, 0), 8)
    assert 0.1 < (quiet[:, 1:] * quiet[:, :-1]).mean() / quiet.var() < 0.5  # demosaicing left it soft


@pytest.mark.parametrize(
    ("fault", "axis"), [({"motion_px": 6.0, "motion_deg": 0.0}, 1), ({"defocus_px": 4.0}, 0)]
)
def test_blur_widens_an_edge_and_keeps_its_place(fault: dict[str, float], axis: int) -> None:
    edge = _grey(0.05, (64, 64))
    edge[:, 32:] = 0.6
    if axis == 0:
        edge = np.ascontiguousarray(edge.transpose(1, 0, 2))
    recipe = SensorRecipe(psf_px=0.3, exposure=1.0, snr_db=200.0, sharpen=0.0, vignette=0.0, **fault)
    photo = develop(edge, recipe, np.random.default_rng(0)).astype(float) / 255
    linear = ((photo[..., 1] + 0.055) / 1.055) ** 2.4
    profile = (linear.mean(1 - axis) - 0.05) / 0.55
    # Sides of the picture reflect, so the middle decides.
    middle = profile[16:48]
    crossing = np.interp(0.5, middle, np.arange(16, 48))
    width = np.interp(0.9, middle, np.arange(16, 48)) - np.interp(0.1, middle, np.arange(16, 48))
    assert crossing == pytest.approx(31.5, abs=0.1)
    # A box of 6 px passes 10-90 % in 4.8 px; a disc of radius 4 px in 5.5 px.
    assert width == pytest.approx(4.8 if axis == 1 else 5.5, abs=0.5)


@pytest.mark.parametrize("file_format", ["jpg", "png", "heic"])
def test_files_open_and_carry_exif(file_format: str) -> None:
    import pillow_heif  # noqa: PLC0415

    pillow_heif.register_heif_opener()
    photo = develop(_grey(0.4), CLEAN, np.random.default_rng(0))
    data = encode(photo, SHOT, SensorRecipe(file_format=file_format))
    with Image.open(io.BytesIO(data)) as image:
        assert image.size == (128, 96)
        assert np.abs(np.asarray(image.convert("RGB")).astype(int) - photo).max() <= 4
        exif = image.getexif()
        inner = exif.get_ifd(0x8769)
    assert (exif[0x010F], exif[0x0112]) == ("Rendered", 1)
    # 2900 px on a 5000 px diagonal is 25.1 mm on 43.27 mm.
    assert inner[0xA405] == 25
    assert inner[0x9003] == "2026:03:02 10:00:05"
    assert float(inner[0x829A]) == pytest.approx(1 / 120, rel=1e-3)


def test_unknown_format_is_refused() -> None:
    with pytest.raises(ValueError, match="file_format must be jpg, png or heic"):
        encode(np.zeros((4, 4, 3), np.uint8), SHOT, SensorRecipe(file_format="bmp"))
