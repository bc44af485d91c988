"""What a photo's pixels do beyond pinhole and radial lens: the rolling shutter, and a smooth bend of the picture.

Each row is read a little later while the hand moves on: 0.3 mm and 0.06 degrees a frame cost 0.7 % of all heights and
0.12 px between the photos if left out (study.md part 4, E4, measured again in tests/card/test_bundle_faults.py). The
rest is small and smooth: tangential lens terms, frames that the phone joined. Solved as seven quadratic and cubic
terms per photo within the adjustment, it also keeps the poses from following it; fitted to the residuals afterwards
it would come too late, for the poses have taken it up by then.

Both belong to the camera, so the terms run over the picture and not over the card: a point under the card meets nearly
the same pixels. They cannot take up the sheet's waves, which shift the four views of a corner in four directions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from assessor.values import Camera, FloatArray, warp_terms

BENDS = 7  # terms of second and third degree
REACH = 0.4  # over the focal length: where the card's far corners lie in a phone's picture
HALF_GRID_MM = 120.0


@dataclass(frozen=True, eq=False)
class Rolling:
    """How a camera moves while one frame is read: way_mm (3,) and turn_rad (3,), in the camera's own axes."""

    way_mm: FloatArray
    turn_rad: FloatArray
    size_px: tuple[int, int]

    def project(self, camera: Camera, points_mm: FloatArray) -> FloatArray:
        """Project points (N, 3) with a camera that has no warp yet; each is seen when its row is read."""
        still = Camera("", camera.focal_px, camera.centre_px, camera.k1, camera.k2, np.eye(3), np.zeros(3))
        turned = points_mm @ camera.camera_from_card.T
        pixels = camera.project(points_mm)
        for _ in range(2):
            late = row_time(pixels, np.asarray(self.size_px))[:, None]
            moved = turned + late * np.cross(self.turn_rad, turned) + camera.shift_mm + late * self.way_mm
            pixels = still.project(moved)
        return pixels


def row_time(pixels: FloatArray, size_px: FloatArray) -> FloatArray:
    """When pixels (..., 2) are read: -1/2 for the first row to 1/2 for the last; size_px (..., 2) or (2,).

    Phones read row by row along the shorter side (common practice), whichever way up the photo is shown. From which
    end doesn't matter, since a hand moves either way.
    """
    upright = size_px[..., 0] < size_px[..., 1]
    at = np.where(upright, pixels[..., 0], pixels[..., 1])
    return np.asarray(at / (np.min(size_px, axis=-1) - 1) - 0.5)


def bend_terms(plane: FloatArray) -> FloatArray:
    """Second and third degree terms (..., 7) at pixels (..., 2), given from the centre over the focal length."""
    return np.asarray(warp_terms(plane / REACH)[..., 3:])


def join_warp(camera: Camera, rolling: Rolling, bends_px: FloatArray, focal_px: float) -> FloatArray:
    """Join rolling and bends (7, 2) into one cubic (10, 2) for `Camera.warp`.

    focal_px: the focal length that `bend_terms` were taken with. The cubic is fitted on the card plane; 15 mm under
    it, what the way within the frame does is 4 % less, some 0.02 px.
    """
    at = np.linspace(-HALF_GRID_MM, HALF_GRID_MM, 11)
    grid = np.stack([*np.meshgrid(at, at), np.zeros((11, 11))], -1).reshape(-1, 3)
    still = camera.project(grid)
    middle = (np.array(rolling.size_px) - 1) / 2
    off = rolling.project(camera, grid) - still + bend_terms((still - middle) / focal_px) @ bends_px
    terms = warp_terms((still - camera.centre_px) / camera.focal_px)
    return np.asarray(np.linalg.lstsq(terms, off, rcond=None)[0])
