"""A rendered sweep: the torch walks once round the card, and the frames become a phone-like video file.

Needs PyAV (`pip install -e '.[dev]'`), which writes the video; the package itself only reads videos, with OpenCV.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import av
import cv2
import numpy as np
from av.video.reformatter import ColorRange, Colorspace

from assessor.card.decode import decode_photo
from assessor.card.linear import bytes_from_linear, linear_of_byte
from assessor.simulate.capture import CaptureRecipe, RenderedCapture, render_capture
from assessor.simulate.floors import FloorRecipe
from assessor.simulate.light import LightRecipe
from assessor.simulate.sensor import SensorRecipe
from assessor.simulate.sheet import SheetRecipe
from assessor.simulate.slips import Slip
from assessor.values import U8Array

FPS = 30
DARK_S = 1.0  # torch off at the end, as the guide asks
SIZES = {"1080p": ((1920, 1080), 1500.0), "4k": ((3840, 2160), 2900.0), "12mp": ((4000, 3000), 2900.0)}
MEGABITS = {"1080p": 17.0, "4k": 45.0}  # what phones write (common practice)


@dataclass(frozen=True, slots=True)
class TorchWalk:
    """A floor under a torch on `sides` sides, and one dark photo at the end.

    snr_db: signal to noise of one frame at a level of 0.2. step_mm, step_deg: how far the hand strays.
    """

    name: str
    floor: FloorRecipe
    size: str = "1080p"
    sides: int = 20
    elevation_deg: float = 25.0
    direct: float = 0.8
    distance_mm: float = 420.0
    camera_mm: tuple[float, float] = (318.0, 324.0)
    seed: int = 1
    snr_db: float = 34.0
    quality: int = 92


def walk_recipe(walk: TorchWalk, *, still: bool) -> CaptureRecipe:
    """The capture behind a sweep (PNG without noise, which every frame gets anew) or behind its stills (JPEG).

    The same floor and sheet come out for the same seed, since they are drawn from streams of their own.
    """
    rng = np.random.default_rng([walk.seed, 99])
    slips = [
        Slip(
            k,
            light=LightRecipe(
                "torch",
                azimuth_deg=360 / walk.sides * k + 10 + rng.uniform(-4, 4),
                elevation_deg=walk.elevation_deg + rng.uniform(-3, 3),
                direct=walk.direct,
                distance_mm=walk.distance_mm * rng.uniform(0.9, 1.1),
            ),
        )
        for k in range(walk.sides)
    ]
    size_px, focal_px = SIZES[walk.size]
    noise = {"quality": walk.quality} if still else {"file_format": "png", "snr_db": 70.0}
    return CaptureRecipe(
        walk.name,
        walk.floor,
        light=LightRecipe("overcast"),
        sheet=SheetRecipe(scale_x=0.99, scale_y=0.985, cockle_mm=0.2),
        sensor=SensorRecipe(exposure=0.5, **noise),  # type: ignore[arg-type]
        seed=walk.seed,
        photos=walk.sides + 1,
        size_px=size_px,
        focal_px=focal_px,
        tilt_deg=(0.5, 2.5),
        distance_mm=walk.camera_mm,
        aim_mm=3.0,
        # The sheet's long side lies along the frame's long side.
        roll_deg=2.0,
        sides_deg=(0, 90, 180, 270),
        slips=tuple(slips),
    )


def true_bars_mm(capture: RenderedCapture) -> tuple[float, float]:
    """What a tape says of the print's two bars."""
    return 250.0 * capture.recipe.sheet.scale_y, 180.0 * capture.recipe.sheet.scale_x


def render_sweep(
    walk: TorchWalk, *, codec: str = "h264", seconds: float = 10.0
) -> tuple[RenderedCapture, bytes]:
    """Render the sides and code them as one MP4: every side stands for its share of the time, the dark second last."""
    capture = render_capture(walk_recipe(walk, still=False))
    pictures = [decode_photo(data, name).rgb_u8 for name, data in capture.photos.items()]
    rng = np.random.default_rng([walk.seed, 98])
    each = max(round((seconds - DARK_S) * FPS / walk.sides), 1)
    # The renderer gives every photo the same light at the window's middle; with the exposure locked the dark frames
    # keep only the room's share of it.
    parts = [(picture, each, 1.0) for picture in pictures[:-1]]
    parts.append((pictures[-1], round(DARK_S * FPS), 1 - walk.direct))
    frames = _shaken(parts, walk.snr_db, rng)
    return capture, code_video(frames, SIZES[walk.size][0], codec=codec, megabits=MEGABITS[walk.size])


def _shaken(
    parts: list[tuple[U8Array, int, float]], snr_db: float, rng: np.random.Generator
) -> Iterator[U8Array]:
    """Repeat each picture so many times in so much light: fresh noise, a tremor of 0.3 px, 0.3 % of flicker."""
    to_byte = bytes_from_linear(np.arange(65536) / 65535)
    table, sd = linear_of_byte(), np.float32(0.2 * 10 ** (-snr_db / 20))
    for picture, count, gain in parts:
        light = table[picture] * np.float32(gain)
        height, width = picture.shape[:2]
        # Shot noise, grows with the root of the light; soft, as demosaicing leaves it.
        level = np.sqrt(light[..., 1:2] * np.float32(0.9 / 0.2) + np.float32(0.1)) * sd
        for _ in range(count):
            shift = np.float32([[1, 0, rng.normal(0, 0.3)], [0, 1, rng.normal(0, 0.3)]])
            noise = cv2.GaussianBlur(rng.standard_normal((height, width, 1), np.float32), (0, 0), 0.5)
            frame = light * np.float32(rng.normal(1, 0.003)) + level * noise[..., None] * np.float32(1.45)
            coded = to_byte[np.clip(frame * np.float32(65535), 0, 65535).astype(np.uint16)]
            yield np.asarray(
                cv2.warpAffine(coded, shift, (width, height), borderMode=cv2.BORDER_REPLICATE), np.uint8
            )


def code_video(
    frames: Iterable[U8Array], size_px: tuple[int, int], *, codec: str = "h264", megabits: float = 17.0
) -> bytes:
    """Code RGB frames as MP4 (H.264 or HEVC, 4:2:0, BT.709, limited range, so tagged), FPS frames a second."""
    out = io.BytesIO()
    with av.open(out, "w", format="mp4") as container:
        # As in the Exif of rendered photos, so that nobody takes it for a real floor's.
        container.metadata["artist"] = "Rendered"
        stream = container.add_stream({"h264": "libx264", "hevc": "libx265"}[codec], rate=FPS)
        stream.width, stream.height = size_px
        stream.pix_fmt = "yuv420p"
        stream.bit_rate = int(megabits * 1e6)
        context = stream.codec_context
        context.colorspace = context.color_trc = context.color_primaries = 1
        context.color_range = 1
        stream.options = {"preset": "veryfast"} | (
            {"x265-params": "log-level=none"} if codec == "hevc" else {}
        )
        for k, picture in enumerate(frames):
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), format="rgb24")
            frame = frame.reformat(
                format="yuv420p", dst_colorspace=Colorspace.ITU709, dst_color_range=ColorRange.MPEG
            )
            frame.pts = k
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return out.getvalue()
