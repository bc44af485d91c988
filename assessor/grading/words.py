"""Say a suggestion in plain crew words; every sentence that names a grade sends the reader to the chips."""

from __future__ import annotations

from collections.abc import Sequence

from assessor.flags import describe
from assessor.grading.posterior import Width
from assessor.grading.ranges import CONFIRM, percent
from assessor.grading.scale import GradeScale
from assessor.tables.loader import MethodRow
from assessor.values import Estimate, PrintScale, Quantity, Texture

FINE_MM = 0.1  # Sq below which a torch sees more of a floor than its sides do


def say_headline(
    probabilities: Sequence[float],
    set90: Sequence[int],
    scale: GradeScale,
    width: Width,
    *,
    estimated: bool = False,
) -> str:
    """Return the one sentence to read first: the likeliest grade, its chance and the 90 % set."""
    if estimated:
        said = say_headline(probabilities, set90, scale, width)
        return f"By estimate, not measured: {said[0].lower()}{said[1:]}"
    highest = max(probabilities)
    best = scale.grades[list(probabilities).index(highest)]
    chance = percent(highest)
    if len(set90) == 1 and width.position > len(scale.grades) + 0.5:
        return f"Rougher than the last chip: at least CSP {best} ({chance}); {CONFIRM}."
    if len(set90) == 1 and width.position < 0.5:
        return f"Smoother than the first chip: CSP {best} or no profile at all ({chance}); {CONFIRM}."
    if len(set90) == 1:
        return f"Most likely CSP {best} ({chance}), no other grade likely; {CONFIRM}."
    return f"Most likely CSP {best} ({chance}), 90 % sure of CSP {set90[0]} to {set90[-1]}; {CONFIRM}."


def say_abstained(set90: Sequence[int], scale: GradeScale, *, upper: bool) -> str:
    """Return why no grade is named: only an upper bound, or a set too wide to use."""
    if upper and set90[-1] == scale.grades[-1]:
        return f"Can't name a grade: this capture only gives an upper bound that excludes none; {CONFIRM}."
    if upper:
        return f"The texture is too fine for this capture to measure: CSP {set90[-1]} or below; {CONFIRM}."
    return f"Can't name a grade: anything from CSP {set90[0]} to {set90[-1]} fits; {CONFIRM}."


def say_unmeasured(scale: GradeScale) -> str:
    """Return why no grade is named where the capture holds no amplitude that the scale knows."""
    bands = " or ".join(str(band) for band in scale.bands)
    return f"Can't name a grade: this capture has no Sq in {bands}, which {scale.name} needs; {CONFIRM}."


def say_measured(quantity: Quantity) -> str:
    """Return the measured amplitude with band and interval."""
    if quantity.bound == "upper":
        return f"Measured: Sq at most {quantity.high90:.3f} mm in {quantity.band}."
    interval = f"90 %: {quantity.low90:.3f} to {quantity.high90:.3f} mm"
    return f"Measured: Sq {quantity.value:.3f} mm in {quantity.band} ({interval})."


def say_estimated(quantity: Quantity, estimate: Estimate) -> str:
    """Return the estimated amplitude with band and interval, and what it rests on."""
    interval = f"90 %: {quantity.low90:.2g} to {quantity.high90:.2g} mm"
    photos = "two photos" if estimate.form == "pair" else "one photo"
    if len(estimate.photo_names) > 2:
        photos = f"{len(estimate.photo_names)} photos, each by itself"
    return (
        f"Estimated from {photos}, not measured: Sq about {quantity.value:.2g} mm in {quantity.band} ({interval}), "
        f"by {estimate.model}, which learned from simulated floors."
    )


def say_not_estimated(estimate: Estimate) -> str:
    """Return why the model claims nothing."""
    reasons = " ".join(flag.sentence for flag in describe(estimate.abstained))
    return f"Can't tell from {'these photos' if len(estimate.photo_names) > 1 else 'this photo'}: {reasons}"


def say_measure(estimate: Estimate, *, torch_available: bool) -> str:
    """Return the photos that would say more than this estimate: the quick pair first, then those that measure."""
    sides = "four photos, one from each side, 15 degrees off straight down"
    torch = "a second phone's light held low on eight sides in turn, a photo each"
    if not torch_available:
        return f"To measure, take {sides}."
    if estimate.abstained:
        measured = f"a coarse floor with {sides}; a fine one with {torch}"
    else:
        measured = f"it with {torch}" if estimate.sq_mm < FINE_MM else f"it with {sides}"
    hidden = estimate.along
    if estimate.form == "pair":
        again = (
            "Take both photos again with the light across the lines. Surer: measure" if hidden else "Measure"
        )
        return f"{again} {measured}."
    across = "Shine across the lines. " if hidden else ""
    return (
        f"{across}Keep the phone still above the card. Hold a second phone's light low on one side, take a photo, then"
        f" one with it on the opposite side. Surer: measure {measured}."
    )


