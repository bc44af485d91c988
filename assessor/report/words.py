"""Numbers and findings as a foreman reads them, so that picture, page, table and terminal say the same."""

from __future__ import annotations

import math
from collections.abc import Sequence

from assessor.report.schema import CaptureRecord, ScaleRecord, SuggestionRecord, VerdictRecord
from assessor.report.schema_base import BandRecord, QuantityRecord

NOTICE = "Suggestion, not a grade: confirm against the chips."
RENDERED = "RENDERED PHOTOS: made by a computer, no real floor"
MIXED = "SOME PHOTOS ARE RENDERED: made by a computer"
INTERVAL_NOTE = "± is the 90 % interval"
ESTIMATE = "ESTIMATE, NOT MEASURED"
NO_ESTIMATE = "NO ESTIMATE, NOTHING MEASURED"
CALLS = {"chip": "READY FOR THE CHIP", "rework": "REWORK", "shot": "CAN'T TELL: DO THIS"}
NAMES = {
    "Sq": "root mean square height",
    "Sa": "mean height",
    "Sz": "peak to valley",
    "Sdq": "root mean square slope",
    "contrast": "shading: ranks spots shot alike",
    "MPD": "mean profile depth",
    "ETD": "as a sand patch would read",
}
SCALES = {
    "prior": "scale: prior, not measured on chips",
    "real": "scale: measured on chips",
    "rendered": "scale: from RENDERED chips, not real ones",
}
KINDS = {
    "single": "one photo",
    "angles": "photos from several sides",
    "torch": "torch",
    "fused": "photos from several sides and torch, joined",
    "overview": "overview",
}
STATUS = {"assessed": "assessed", "refused": "refused", "failed": "internal error"}


def quantity_words(quantity: QuantityRecord | None) -> str:
    """ "0.105 ± 0.007 mm", "at most 0.012 mm", "estimate 0.11 (0.06 to 0.2) mm", or "not measured"."""
    if quantity is None or quantity.value is None or quantity.high90 is None:
        return "not measured"
    unit = f" {quantity.unit}" if quantity.unit else ""
    if quantity.estimated:
        return f"estimate {quantity.value:.2g} ({interval_words(quantity)}){unit}"
    if quantity.bound == "upper":
        return f"at most {_round_up(quantity.high90)}{unit}"
    if quantity.low90 is None:
        return f"{quantity.value:.3g}{unit}"
    half = max(quantity.high90 - quantity.value, quantity.value - quantity.low90)
    digits = decimals(half)
    return f"{quantity.value:.{digits}f} ± {half:.{digits}f}{unit}"


def interval_words(quantity: QuantityRecord) -> str:
    """The 90 % interval as its two ends: what is estimated lies farther above its middle than below."""
    if quantity.low90 is None or quantity.high90 is None:
        return "no interval"
    return f"{quantity.low90:.2g} to {quantity.high90:.2g}"


def decimals(half_width: float) -> int:
    """Decimals to print so that a half width keeps one digit, or two where it starts with 1 (GUM 7.2.6)."""
    if not half_width > 0:
        return 3
    exponent = math.floor(math.log10(half_width))
    leading = half_width / 10**exponent
    return max(0, -exponent + (1 if leading < 1.95 else 0))


def _round_up(bound: float) -> str:
    """An upper bound to two digits, never rounded down."""
    digits = max(0, 1 - math.floor(math.log10(bound))) if bound > 0 else 3
    return f"{math.ceil(bound * 10**digits - 1e-9) / 10**digits:.{digits}f}"


def band_words(band: BandRecord) -> str:
    """ "2.5-25 mm"."""
    return f"{band.short_mm:g}-{band.long_mm:g} mm"


def grades_words(grades: Sequence[int]) -> str:
    """Join grades to runs: (3, 4, 5, 7) reads "3-5, 7"."""
    runs: list[list[int]] = []
    for grade in sorted(grades):
        if runs and grade == runs[-1][-1] + 1:
            runs[-1].append(grade)
        else:
            runs.append([grade])
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)


def percent(probability: float) -> str:
    """ "61 %", with "<1 %" and ">99 %" at the ends, since no probability here is 0 or 1."""
    if probability < 0.01:
        return "<1 %"
    if probability > 0.99:
        return ">99 %"
    return f"{100 * probability:.0f} %"


def suggestion_words(suggestion: SuggestionRecord) -> str:
    """The suggestion in one line."""
    if suggestion.abstained_because:
        return suggestion.abstained_because
    text = f"CSP {grades_words(suggestion.set90)} (holds 90 %)"
    if suggestion.best is not None and suggestion.confidence is not None and len(suggestion.set90) > 1:
        text += f", most likely {suggestion.best} ({percent(suggestion.confidence)})"
    return text


