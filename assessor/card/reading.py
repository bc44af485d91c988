"""Read printed markers at known places: is this marker there, and which serial does the card carry?

Once a first homography says where every marker must lie, its cells are sampled and each pair of neighbouring cells is
asked which one is brighter. The share of right answers is blind to exposure, gradients and soft shadow, and a hard
shadow edge spoils only the pairs it crosses; so markers are read that a threshold over the whole marker misses.
Concrete or a hand answer at random (0.5 with sd 0.07 over some 55 pairs), and what is blank does not answer.

The codes differ in at least 11 bits (AprilTag 36h11, Olson 2011), so a wrong serial is far from a right one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from assessor.card.layout import SERIAL_ID_BASE, Marker, card_layout
from assessor.card.raster import marker_bits
from assessor.values import BoolArray, FloatArray


@dataclass(frozen=True, eq=False)
class Reading:
    """Which of the layout's markers (P,) are seen, and the serial or None; serial places need the serial."""

    seen: BoolArray
    serial: int | None


@cache
def cell_centres_mm() -> FloatArray:
    """(P, 8, 8, 2) centres of each marker's cells, black border included, row 0 on top."""
    centres = marker_cells_mm(card_layout(0).markers)
    centres.flags.writeable = False
    return centres


def marker_cells_mm(markers: Sequence[Marker]) -> FloatArray:
    """(P, 8, 8, 2) centres of the cells of any markers, as `cell_centres_mm`."""
    steps = (np.arange(8) - 3.5) / 8
    x, y = np.meshgrid(steps, -steps)
    return np.array([np.stack([x * m.side_mm + m.x_mm, y * m.side_mm + m.y_mm], axis=-1) for m in markers])


def read_markers(image_u8: NDArray[np.uint8], centres_px: FloatArray, min_share: float) -> Reading:
    """Read all markers of the card in a grey image.

    centres_px (P, 8, 8, 2): pixels of `cell_centres_mm` in this image. min_share: right answers that count as seen.
    """
    inside, answers = _asked(image_u8, centres_px)
    share = _share(answers, _expected_fixed())
    by_serial = _serial_shares(answers)
    serial = _serial(by_serial, inside, min_share)
    seen = inside & (share >= min_share)
    for place, role in _serial_places().items():
        value = None if serial is None else (serial // 256 if role == "serial-high" else serial % 256)
        seen[place] = value is not None and inside[place] and by_serial[place][value] >= min_share
    return Reading(seen, serial)


def read_known(
    image_u8: NDArray[np.uint8], ids: Sequence[int], centres_px: FloatArray, min_share: float
) -> BoolArray:
    """(P,) which markers of known ids are seen at these places; arguments as `read_markers`."""
    inside, answers = _asked(image_u8, centres_px)
    return np.asarray(inside & (_share(answers, _expected(list(ids))) >= min_share))


def _asked(image_u8: NDArray[np.uint8], centres_px: FloatArray) -> tuple[BoolArray, NDArray[np.float32]]:
    """Which places lie inside the image, and what their cells answer (`_answers`)."""
    height, width = image_u8.shape
    inside = np.asarray(((centres_px >= 0) & (centres_px <= (width - 1, height - 1))).all((1, 2, 3)))
    column, row = (centres_px[..., k].reshape(-1, 8).astype(np.float32) for k in (0, 1))
    cells = cv2.remap(image_u8, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return inside, _answers(np.asarray(cells).reshape(-1, 8, 8).astype(np.int16))


def _answers(cells: NDArray[np.int16]) -> NDArray[np.float32]:
    """(P, 112) signs of `_pairs`, 0 where the difference is slight: the noise of a blank area says nothing."""
    pairs = _pairs(cells)
    slight = 0.06 * cells.mean((1, 2))[:, None]
    return np.where(np.abs(pairs) > slight, np.sign(pairs), 0).astype(np.float32)


def _pairs(cells: NDArray[np.int16]) -> NDArray[np.int16]:
    """(P, 112) differences of neighbours: right minus left, then lower minus upper."""
    return np.concatenate(
        [np.diff(cells, axis=2).reshape(len(cells), -1), np.diff(cells, axis=1).reshape(len(cells), -1)],
        axis=1,
    )


def _expected(ids: list[int]) -> NDArray[np.float32]:
    return _pairs(np.array([marker_bits(i) // 255 for i in ids]).astype(np.int16)).astype(np.float32)


@cache
def _expected_fixed() -> NDArray[np.float32]:
    return _expected([m.id for m in card_layout(0).markers])


@cache
def _expected_serial() -> NDArray[np.float32]:
    return _expected([SERIAL_ID_BASE + value for value in range(256)])


@cache
def _serial_places() -> dict[int, str]:
    return {k: m.role for k, m in enumerate(card_layout(0).markers) if m.role.startswith("serial")}


def _share(answers: NDArray[np.float32], expected: NDArray[np.float32]) -> FloatArray:
    """Share of the informative pairs that answer right, row by row; a tie counts half."""
    asked = np.abs(expected).sum(-1)
    return np.asarray(0.5 + 0.5 * (answers * expected).sum(-1) / asked)


def _serial_shares(answers: NDArray[np.float32]) -> dict[int, FloatArray]:
    """For each serial place, the share of right answers for all 256 values."""
    return {place: _share(answers[place][None], _expected_serial()) for place in _serial_places()}


def _serial(shares: dict[int, FloatArray], inside: BoolArray, min_share: float) -> int | None:
    """Both halves of the serial, each from its readable copies, which must agree."""
    halves = []
    for role in ("serial-high", "serial-low"):
        values = {
            int(share.argmax())
            for place, share in shares.items()
            if _serial_places()[place] == role and inside[place] and share.max() >= min_share
        }
        if len(values) != 1:
            return None
        halves.append(values.pop())
    return halves[0] * 256 + halves[1]
