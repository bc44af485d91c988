"""The sensor chain: known tone, noise and blur in, the same out; files carry what phones write."""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image

from assessor.simulate.denoise import denoise
from assessor.simulate.files import MAIN_LENS, Shot, encode, zoom_in
from assessor.simulate.sensor import SensorRecipe, develop, tone_curve

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
    data = encode(photo, SHOT, file_format=file_format)
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


def _linear(photo: np.ndarray) -> np.ndarray:
    s = photo.astype(float) / 255
    return np.asarray(np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4))


def test_shading_darkens_what_is_far_from_its_own_centre() -> None:
    recipe = replace(CLEAN, shading=0.05, shading_centre=(0.2, 0.0), shading_rgb=(1.2, 1.0, 0.8))
    seen = _linear(develop(_grey(0.5, (600, 800)), recipe, np.random.default_rng(0))) / 0.5
    # Half a diagonal is 500 px: the centre lies at column 500, the middle of the left side 1.0 away (r = 1: all of
    # it), the right side 0.6 (0.6 x 0.36 + 0.4 x 0.1296 = 0.268 of it).
    blocks = [seen[290:310, 490:510], seen[290:310, 0:8], seen[290:310, 792:800]]
    middle, left, right = (block.mean((0, 1)) for block in blocks)
    # A byte is 1 % of the light here.
    assert middle == pytest.approx([1.0, 1.0, 1.0], abs=0.008)
    assert left == pytest.approx([0.94, 0.95, 0.96], abs=0.008)
    assert right == pytest.approx(1 - 0.05 * 0.268 * np.array([1.2, 1.0, 0.8]), abs=0.008)
    assert left[0] < left[1] < left[2]


def test_denoising_eats_faint_texture_and_keeps_a_step() -> None:
    rng = np.random.default_rng(3)
    speckle = cv2.GaussianBlur(rng.standard_normal((200, 240)).astype(np.float32), (0, 0), 1.2)
    speckle *= 0.006 / speckle.std()  # 3 % at a level of 0.2, twice the noise's deviation
    image = np.repeat((0.2 + speckle)[..., None], 3, axis=2)
    image[:, 120:] += 0.3
    sd = 0.2 * 10 ** (-36 / 20)
    noisy = image + rng.normal(0, sd, image.shape).astype(np.float32)
    weak, strong = (denoise(noisy.copy(), sd, strength) for strength in (0.3, 1.0))
    flat = (slice(10, 190), slice(10, 110), 1)
    assert strong[flat].std() < 0.5 * image[flat].std() < 0.5 * noisy[flat].std()
    assert strong[flat].std() < weak[flat].std() < noisy[flat].std()
    assert strong[flat].mean() == pytest.approx(0.2, abs=0.001)
    step = strong[10:190, 110:130, 1].mean(0)
    width = np.interp([0.23, 0.47], step, np.arange(20.0))  # 10 and 90 %
    assert width[1] - width[0] < 1.3
    assert step[15:].mean() - step[:5].mean() == pytest.approx(0.3, abs=0.01)


def test_strips_leave_no_seams() -> None:
    image = np.random.default_rng(4).uniform(0.1, 0.4, (150, 64, 3)).astype(np.float32)
    whole = denoise(image, 0.05, 1.0)
    # A picture that starts 7 rows later has its strips elsewhere.
    later = denoise(image[7:], 0.05, 1.0)
    assert np.abs(whole[10:] - later[3:]).max() < 1e-5


@pytest.mark.parametrize(
    "tone", [{}, {"lift_ev": 0.5}, {"toe": 0.3}, {"s_curve": 0.5, "lift_ev": 0.3, "toe": 0.2}]
)
def test_tone_curves_rise_from_black_to_white(tone: dict[str, float]) -> None:
    at = np.linspace(0, 1, 4001)
    curve = tone_curve(at, SensorRecipe(**tone))
    assert (curve[0], curve[-1]) == (0.0, pytest.approx(1.0))
    assert (np.diff(curve) > 0).all()
    if "toe" not in tone and "s_curve" not in tone:
        # A lift of so many stops multiplies the darks by two to that power.
        plain = tone_curve(at, SensorRecipe())
        assert curve[4] / plain[4] == pytest.approx(2 ** tone.get("lift_ev", 0.0), rel=0.01)


def test_local_tone_mapping_depends_on_the_surroundings_alone() -> None:
    image = _grey(0.2, (320, 640))
    image[:, 320:] = 0.7
    recipe = replace(CLEAN, local=0.2)
    one, other = (_linear(develop(image, recipe, np.random.default_rng(s))) for s in (1, 2))
    assert np.array_equal(one, other)
    dark, bright = one[100:200, 20:120, 1].mean(), one[100:200, 520:620, 1].mean()
    # Power -0.2 of the surroundings over the whole's median: the ratio of both sides shrinks by (0.7 / 0.2)^-0.2.
    assert bright / dark == pytest.approx(3.5 * 3.5**-0.2, rel=0.03)


def test_exif_names_lens_zoom_flash_and_moment() -> None:
    shot = replace(SHOT, subsecond="042", zoom=2.0, flash=True)
    with Image.open(io.BytesIO(encode(np.zeros((30, 40, 3), np.uint8), shot))) as image:
        inner = image.getexif().get_ifd(0x8769)
    assert (inner[0xA434], inner[0x9291], float(inner[0xA404])) == (MAIN_LENS, "042", 2.0)
    assert inner[0xA405] == 50
    assert inner[0x9209] & 1 == 1
    with Image.open(io.BytesIO(encode(np.zeros((30, 40, 3), np.uint8), SHOT))) as image:
        inner = image.getexif().get_ifd(0x8769)
    assert 0xA404 not in inner
    assert inner[0x9209] & 1 == 0
    assert float(inner[0x920A]) == pytest.approx(4.25, abs=0.005)


def test_a_messenger_shrinks_and_strips() -> None:
    data = encode(np.zeros((300, 400, 3), np.uint8), SHOT, exif=False, sent_px=160, quality=75)
    with Image.open(io.BytesIO(data)) as image:
        assert image.size == (160, 120)
        assert not image.getexif()
    assert b"Exif" not in data


def test_zoom_keeps_the_middle() -> None:
    picture = np.zeros((60, 80, 3), np.uint8)
    picture[20:40, 30:50] = 200
    zoomed = zoom_in(picture, 2.0)
    assert zoomed.shape == picture.shape
    assert zoomed[30, 40, 0] == 200
    assert (zoomed[..., 0] > 100).mean() == pytest.approx(4 * (picture[..., 0] > 100).mean(), rel=0.05)


def test_unknown_format_is_refused() -> None:
    with pytest.raises(ValueError, match="file_format must be jpg, png or heic"):
        encode(np.zeros((4, 4, 3), np.uint8), SHOT, file_format="bmp")
