"""Small sweep videos, written by PyAV: the flat card of `photos` under a torch that walks round it.

The torch is a point: irradiance on the level paper goes with height over distance cubed (inverse square and cosine,
Lambert), as in the simulator but worked out here.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import av
import cv2
import numpy as np
from av.video.reformatter import ColorRange, Colorspace

from assessor.values import FloatArray, U8Array
from tests.card import photos
from tests.card.photos import Scene, bytes_from_table

SIZE = (1920, 1080)
CARD = Scene(distance_mm=305.0, tilt_deg=1.5, roll_deg=90.0, size_px=SIZE, snr_db=50.0, supersample=1)
FPS = 12
# Kr, Kb of ITU-R BT.601 and BT.709
KR_KB = {"601": (0.299, 0.114), "709": (0.2126, 0.0722)}


@dataclass(frozen=True)
class Walk:
    """One sweep. azimuths_deg: where the torch stands in the first and last lit frame; dark_s at the given end.

    level: linear light of the paper at the middle; share: the torch's part of it. smeared: numbers of lit frames that
    a jolt blurs.
    """

    seconds: float = 4.6
    azimuths_deg: tuple[float, float] = (20.0, 375.0)
    dark_s: float = 0.6
    dark_first: bool = False
    share: float = 0.75
    elevation_deg: float = 25.0
    distance_mm: float = 420.0
    level: float = 0.5
    ambient_tilt: float = 0.0  # relative growth of the other light per 100 mm toward +x
    smeared: tuple[int, ...] = ()

    @property
    def n_lit(self) -> int:
        return round((self.seconds - self.dark_s) * FPS)

    def azimuth_at(self, time_s: float) -> float:
        """Where the torch stands in the frame at this time, degrees."""
        at = (time_s - (self.dark_s if self.dark_first else 0.0)) * FPS / (self.n_lit - 1)
        return float(self.azimuths_deg[0] + at * (self.azimuths_deg[1] - self.azimuths_deg[0]))


@cache
def _card_light() -> tuple[FloatArray, FloatArray, FloatArray]:
    """The evenly lit card, linear, paper near 1; and the card mm of every eighth pixel."""
    image = photos.linear_image(CARD) / np.float32(0.85 * CARD.exposure)
    column, row = np.meshgrid(np.arange(SIZE[0] // 8) * 8 + 3.5, np.arange(SIZE[1] // 8) * 8 + 3.5)
    x, y = photos._plane_of(photos.camera_of(CARD), column, row)
    return image, x, y


def torch_light(walk: Walk, azimuth_deg: float | None) -> U8Array:
    """One grey frame, (H, W) bytes; azimuth None: torch off."""
    image, x, y = _card_light()
    light = (1 - walk.share) * (1 + walk.ambient_tilt * x / 100)
    if azimuth_deg is not None:
        azimuth, elevation = np.radians([azimuth_deg, walk.elevation_deg])
        lamp = walk.distance_mm * np.array(
            [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)]
        )
        distance = np.sqrt((x - lamp[0]) ** 2 + (y - lamp[1]) ** 2 + lamp[2] ** 2)
        light = light + walk.share * (walk.distance_mm / distance) ** 3
    factor = cv2.resize(light.astype(np.float32), SIZE, interpolation=cv2.INTER_LINEAR)
    return bytes_from_table(image * factor * np.float32(walk.level))


def walk_frames(walk: Walk) -> Iterator[U8Array]:
    """(H, W, 3) frames in order."""
    n_dark = round(walk.dark_s * FPS)
    dark = [torch_light(walk, None)] * n_dark if n_dark else []
    for grey in dark if walk.dark_first else ():
        yield np.dstack([grey] * 3)
    for k in range(walk.n_lit):
        grey = torch_light(walk, float(np.linspace(*walk.azimuths_deg, walk.n_lit)[k]))
        if k in walk.smeared:
            grey = np.asarray(cv2.blur(grey, (25, 1)), dtype=np.uint8)
        yield np.dstack([grey] * 3)
    for grey in () if walk.dark_first else dark:
        yield np.dstack([grey] * 3)


@cache
def sweep_file(walk: Walk = Walk(), codec: str = "h264") -> bytes:
    """The walk as a video file."""
    return write_video(walk_frames(walk), codec=codec)


def write_video(
    frames: Sequence[U8Array] | Iterator[U8Array],
    *,
    codec: str = "h264",
    fps: int = FPS,
    turned_deg: int = 0,
    transfer: int = 1,
    deep: bool = False,
    options: dict[str, str] | None = None,
    sound: bool = False,
    artist: str | None = None,
) -> bytes:
    """Code (H, W, 3) RGB frames as MP4, BT.709 limited range and so tagged; `transfer` as in ITU-T H.273.

    deep: ten bits.
    """
    frames = iter(frames)
    first = next(frames)
    size = (first.shape[1], first.shape[0])
    layout = "yuv420p10le" if deep else "yuv420p"

    def picture(rgb: U8Array) -> av.VideoFrame:
        frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(rgb), format="rgb24")
        return frame.reformat(
            format=layout, dst_colorspace=Colorspace.ITU709, dst_color_range=ColorRange.MPEG
        )

    def all_frames() -> Iterator[av.VideoFrame]:
        yield picture(first)
        yield from map(picture, frames)

    return _write(
        all_frames(), size, codec=codec, fps=fps, turned_deg=turned_deg, colour=(1, transfer, 1, 1), layout=layout,
        options=options, sound=sound, artist=artist,
    )  # fmt: skip


def colour_video(
    rgbs: Sequence[tuple[int, int, int]], matrix: str, *, full: bool, codec: str, tag: bool
) -> bytes:
    """Upright stripes of plain colours, turned to Y'CbCr here by the formulas of BT.601 or BT.709 (8 bits)."""
    width, height = SIZE
    stripes = np.repeat(np.array(rgbs, float), width // len(rgbs), axis=0) / 255
    stripes = np.concatenate([stripes, np.repeat(stripes[-1:], width - len(stripes), axis=0)])
    kr, kb = KR_KB[matrix]
    luma = stripes @ np.array([kr, 1 - kr - kb, kb])
    blue, red = (stripes[:, 2] - luma) / 2 / (1 - kb), (stripes[:, 0] - luma) / 2 / (1 - kr)
    if full:
        rows = [255 * luma, 255 * blue[::2] + 128, 255 * red[::2] + 128]
    else:
        rows = [219 * luma + 16, 224 * blue[::2] + 128, 224 * red[::2] + 128]

    def frames() -> Iterator[av.VideoFrame]:
        for _ in range(3):
            frame = av.VideoFrame(width, height, "yuv420p")
            for plane, row in zip(frame.planes, rows, strict=True):
                lines = np.zeros((plane.height, plane.line_size), np.uint8)
                lines[:, : len(row)] = np.clip(np.rint(row), 0, 255)
                plane.update(lines.tobytes())
            yield frame

    colour = (1, 1, {"601": 6, "709": 1}[matrix], 2 if full else 1) if tag else None
    return _write(frames(), SIZE, codec=codec, fps=30, colour=colour, options={"crf": "1"})


def _write(
    frames: Iterator[av.VideoFrame],
    size: tuple[int, int],
    *,
    codec: str,
    fps: int,
    colour: tuple[int, int, int, int] | None,
    turned_deg: int = 0,
    layout: str = "yuv420p",
    options: dict[str, str] | None = None,
    sound: bool = False,
    artist: str | None = None,
) -> bytes:
    """colour: primaries, transfer, matrix and range as FFmpeg counts them (H.273; range 1 limited, 2 full)."""
    out = io.BytesIO()
    with av.open(out, "w", format="mp4") as container:
        if artist is not None:
            container.metadata["artist"] = artist
        stream = container.add_stream({"h264": "libx264", "hevc": "libx265"}.get(codec, codec), rate=fps)
        stream.width, stream.height = size
        stream.pix_fmt = layout
        context = stream.codec_context
        if colour is not None:
            context.color_primaries, context.color_trc, context.colorspace, context.color_range = colour
        stream.options = {"preset": "ultrafast", "crf": "18"} | (options or {})
        if codec == "hevc":
            stream.options = {**stream.options, "x265-params": "log-level=none"}
        track = container.add_stream("aac", rate=48000, layout="mono") if sound else None
        if turned_deg:
            stream.set_display_rotation(turned_deg)
        for k, frame in enumerate(frames):
            if colour is not None:
                frame.colorspace, frame.color_range = colour[2], colour[3]
            frame.pts = k
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
        if track is not None:
            beep = np.sin(np.arange(48000) / 20).astype(np.float32)[None]
            for k in range(0, 48000 - 1024, 1024):
                tone = av.AudioFrame.from_ndarray(np.ascontiguousarray(beep[:, k : k + 1024]), "fltp", "mono")
                tone.sample_rate, tone.pts = 48000, k
                container.mux(track.encode(tone))
            container.mux(track.encode(None))
    return out.getvalue()


def boxes(data: bytes) -> dict[bytes, tuple[int, int]]:
    """Top-level boxes of an MP4 file as {type: (start, end)} (ISO/IEC 14496-12, 4.2), 32-bit sizes."""
    found, at = {}, 0
    while at + 8 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        found[data[at + 4 : at + 8]] = (at, at + size)
        at += size
    return found


def index_first(data: bytes) -> bytes:
    """The same video with its index before the pictures, as streaming files have it; chunk offsets move along.

    ISO/IEC 14496-12, 8.7.5: `stco` holds a count and 32-bit offsets from the file's start.
    """
    found = boxes(data)
    moov, mdat = (data[slice(*found[kind])] for kind in (b"moov", b"mdat"))
    head = data[: found[b"mdat"][0]]
    assert found[b"moov"][0] == found[b"mdat"][1]
    moved, at = bytearray(moov), 0
    while (at := moov.find(b"stco", at + 1)) >= 0:
        count = int.from_bytes(moov[at + 8 : at + 12], "big")
        offsets = np.frombuffer(moov, ">u4", count, at + 12) + len(moov)
        moved[at + 12 : at + 12 + 4 * count] = offsets.astype(">u4").tobytes()
    return head + bytes(moved) + mdat
