"""Start values of a zone's fit: poses from single squares, sheets chained through photos that show two of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from assessor.card.zone_sheet import CARD_NAME
from assessor.values import FloatArray
from assessor.values.overview import SheetsSighting

Pose2 = tuple[float, float, float]  # x, y in mm, turn in radians


@dataclass(frozen=True, eq=False)
class Start:
    """sheets: x, y, turn of each by name; photos: rotation (3, 3) and shift (3,) from the floor's frame, by name."""

    origin: str
    sheets: dict[str, Pose2]
    photos: dict[str, tuple[FloatArray, FloatArray]]


def start_poses(sightings: Sequence[SheetsSighting]) -> tuple[Start, list[int]]:
    """Chain all that hangs together with the largest group of photos; returns which photos that is."""
    groups = _groups(sightings)
    if not groups:
        return Start("", {}, {}), []
    members = max(groups, key=lambda g: (len(g), -min(_rank(n) for k in g for n in sightings[k].names)))
    planes = {k: _plane_of(sightings[k]) for k in members}
    origin = min((n for k in members for n in sightings[k].names), key=_rank)
    sheets: dict[str, Pose2] = {origin: (0.0, 0.0, 0.0)}
    photos: dict[str, tuple[FloatArray, FloatArray]] = {}
    todo = list(members)
    while todo:
        # The photo that shows most of what is placed already errs least.
        best = max(
            todo, key=lambda k: (len(set(sightings[k].names) & set(sheets)), len(set(sightings[k].names)))
        )
        todo.remove(best)
        turn, shift, own = planes[best]
        known = [n for n in own if n in sheets]
        to_floor = _compose(sheets[known[0]], _inverse(own[known[0]]))
        for name, pose in own.items():
            sheets.setdefault(name, _compose(to_floor, pose))
        x, y, angle = _inverse(to_floor)
        c, s = np.cos(angle), np.sin(angle)
        plane_from_floor = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        photos[sightings[best].photo_name] = turn @ plane_from_floor, turn @ np.array([x, y, 0.0]) + shift
    return Start(origin, sheets, photos), sorted(members)


def _rank(name: str) -> int:
    return 1000 if name == CARD_NAME else int(name)


def _groups(sightings: Sequence[SheetsSighting]) -> list[list[int]]:
    """Photos joined by common sheets."""
    groups: list[tuple[set[str], list[int]]] = []
    for k, sighting in enumerate(sightings):
        names, photos = set(sighting.names), [k]
        rest = []
        for group in groups:
            if group[0] & names:
                names |= group[0]
                photos += group[1]
            else:
                rest.append(group)
        groups = [*rest, (names, photos)]
    return [sorted(photos) for _, photos in groups]


def _plane_of(sighting: SheetsSighting) -> tuple[FloatArray, FloatArray, dict[str, Pose2]]:
    """The floor's pose in one camera (frame of one of its sheets), and its sheets' places on that floor.

    A small square may be seen as tilted either way; the other sheets' sides tell, or else the smaller residual does.
    """
    width, height = sighting.size_px
    matrix = np.array(
        [[sighting.focal_px, 0, (width - 1) / 2], [0, sighting.focal_px, (height - 1) / 2], [0, 0, 1]]
    )
    best: tuple[float, FloatArray, FloatArray, dict[str, Pose2]] | None = None
    for name in dict.fromkeys(sighting.names):
        at = [k for k, n in enumerate(sighting.names) if n == name]
        points = sighting.corners_mm[at].reshape(-1, 2)
        pixels = sighting.corners_px[at].reshape(-1, 2)
        count, turns, shifts, errors = cv2.solvePnPGeneric(
            np.column_stack([points, np.zeros(len(points))]), pixels, matrix, None, flags=cv2.SOLVEPNP_IPPE
        )
        for k in range(count):
            turn, shift = (
                np.asarray(cv2.Rodrigues(turns[k])[0], dtype=float),
                np.asarray(shifts[k], dtype=float).ravel(),
            )
            places, off = _places(sighting, matrix, turn, shift)
            score = off + 0.02 * float(np.ravel(errors[k])[0])
            if best is None or score < best[0]:
                best = score, turn, shift, places
    assert best is not None  # a sighting has a marker
    return best[1], best[2], best[3]


def _places(
    sighting: SheetsSighting, matrix: FloatArray, turn: FloatArray, shift: FloatArray
) -> tuple[dict[str, Pose2], float]:
    """Sheets on the floor that one pose gives, and by how much their markers' corners are off (rms, relative)."""
    homography = matrix @ np.column_stack([turn[:, 0], turn[:, 1], shift])
    back = np.linalg.inv(homography)
    places, off = {}, []
    for name in dict.fromkeys(sighting.names):
        at = [k for k, n in enumerate(sighting.names) if n == name]
        own = sighting.corners_mm[at].reshape(-1, 2)
        pixels = sighting.corners_px[at].reshape(-1, 2)
        mapped = np.column_stack([pixels, np.ones(len(pixels))]) @ back.T
        floor = mapped[:, :2] / mapped[:, 2:]
        middle, own_middle = floor.mean(0), own.mean(0)
        a, b = floor - middle, own - own_middle
        angle = float(np.arctan2((b[:, 0] * a[:, 1] - b[:, 1] * a[:, 0]).sum(), (a * b).sum()))
        c, s = np.cos(angle), np.sin(angle)
        spin = np.array([[c, -s], [s, c]])
        off.append(float(np.sqrt(((a - b @ spin.T) ** 2).mean()) / np.sqrt((b**2).mean())))
        x, y = middle - spin @ own_middle
        places[name] = (float(x), float(y), angle)
    return places, float(np.mean(off))


def _compose(first: Pose2, second: Pose2) -> Pose2:
    """The pose of what lies at `second` in a frame that lies at `first`."""
    c, s = np.cos(first[2]), np.sin(first[2])
    return (
        float(first[0] + c * second[0] - s * second[1]),
        float(first[1] + s * second[0] + c * second[1]),
        first[2] + second[2],
    )


def _inverse(pose: Pose2) -> Pose2:
    c, s = np.cos(pose[2]), np.sin(pose[2])
    return float(-c * pose[0] - s * pose[1]), float(s * pose[0] - c * pose[1]), -pose[2]
