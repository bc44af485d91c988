"""The true grade of a simulated floor, defined here and nowhere else.

No chip was ever laid beside a simulated floor, and the scale is a prior. So "the true grade" can only be what the scale
itself would say to somebody who knew everything: the most probable grade (posterior mode) for the floor's true Sq in
0.8-25 mm, without any uncertainty of measurement, with the process that made the floor told. Where the scale has no
such process (fractal floors, grit, relief), its mixture over processes decides. An estimate is held against that, so
that what is scored is the estimate and not the scale.
"""

from __future__ import annotations

import math

import numpy as np

from assessor.grading.posterior import weigh_grades
from assessor.grading.scale import GradeScale, load_scale
from assessor.values import Band

SCALE = "prior-10"
BAND = Band(0.8, 25.0)
# The scale's name of each process that the simulator knows by another.
SCALE_PROCESS = {
    "ground": "ground",
    "flush": "ground",
    "shot": "blasted",
    "scarified": "scarified",
    "scabbled": "scabbled",
    "aggregate": "standing",
}
EXACT = 1e-6  # of ln Sq: no uncertainty of measurement


def true_grade(sq_mm: float, process: str, scale: GradeScale | None = None) -> int | None:
    """The most probable grade of a floor whose Sq in 0.8-25 mm is known; the lowest grade for a flat floor.

    process: of the simulator. None where the scale knows nothing of the band.
    """
    scale = scale or load_scale(SCALE)
    curves = scale.curves_for(BAND, SCALE_PROCESS.get(process))
    if not curves:
        return None
    if sq_mm <= 0:
        return scale.grades[0]
    said = weigh_grades(np.array([math.log(sq_mm)]), np.array([EXACT]), curves)
    return scale.grades[int(said.probabilities[0].argmax())]
