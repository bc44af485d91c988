"""Shorthand for invented floors read against chips."""

from assessor.grading.scale import load_scale
from assessor.simulate.readings import ReadFloors, draw_readings
from tests.grading.helpers import BAND

PRIOR = load_scale("prior-10")
(GROUND,) = PRIOR.curves_for(BAND, "ground")


def read_floors(seed, sites, spots, *, curve=GROUND, **changes):
    """Return readings, and the true offset of every site (sites, )."""
    drawn = draw_readings(seed, ReadFloors(sites, spots, **changes), curve)
    return drawn.readings, drawn.offset