def say_scale(scale: GradeScale) -> str:
    """Return which scale was used and how far it can be trusted."""
    if scale.refined:
        rest = "; the rest is as shipped, never measured on chips" if scale.is_prior else ""
        return f"Scale: {scale.name}: {scale.refined}{rest} ({scale.edition} set, {scale.date})."
    if scale.is_prior:
        return (
            f"Scale: {scale.name}, a prior for the {scale.edition} set, never measured on chips. "
            "It alone may be off by a grade, by two at both ends."
        )
    source = "rendered photos, not real ones," if scale.origin == "rendered" else "photos"
    return f"Scale: {scale.name}, from {source} of chips ({scale.edition}, {scale.chip_set}, {scale.date})."


def say_area(area_mm: tuple[float, float]) -> str:
    """Return over which area the floor was compared, where it was cut to the chips' size."""
    return f"Compared over the middle {area_mm[0]:g} x {area_mm[1]:g} mm, as large an area as was seen of each chip."


def say_tied(run: tuple[int, int], scale: GradeScale, chance: float) -> str:
    """Return why no one grade is named where the likeliest ones (first and last index) can't be told apart."""
    first, last = scale.grades[run[0]], scale.grades[run[1]]
    between = "or" if last == first + 1 else "to"
    return (
        f"Can't name one grade: CSP {first} {between} {last} ({percent(chance)} together), which this scale's chips "
        f"can't tell apart; {CONFIRM}."
    )


def say_order(run: tuple[int, int], scale: GradeScale) -> str:
    """Return that the scale's chips do not grow rougher from grade to grade in a run (first and last index)."""
    first, last = scale.grades[run[0]], scale.grades[run[1]]
    grades = f"CSP {first} and {last}" if last == first + 1 else f"CSP {first} to {last}"
    return (
        f"On this scale {grades} do not grow rougher with the number, so amplitude can't tell these grades apart: "
        f"{CONFIRM}."
    )


def say_process(likely: str) -> str:
    """Return that the process wasn't told, and which one weighs most."""
    return f"How the floor was prepared wasn't told; all ways were weighed, most of all: {likely}."


def say_misfit(method: MethodRow, reach: tuple[int, int]) -> str:
    """Return that the method told doesn't reach the grades found."""
    said = f"{method.name} is said to reach CSP {reach[0]} to {reach[1]}, which doesn't fit"
    return f"{said}: check what was done here, and {CONFIRM}."


def say_narrows(
    width: Width, texture: Texture, scale: GradeScale, quantity: Quantity, *, torch_available: bool
) -> str:
    """Return what would narrow the suggestion: the remedy for the largest part of its variance."""
    under_torch = texture.kind in ("torch", "fused")
    if quantity.bound == "upper":
        if under_torch:
            return (
                "Shade the spot and hold the torch on eight sides in turn: that sees a little finer. "
                "Finer still, only the hand on the chip can tell."
            )
        if torch_available:
            return "Take a torch capture: phone still, torch held low from each side; it sees finer texture."
        return (
            "Shoot six photos at 15 to 20 degrees in even shade: that sees a little finer. "
            "Finer still, only the hand on the chip can tell."
        )
    if width.dominant == "process":
        return "Say how the floor was prepared: not knowing it makes the range this wide, not the photos."
    if width.dominant == "scale" and scale.is_prior:
        return (
            "Photograph your own chips with the card to make your own scale: the shipped scale makes the "
            "range this wide, better photos of the floor won't help."
        )
    if width.dominant == "scale":
        return "Photograph each chip a few more times: your chip scale makes the range this wide."
    if texture.kind == "single":
        return "Take four photos, one from each side, 15 degrees off straight down: one photo only estimates."
    print_u = PrintScale().u_x
    if "bars-unchecked" in texture.flags and print_u**2 > 0.5 * (quantity.u / quantity.value) ** 2:
        return "Measure both check bars with a tape: the unchecked print makes the range this wide."
    if under_torch:
        return (
            "Shoot the spot again in deeper shade, torch low on eight sides in turn: the photos make the range "
            "wide."
        )
    return "Shoot the spot again with six photos, phone steady, even shade: the photos make the range wide."
