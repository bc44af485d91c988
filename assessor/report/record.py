"""From the pipeline's values to the stored record; no number is computed here, only named and made finite."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from assessor.errors import AssessorError
from assessor.report.record_surface import flag_records, quantity_record, surface_record
from assessor.report.record_torch import (
    finite,
    passed_records,
    slopes_record,
    tone_record,
    torches_record,
)
from assessor.report.schema import (
    CaptureRecord,
    CardRecord,
    ChanceRecord,
    DirectionRecord,
    GeometryRecord,
    Origin,
    PhotoRecord,
    PrintRecord,
    RefusalRecord,
    ScaleRecord,
    SuggestionRecord,
    TextureRecord,
    VerdictRecord,
)
from assessor.report.schema_base import BandRecord
from assessor.report.schema_estimate import EstimateRecord, SeenRecord
from assessor.report.schema_heights import HeightsRecord, TransferRecord
from assessor.report.schema_light import LightingRecord, LightRecord
from assessor.report.words import NOTICE
from assessor.values import (
    Adjustment,
    Band,
    CaptureResult,
    CardSighting,
    Exif,
    HeightMap,
    Lighting,
    Photo,
    PrintScale,
    Suggestion,
    TargetRange,
    Texture,
)

RENDERED_MAKE = "Rendered"  # our own renderers write this as the Exif Make, so that truth and toy stay apart


@dataclass(frozen=True, slots=True)
class SourceFile:
    """One file of a capture, known before decoding: shown name, SHA-256 and Exif; a video is a sweep."""

    name: str
    sha256: str
    exif: Exif
    is_sweep: bool = False


@dataclass(frozen=True, slots=True)
class RecordHead:
    """What is known of a capture before anything is measured; the same for every outcome."""

    capture: str
    why_grouped: str
    key: str
    assessor_version: str
    assessed_at_utc: str
    settings_digest: str
    scale: ScaleRecord
    target: TargetRange | None
    print_scale: PrintScale
    measured_bars_mm: tuple[float, float] | None
    files: tuple[SourceFile, ...]


def assessed_record(head: RecordHead, result: CaptureResult) -> CaptureRecord:
    """Record of a capture that was measured or estimated."""
    return CaptureRecord(
        **_head_fields(head, result),
        status="assessed",
        kind=result.kind,
        refused=tuple(_refusal(error) for error in result.refused),
        failure=None,
        geometry=_geometry(result.adjustment),
        better_kind=result.better_kind,
        lighting=_lighting(result.lighting),
        torches=torches_record(result.torches, result.dark_photo),
        slopes=slopes_record(result.slopes),
        tone=tone_record(result.tone),
        estimate=_estimate(result),
        heights=None if result.heights is None else _heights(result.heights),
        texture=_texture(result.texture),
        suggestion=_suggestion(result.suggestion),
        surface=surface_record(result.surface),
        flags=flag_records(result.flags),
        seconds={name: round(float(spent), 4) for name, spent in result.seconds.items()},
    )


def refused_record(head: RecordHead, refused: Sequence[Exception], error: AssessorError) -> CaptureRecord:
    """Record of a capture that cannot be measured: the photos refused, then the capture's own finding."""
    rows = (*(_refusal(each) for each in refused), _refusal(error))
    return _unmeasured(head, "refused", refused=rows, failure=None)


def failed_record(head: RecordHead, failure: str) -> CaptureRecord:
    """Record of a capture that one of our own errors stopped."""
    return _unmeasured(head, "failed", refused=(), failure=failure)


def origin_of(files: Sequence[SourceFile]) -> Origin:
    """Whether the photos say that they were rendered."""
    rendered = {_is_rendered(file.exif) for file in files}
    if rendered == {True}:
        return "rendered"
    return "mixed" if True in rendered else "camera"


def _origin(head: RecordHead, result: CaptureResult | None) -> Origin:
    """Where a result comes from: what the files used say, or all where nothing was measured."""
    if result is None:
        return origin_of(head.files)
    frames = {file: _frames(file, result) for file in head.files}
    used = [replace(file, exif=_exif(file, seen)) for file, seen in frames.items() if seen]
    return origin_of(used or head.files)


