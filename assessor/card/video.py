"""A sweep video to photos: about ten seconds straight down while somebody walks the torch once round the card.

The whole video is decoded twice and no frame is kept the first time: first every few frames are looked at, shrunk, for
where the card lies, where the torch stands and how sharp they are (`video_light`); then the chosen ones are taken at
full size. OpenCV's FFmpeg decodes straight from memory, so nothing is written to disk, and turns the picture upright by
the track's matrix. The sound is never decoded.

Colour: OpenCV follows matrix and range that the file names (BT.601, BT.709, full, limited): greys come back within 1
byte, colours within 3 (8 bits; within 2 for 10 bits). In the limited range it cuts where it should round, 0.5 byte on
plain grey and 0.7-0.9 on a rendered floor, which moved Sq by 2-3 % through the tone curve; `_give_back` adds it again.
A file that names no matrix is read as BT.601 in the limited range: greys stay right, colours turn by up to 17 bytes.
Bytes are then taken for sRGB, as screens show them; how a phone's video curve differs is the tone curve's business
(`card.tone`).

Limits: a video says neither exposure nor focal length, and phones shrink, crop (stabiliser), denoise and pack video
harder than photos. A lamp that flickers with the mains leaves bands, which are not looked for.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from assessor.card.photo_colour import to_srgb
from assessor.card.photo_origin import VIDEO_FRAME
from assessor.card.video_frames import decode_frames, frame_rate
from assessor.card.video_header import VideoHeader, looks_like_video, read_video_header
from assessor.card.video_light import FrameView, LookSettings, look_at_frame, pick_frames
from assessor.errors import PhotoError, UnreadableVideo, VideoUnsuitable
from assessor.values import Exif, FileFacts, Photo, U8Array

VIDEO_SUFFIXES = frozenset((".mp4", ".mov", ".m4v"))
_HDR_TRANSFERS = {16: "PQ", 18: "HLG"}  # ITU-T H.273, table 3


@dataclass(frozen=True, slots=True)
class SweepSettings:
    """What is accepted as a sweep and how it is looked through."""

    max_bytes: int = 800_000_000  # a minute of 4K at the highest rate that phones offer, 100 Mbit/s
    min_short_px: int = 1080  # 1080p has 4.5 pixels per mm at best, hardly enough
    max_pixels: int = (
        10_000_000  # 4K in its widest form has 8.8 million; 8K is coded too hard for fine texture
    )
    min_seconds: float = 4.0  # nobody walks round a card faster without smearing the light
    max_seconds: float = 60.0
    min_decoded: float = 0.5  # of the frames that the index names; trimmed videos name more than they show
    looks_per_s: float = 15.0  # at 36 degrees a second the torch moves 2.4 degrees between looks
    look: LookSettings = field(default_factory=LookSettings)


def is_video(path: Path, head: bytes | None = None) -> bool:
    """Whether a file is to be read by `read_sweep`: by its first bytes (32 or more) where given, else by its name.

    A name is a claim only: `read_sweep` looks at the bytes and says so where they are something else.
    """
    return path.suffix.lower() in VIDEO_SUFFIXES if head is None else looks_like_video(head)


def read_sweep(data: bytes, name: str, settings: SweepSettings | None = None) -> tuple[Photo, ...]:
    """Pick the frames of a sweep video that show the torch evenly round the card, and one without the torch.

    Photos come in order of time, named `<name>@<seconds>s`, the one without torch last where there is one (torch off
    in the first or last second); without Exif, marked "video frame". Their sha256 is that of the video's own sha256
    and the frame's number, so that it doesn't hang on the decoder. Raises UnreadableVideo (empty, cut, damaged, other
    codec or size, HDR) and VideoUnsuitable (too short or long, card not found, no torch, not round).
    """
    settings = settings or SweepSettings()
    try:
        header = _checked_header(data, settings)
        views = _look(data, header, settings)
        torches, dark = pick_frames(views, settings.look)
        chosen = [*torches, *([dark] if dark else [])]
        return tuple(_take(data, name, header, chosen))
    except PhotoError as error:
        raise error.with_file(name) from None


def _checked_header(data: bytes, settings: SweepSettings) -> VideoHeader:
    """Read the boxes and refuse what must not be decoded."""
    if len(data) > settings.max_bytes:
        raise VideoUnsuitable(
            f"the file has {len(data) / 1e6:.0f} MB, more than the {settings.max_bytes / 1e6:g} MB accepted"
        )
    header = read_video_header(data)
    if header.damage:
        raise UnreadableVideo(header.damage)
    if header.codec not in ("H.264", "HEVC"):
        raise UnreadableVideo(f"the video is coded as {header.codec!r}, only H.264 and HEVC are read")
    transfer = _HDR_TRANSFERS.get(header.cicp[1]) if header.cicp else None
    if header.dolby or transfer or (header.bits > 8 and header.cicp is None):
        kind = transfer or (
            "Dolby Vision" if header.dolby else f"{header.bits} bits without a colour description"
        )
        raise UnreadableVideo(
            f"the video was filmed for HDR screens ({kind}), film with HDR video switched off"
        )
    width, height = header.width_px, header.height_px
    if min(width, height) < settings.min_short_px or width * height > settings.max_pixels:
        raise UnreadableVideo(f"the video has {width} x {height} px, 1080p to 4K is accepted")
    return header


def _look(data: bytes, header: VideoHeader, settings: SweepSettings) -> list[FrameView]:
    """First pass: what every few frames show; raises where too little can be decoded or the length is wrong."""
    step = max(round(frame_rate(data) / settings.looks_per_s), 1)
    views: list[FrameView] = []
    n, start_s, last_s = 0, 0.0, 0.0
    for index, time_s, bgr in decode_frames(data, lambda k: k % step == 0):
        start_s = time_s if index == 0 else start_s
        n, last_s = index + 1, time_s
        if bgr is not None:
            views.append(look_at_frame(bgr, index, time_s - start_s, settings.look))
        if last_s - start_s > settings.max_seconds:
            raise VideoUnsuitable(f"the video is longer than the {settings.max_seconds:g} s accepted")
    if n == 0 or n < settings.min_decoded * header.frames:
        raise UnreadableVideo(f"only {n} of the video's {header.frames} frames can be decoded")
    if last_s - start_s < settings.min_seconds:
        raise VideoUnsuitable(
            f"the video lasts {last_s - start_s:.1f} s, at least {settings.min_seconds:g} s are needed"
        )
    return views


def _take(data: bytes, name: str, header: VideoHeader, chosen: list[FrameView]) -> Iterator[Photo]:
    """Second pass: the chosen frames at full size, in the order of `chosen`."""
    wanted = {view.index for view in chosen}
    file_sha = hashlib.sha256(data).hexdigest()
    photos: dict[int, Photo] = {}
    frames = decode_frames(data, wanted.__contains__, last=max(wanted))
    for index, _, bgr in frames:
        view = next((v for v in chosen if v.index == index), None)
        if bgr is None or view is None:
            continue
        rgb = np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB), dtype=np.uint8)
        rgb = to_srgb(rgb if header.full_range else _give_back(rgb), b"", header.cicp)
        sha = hashlib.sha256(f"{file_sha} frame {index}".encode()).hexdigest()
        shown = f"{name}@{view.time_s:.2f}s"
        photos[index] = Photo(shown, rgb, Exif(make=header.artist), sha, FileFacts(None, (VIDEO_FRAME,)))
    if len(photos) < len(wanted):
        raise UnreadableVideo(f"{len(wanted) - len(photos)} frames could not be decoded a second time")
    return (photos[view.index] for view in chosen)


def _give_back(rgb: U8Array) -> U8Array:
    """Add what cutting took, three quarters of a byte on average: 1 on three of every four pixels (ordered dither).

    A byte cannot hold a fraction, but the mean of neighbours can, and nothing is measured on single pixels.
    """
    height, width = rgb.shape[:2]
    dither = np.tile(np.array([[0, 1], [1, 1]], np.uint8), (height // 2 + 1, width // 2 + 1))[:height, :width]
    return np.asarray(cv2.add(rgb, np.repeat(dither[..., None], 3, axis=2)), dtype=np.uint8)
