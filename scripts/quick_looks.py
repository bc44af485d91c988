"""What the learned model is shown of quick captures, kept in a file: models are tried without rendering again.

A file of looks is an .npz with no pickled parts: `pictures` (all bytes in a row), `ends` (where each picture ends) and
`notes` (JSON: one note a capture). A picture is the window's log reflectance in steps of STEP, as lossless WebP: colour
for one photo, luminance alone for two, whose ratio is all that a pair's model takes from colour.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from assessor.card.linear import LUMINANCE
from assessor.texture.look import Look
from assessor.values import FloatArray, Light, Lighting, U8Array

Note = dict[str, Any]
LOWEST, HIGHEST = -4.7, 0.7  # of the natural log of reflectance over the paper's
STEP = (HIGHEST - LOWEST) / 255
LOSSLESS = 101  # what OpenCV calls WebP without loss


@dataclass(frozen=True, eq=False)
class Seen:
    """One capture as the model sees it, with what is true of it.

    form: single or pair. note: capture, tags, and truth (quantity to value, Sq in 0.8-25 mm).
    """

    form: str
    looks: tuple[Look, ...]
    note: Note


def pack_note(seen: Seen) -> tuple[Note, list[bytes]]:
    """A capture as a file of looks holds it: its note and its pictures; small enough to cross processes."""
    pictures = [_packed(look.log_rgb, grey=seen.form == "pair") for look in seen.looks]
    return {"form": seen.form, **seen.note, "looks": [_told(look) for look in seen.looks]}, pictures


def write_looks(path: Path, packed: Sequence[tuple[Note, list[bytes]]]) -> None:
    """Write packed captures to a file of looks, whole or not at all."""
    pictures = [picture for _, own in packed for picture in own]
    part = path.with_name(path.name + ".part")
    with part.open("wb") as file:
        np.savez(
            file,
            pictures=np.frombuffer(b"".join(pictures), np.uint8),
            ends=np.cumsum([len(p) for p in pictures], dtype=np.int64),
            notes=np.frombuffer(json.dumps([note for note, _ in packed]).encode(), np.uint8),
        )
    part.replace(path)


def read_looks(path: Path) -> Iterator[Seen]:
    """The captures of a file of looks, one by one."""
    with np.load(path) as kept:
        pictures, ends = kept["pictures"], [0, *kept["ends"].tolist()]
        notes = json.loads(kept["notes"].tobytes())
    k = 0
    for note in notes:
        looks = []
        for told in note.pop("looks"):
            looks.append(_look(told, pictures[ends[k] : ends[k + 1]]))
            k += 1
        yield Seen(note.pop("form"), tuple(looks), note)


def _packed(log_rgb: FloatArray, *, grey: bool) -> bytes:
    """Bytes of a picture."""
    if grey:
        log_rgb = np.repeat(np.log(np.exp(log_rgb) @ LUMINANCE.astype(np.float32))[..., None], 3, axis=2)
    steps = np.clip(np.rint((log_rgb - LOWEST) / STEP), 0, 255).astype(np.uint8)
    return bytes(cv2.imencode(".webp", steps, [cv2.IMWRITE_WEBP_QUALITY, LOSSLESS])[1])


def _look(told: Note, picture: U8Array) -> Look:
    steps = cv2.imdecode(picture, cv2.IMREAD_COLOR)
    lighting = told["lighting"]
    if lighting is not None:
        lights = [Light(**{k: _tupled(v) for k, v in light.items()}) for light in lighting["lights"]]
        lighting = Lighting(**{**lighting, "lights": tuple(lights), "flags": tuple(lighting["flags"])})
    return Look(
        told["name"], (steps * np.float32(STEP) + np.float32(LOWEST)).astype(np.float32), lighting,
        told["blur_mm"], told["px_per_mm"], (told["view"][0], told["view"][1]), told["clipped"],
    )  # fmt: skip


def _tupled(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _told(look: Look) -> Note:
    """Everything of a look but its picture."""
    return {
        "name": look.name, "blur_mm": look.blur_mm, "px_per_mm": look.px_per_mm, "view": look.view,
        "clipped": look.clipped,
        "lighting": None if look.lighting is None else dataclasses.asdict(look.lighting),
    }  # fmt: skip