def _frames(file: SourceFile, result: CaptureResult) -> list[tuple[Photo, CardSighting]]:
    """The photos of the result that a file gave: one, or the frames of a video, named by it and their time."""
    seen = {sighting.photo_name: sighting for sighting in result.sightings}
    pairs = [(photo, seen[photo.name]) for photo in result.photos if photo.name in seen]
    if file.is_sweep:
        return [pair for pair in pairs if pair[0].name.rpartition("@")[0] == file.name]
    return [pair for pair in pairs if pair[0].name == file.name]


def _is_rendered(exif: Exif) -> bool:
    return (exif.make or "").strip().lower() == RENDERED_MAKE.lower()


def _unmeasured(
    head: RecordHead, status: Any, *, refused: tuple[RefusalRecord, ...], failure: str | None
) -> CaptureRecord:
    return CaptureRecord(
        **_head_fields(head, None),
        status=status,
        kind=None,
        refused=refused,
        failure=failure,
        geometry=None,
        heights=None,
        texture=None,
        suggestion=None,
        flags=(),
        seconds={},
    )


def _head_fields(head: RecordHead, result: CaptureResult | None) -> dict[str, Any]:
    return {
        "capture": head.capture,
        "why_grouped": head.why_grouped,
        "key": head.key,
        "assessor_version": head.assessor_version,
        "assessed_at_utc": head.assessed_at_utc,
        "settings_digest": head.settings_digest,
        "scale": head.scale,
        "target_range": (head.target.low, head.target.high) if head.target else None,
        "origin": _origin(head, result),
        "print": PrintRecord(
            measured_bars_mm=head.measured_bars_mm,
            checked=head.print_scale.checked,
            ratio_x=head.print_scale.x,
            ratio_y=head.print_scale.y,
            u_ratio_x=head.print_scale.u_x,
            u_ratio_y=head.print_scale.u_y,
        ),
        "photos": tuple(_photo(file, result) for file in head.files),
    }


def _photo(file: SourceFile, result: CaptureResult | None) -> PhotoRecord:
    frames = _frames(file, result) if result else []
    width_px, height_px = frames[0][0].size_px if frames else (None, None)
    card = _card(frames[0][1], result) if result and frames else None
    exif = _exif(file, frames)
    return PhotoRecord(
        file=file.name,
        sha256=file.sha256,
        used=card is not None,
        for_shine=result is not None
        and result.surface is not None
        and file.name in result.surface.low_photos,
        width_px=width_px,
        height_px=height_px,
        rendered=_is_rendered(exif),
        make=exif.make,
        model=exif.model,
        focal_35mm=finite(exif.focal_35mm),
        exposure_s=finite(exif.exposure_s),
        iso=finite(exif.iso),
        flash_fired=exif.flash_fired,
        taken_at=exif.taken_at,
        card=card,
        n_frames=len(frames) if file.is_sweep else None,
    )


def _exif(file: SourceFile, frames: Sequence[tuple[Photo, CardSighting]]) -> Exif:
    """A photo's Exif; a video's notes are known only after decoding, and every frame carries them."""
    return frames[0][0].exif if file.is_sweep and frames else file.exif


def _card(sighting: CardSighting, result: CaptureResult) -> CardRecord:
    gradients = [r.light_gradient for r in result.rectified if r.photo_name == sighting.photo_name]
    return CardRecord(
        design=sighting.design,
        serial=sighting.serial,
        n_markers=len(sighting.marker_ids),
        px_per_mm=sighting.px_per_mm,
        tilt_deg=sighting.tilt_deg,
        edge_width_px=sighting.edge_width_px,
        edge_width_mm=sighting.edge_width_mm,
        clipped_fraction=sighting.clipped_fraction,
        light_gradient=finite(gradients[0]) if gradients else None,
        flags=flag_records(sighting.flags),
    )


def _geometry(adjustment: Adjustment) -> GeometryRecord:
    return GeometryRecord(
        rms_px=adjustment.rms_px,
        rms_mm=adjustment.rms_mm,
        focal_source=adjustment.focal_source,
        bow_mm=tuple(float(term) for term in adjustment.bow_mm),
        ratio_x=adjustment.print_scale.x,
        ratio_y=adjustment.print_scale.y,
        u_gain=finite(adjustment.u_gain),
        camera_distances_mm=tuple(float(np.linalg.norm(c.position_mm)) for c in adjustment.cameras),
    )


