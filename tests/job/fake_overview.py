"""A made-up overview with small arrays: strips, a gap, a patch, an uneven zone worked one way."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from assessor.values.overview import (
    Coverage,
    Evenness,
    Gap,
    Lay,
    Mosaic,
    Overview,
    SheetPlace,
    Spread,
    Strip,
    StripKind,
    ZoneArea,
    ZoneFit,
    ZoneLightFit,
)
from assessor.values.surface import Patches
from tests.fake_surface import fake_image, fake_patch, square

CORNER_MM = (-105.0, -148.5)


def fake_strip(kind: StripKind, *, x_mm: float = 1395.0, width_m: float = 0.09) -> Strip:
    """A strip that runs up 3 m from the lower edge of the zone."""
    return Strip(
        kind, (x_mm, CORNER_MM[1] + 100), (x_mm, CORNER_MM[1] + 3100), 3.0, 0.09, width_m, 0.01, 90.0, -0.1, 0.02,
        -0.3, 0.03,
    )  # fmt: skip


def fake_overview(**changes: Any) -> Overview:
    """An uneven, scarified zone of 4 x 3 m with every kind of strip, a patch of oil and a part not seen."""
    contrast = np.full((3, 4), 0.1)
    contrast[2, 1] = -0.6
    spread = Spread(0.5, 0.1, 0.09, 12, "", "rms of 12-50 mm waves in blocks")
    image = fake_image(side=40)
    light = ZoneLightFit(0.02, 0.1, 3, True, "", "paper of all sheets")
    coarse = np.zeros((2, 2), np.int16)
    overview = Overview(
        fit=ZoneFit((), (), (SheetPlace("3", 0, 0, 0, 0.0, 0.0, 4),), "3", 0.4, (), 0.004, "exif", "least squares"),
        mosaic=Mosaic(
            image, np.zeros(image.valid.shape, bool), coarse, np.ones((2, 2)), np.zeros((2, 2), bool), 20.0, light
        ),
        zone=ZoneArea(*CORNER_MM, 4000.0, 3000.0),
        coverage=Coverage(
            11.0, 0.1, 0.1, 12.0, 0.92, 0.01,
            (Gap(square(3000.0, 2000.0, 700.0), 0.49, (3000.0, 2000.0), (0.7, 0.7)),), "cells of 20 mm",
        ),
        evenness=Evenness(
            1000.0, CORNER_MM[0], CORNER_MM[1] + 3000, np.zeros((3, 4)), contrast, np.full((3, 4), 90.0),
            np.full((3, 4), 0.4), spread, spread,
        ),
        strips=tuple(fake_strip(kind) for kind in ("less-worked", "lane-gap", "worked-twice", "unclear")),
        strips_why="",
        lay=Lay("one-way", 0.8, 0.1, 0.1, 0.05, 0.9, 90.0, True, "", "windows of 300 mm"),
        patches=Patches((fake_patch(square(895.0, 351.5, 100.0)),), 1e7, "cannot-tell", "from above", "net", ()),
        seconds=(),
    )  # fmt: skip
    return replace(overview, **changes)
