"""The frames of a video one after another, upright, from memory."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import cv2
import numpy as np

from assessor.errors import UnreadableVideo
from assessor.values import U8Array

_FAILS = "the video cannot be decoded"


def decode_frames(
    data: bytes, wanted: Callable[[int], bool], *, last: int | None = None
) -> Iterator[tuple[int, float, U8Array | None]]:
    """Yield every frame as (number, seconds, pixels): (H, W, 3) uint8 in B, G, R order where wanted, else None.

    Frames come in the order they are shown, in the same numbers at every call; only one is held at a time. Stops after
    `last`, or where decoding ends. Raises UnreadableVideo where it doesn't begin.
    """
    with _opened(data) as video:
        index = 0
        while (last is None or index <= last) and video.grab():
            time_s = float(video.get(cv2.CAP_PROP_POS_MSEC)) / 1000
            pixels: U8Array | None = None
            if wanted(index):
                done, frame = video.retrieve()
                if not done:
                    return
                pixels = np.asarray(frame, dtype=np.uint8)
            yield index, time_s, pixels
            index += 1


def frame_rate(data: bytes) -> float:
    """Mean frames per second as the file says, 30 where it says nothing sensible."""
    with _opened(data) as video:
        rate = float(video.get(cv2.CAP_PROP_FPS))
    return rate if 1 <= rate <= 1000 else 30.0


@contextmanager
def _opened(data: bytes) -> Iterator[cv2.VideoCapture]:
    """The decoder on these bytes.

    OpenCV lets go of the stream without holding Python's lock, so the stream must outlive the decoder: if its last
    reference went then, Python would crash (seen with OpenCV 5.0.0).
    """
    stream: Any = io.BytesIO(data)
    try:
        video = cv2.VideoCapture(stream, cv2.CAP_FFMPEG, [])
    except cv2.error:
        raise UnreadableVideo(_FAILS) from None
    try:
        if not video.isOpened():
            raise UnreadableVideo(_FAILS)
        yield video
    finally:
        video.release()
        del video, stream