def _lighting(lighting: Lighting | None) -> LightingRecord | None:
    if lighting is None:
        return None
    return LightingRecord(
        lights=tuple(LightRecord(**asdict(light)) for light in lighting.lights),
        diffuse_share=finite(lighting.diffuse_share),
        moved_deg=finite(lighting.moved_deg),
        method=lighting.method,
        sentence=lighting.sentence,
    )


def _estimate(result: CaptureResult) -> EstimateRecord | None:
    estimate = result.estimate
    if estimate is None:
        return None
    stands = not estimate.abstained
    return EstimateRecord(
        form=estimate.form,
        model=estimate.model,
        sq_mm=finite(estimate.sq_mm) if stands else None,
        half_width_octaves=finite(estimate.half90) if stands else None,
        light_known=estimate.light_known,
        strangeness=finite(estimate.strangeness),
        abstained=estimate.abstained,
        photos=tuple(
            SeenRecord(photo=photo.name, lighting=_lighting(light))
            for photo, light in zip(result.photos, result.lightings, strict=True)
        ),
    )


def _heights(heights: HeightMap) -> HeightsRecord:
    transfer = heights.transfer
    return HeightsRecord(
        spacing_mm=1.0 / heights.px_per_mm,
        rows=heights.height_mm.shape[0],
        cols=heights.height_mm.shape[1],
        valid_fraction=float(heights.valid.mean()),
        shortest_trusted_mm=heights.shortest_trusted_mm,
        agreement=finite(heights.agreement),
        u_scale=heights.u_scale,
        method=heights.method,
        transfer=TransferRecord(
            wavelength_mm=tuple(float(w) for w in transfer.wavelength_mm),
            amplitude=tuple(finite(a) for a in transfer.amplitude),
            u_amplitude=tuple(finite(a) for a in transfer.u_amplitude),
            method=transfer.method,
        ),
        passed=passed_records(transfer),
    )


def _texture(texture: Texture) -> TextureRecord:
    direction = texture.direction
    return TextureRecord(
        quantities=tuple(quantity_record(quantity) for quantity in texture.quantities),
        direction=DirectionRecord(
            lay_deg=finite(direction.lay_deg),
            u_deg=finite(direction.u_deg),
            strength=finite(direction.strength),
        ),
        noise_floor_mm=finite(texture.noise_floor_mm),
        noise_band=_band(texture.noise_band),
        valid_fraction=texture.valid_fraction,
    )


def _suggestion(suggestion: Suggestion) -> SuggestionRecord:
    verdict = suggestion.verdict
    return SuggestionRecord(
        notice=NOTICE,
        chances=tuple(
            ChanceRecord(grade=grade, probability=float(probability), typical_mm=typical)
            for grade, probability, typical in zip(
                suggestion.grades,
                suggestion.probabilities,
                suggestion.typical_mm or (None,) * len(suggestion.grades),
                strict=True,
            )
        ),
        set90=suggestion.set90,
        best=suggestion.best,
        confidence=finite(suggestion.confidence),
        abstained_because=suggestion.abstained_because,
        reasons=suggestion.reasons,
        narrows=suggestion.narrows,
        verdict=None
        if verdict is None
        else VerdictRecord(
            low=verdict.target.low,
            high=verdict.target.high,
            p_short=verdict.p_short,
            p_in_range=verdict.p_in_range,
            p_over=verdict.p_over,
            call=verdict.call,
            sentence=verdict.sentence,
            next_shot=verdict.next_shot,
        ),
        weighed=None if suggestion.weighed is None else quantity_record(suggestion.weighed),
        area_mm=suggestion.area_mm,
    )


def _band(band: Band) -> BandRecord:
    return BandRecord(short_mm=band.short_mm, long_mm=band.long_mm)


def _refusal(error: Exception) -> RefusalRecord:
    if not isinstance(error, AssessorError):
        raise TypeError(f"a refusal must be an AssessorError, not {type(error).__name__}")
    return RefusalRecord(file=error.file, code=error.code, sentence=str(error))