def estimate_words(record: CaptureRecord) -> str:
    """The loud line of an estimate, "" for a measurement."""
    estimate = record.estimate
    if estimate is None:
        return ""
    loud = NO_ESTIMATE if estimate.abstained else ESTIMATE
    if estimate.form == "pair":
        return f"{loud}: from two torch photos"
    n = len(estimate.photos)
    return f"{loud}: from one photo" if n == 1 else f"{loud}: from {n} photos, each by itself"


def is_silent(record: CaptureRecord) -> bool:
    """Whether the model claims nothing, so that equal bars for all grades would only look like a finding."""
    return record.estimate is not None and bool(record.estimate.abstained)


def call_words(record: CaptureRecord) -> str:
    """The call against the target range in capitals, "" without one; what rests on an estimate says so."""
    verdict = record.suggestion.verdict if record.suggestion else None
    if verdict is None:
        return ""
    call = CALLS[verdict.call]
    return f"BY ESTIMATE: {call}" if record.estimate and verdict.call != "shot" else call


def light_words(record: CaptureRecord) -> str:
    """Where the light of each estimated photo came from, as on a clock's face; "" where nothing was estimated."""
    said = []
    for seen in record.estimate.photos if record.estimate else ():
        lights = seen.lighting.lights if seen.lighting else ()
        from_where = [
            f"{light.elevation_deg:.0f}° up at {clock_words(light.azimuth_deg)}" for light in lights
        ]
        said.append(" and ".join(from_where) or "no light seen in the tabs' shadows")
    return "; ".join(said)


def scale_words(scale: ScaleRecord) -> str:
    """Which scale, and whether it was measured on chips."""
    return f"{SCALES[scale.origin]} ({scale.name}, {scale.edition} set)"


def verdict_words(verdict: VerdictRecord) -> str:
    """Target range with its three probabilities."""
    return (
        f"target CSP {verdict.low}-{verdict.high}: short {percent(verdict.p_short)}, "
        f"in range {percent(verdict.p_in_range)}, over {percent(verdict.p_over)}"
    )


def direction_words(record: CaptureRecord) -> str:
    """Lay of the texture, or that it has none."""
    direction = record.texture.direction if record.texture else None
    if direction is None or direction.lay_deg is None:
        return "has no direction"
    u = f" ± {1.645 * direction.u_deg:.0f}" if direction.u_deg is not None else ""
    return f"runs at {direction.lay_deg:.0f}{u}° from the card's bottom edge"


def torch_words(record: CaptureRecord) -> str:
    """Whether the torch's numbers are confirmed, how much of the light it gave, and the dark photo; "" without one."""
    slopes, torches = record.slopes, record.torches
    if slopes is None:
        return ""
    said = f"{slopes.n_lights} torch photos: "
    said += (
        "two halves check each other." if slopes.confirmed else "too few to check themselves, NOT CONFIRMED."
    )
    if slopes.torch_share is not None:
        said += f" {percent(slopes.torch_share)} of the light was the torch's."
    if torches is not None:
        said += " One photo without torch." if torches.dark_photo else " No photo without torch."
    if not is_placed(record):
        said += " NO MILLIMETRES: nothing tells how high it was held."
    if record.kind == "fused":
        said += " Joined with the photos from the sides."
    return said


def is_placed(record: CaptureRecord) -> bool:
    """Whether heights are in millimetres: False where no tab's shadow tells how high the torch was held."""
    alone = record.kind == "torch" and record.torches is not None
    return not (alone and record.torches is not None and record.torches.u_tan_common is None)


def clock_words(azimuth_deg: float) -> str:
    """Where a torch stood, as on a clock's face laid on the sheet, 12 at its top (azimuth 90): "3 o'clock"."""
    hour = round((90.0 - azimuth_deg) / 30.0) % 12
    return f"{hour or 12} o'clock"


def origin_words(record: CaptureRecord) -> str:
    """A loud line for rendered photos, empty for a camera's."""
    return {"rendered": RENDERED, "mixed": MIXED, "camera": ""}[record.origin]


def headline(record: CaptureRecord) -> str:
    """The one line a person reads first."""
    if record.status == "failed":
        return record.failure or "internal error, please report"
    if record.suggestion is None:
        return record.refused[-1].sentence if record.refused else "not measured"
    words = suggestion_words(record.suggestion)
    stands = record.estimate is not None and not record.suggestion.abstained_because
    return f"Estimate: {words}" if stands else words
