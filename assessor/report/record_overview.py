"""From an overview's values to its stored record; no number is computed, only named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from assessor.errors import PhotoError
from assessor.report.record_surface import flag_records, surface_record
from assessor.report.record_torch import finite
from assessor.report.schema import Origin
from assessor.report.schema_overview import (
    CoverageRecord,
    EvennessRecord,
    GapRecord,
    LayRecord,
    OverviewPhotoRecord,
    OverviewRecord,
    SheetRecord,
    SpreadRecord,
    StripRecord,
)
from assessor.report.words_surface import NOT_CLEAN
from assessor.values import Surface
from assessor.values.overview import Overview, Spread, Strip


@dataclass(frozen=True, slots=True)
class OverviewHead:
    """What is known beside the result: versions, time, settings, and what the person said."""

    assessor_version: str
    assessed_at_utc: str
    settings_digest: str
    origin_of_photos: Origin
    bars_checked: bool
    process: str | None
    zone_size_m: tuple[float, float] | None


def overview_record(head: OverviewHead, result: Overview, refused: Sequence[PhotoError]) -> OverviewRecord:
    """The record of one zone."""
    fit, zone = result.fit, result.zone
    corner = (zone.x_mm, zone.y_mm) if zone is not None else (0.0, 0.0)
    patches = result.patches
    return OverviewRecord(
        notice=NOT_CLEAN,
        assessor_version=head.assessor_version,
        assessed_at_utc=head.assessed_at_utc,
        settings_digest=head.settings_digest,
        origin_of_photos=head.origin_of_photos,
        bars_checked=head.bars_checked,
        process=head.process,
        zone_size_m=head.zone_size_m,
        origin=fit.origin,
        photos=(
            *(
                OverviewPhotoRecord(name=camera.photo_name, used=True, rms_px=rms, why=None, code=None)
                for camera, rms in zip(fit.cameras, fit.rms_of_photo_px, strict=True)
            ),
            *(
                OverviewPhotoRecord(name=e.file or "?", used=False, rms_px=None, why=str(e), code=e.code)
                for e in refused
            ),
        ),
        sheets=tuple(
            SheetRecord(
                name=s.name, x_mm=s.x_mm, y_mm=s.y_mm, turn_deg=s.turn_deg, u_mm=s.u_mm, u_turn_deg=s.u_turn_deg,
                photos=s.n_photos,
            )
            for s in fit.sheets
        ),
        rms_px=fit.rms_px,
        px_per_mm=result.mosaic.image.px_per_mm,
        light=result.mosaic.light.method + (f"; {why}" if (why := result.mosaic.light.why) else ""),
        u_level=result.mosaic.light.u_level,
        coverage=_coverage(result, corner),
        evenness=EvennessRecord(
            block_mm=result.evenness.block_mm,
            level=_spread(result.evenness.level_spread),
            contrast=_spread(result.evenness.contrast_spread),
        ),
        strips=tuple(_strip(number, strip, corner) for number, strip in enumerate(result.strips, start=1)),
        strips_why=result.strips_why,
        lay=_lay(result),
        surface=surface_record(Surface(patches, None, result.mosaic.image)) if patches is not None else None,
        seconds=dict(result.seconds),
        flags=flag_records(result.flags),
    )  # fmt: skip


def _metres(point: tuple[float, float], corner: tuple[float, float]) -> tuple[float, float]:
    return (round((point[0] - corner[0]) / 1000, 3), round((point[1] - corner[1]) / 1000, 3))


def _coverage(result: Overview, corner: tuple[float, float]) -> CoverageRecord:
    told = result.coverage
    return CoverageRecord(
        covered_m2=told.covered_m2,
        u_covered_m2=told.u_covered_m2,
        zone_m2=told.zone_m2,
        share=told.share,
        u_share=told.u_share,
        gaps=tuple(
            GapRecord(
                number=number,
                area_m2=gap.area_m2,
                centre_m=_metres(gap.centre_mm, corner),
                size_m=gap.size_m,
                outline_mm=tuple((round(float(x), 1), round(float(y), 1)) for x, y in gap.outline_mm),
            )
            for number, gap in enumerate(told.gaps, start=1)
        ),
        method=told.method,
    )


def _spread(spread: Spread) -> SpreadRecord:
    return SpreadRecord(
        value=finite(spread.value) if spread.value is not None else None,
        u=finite(spread.u) if spread.u is not None else None,
        chance=spread.chance,
        blocks=spread.n_blocks,
        why=spread.why,
        method=spread.method,
    )


def _strip(number: int, strip: Strip, corner: tuple[float, float]) -> StripRecord:
    return StripRecord(
        number=number,
        kind=strip.kind,
        start_m=_metres(strip.start_mm, corner),
        end_m=_metres(strip.end_mm, corner),
        length_m=strip.length_m,
        u_length_m=strip.u_length_m,
        width_m=strip.width_m,
        u_width_m=strip.u_width_m,
        level=strip.level,
        u_level=strip.u_level,
        contrast=strip.contrast,
        u_contrast=strip.u_contrast,
    )


def _lay(result: Overview) -> LayRecord:
    lay = result.lay
    return LayRecord(
        state=lay.state, one_way=lay.one_way, crossed=lay.crossed, none=lay.none, u_share=lay.u_share,
        judged_share=lay.judged_share, direction_deg=lay.direction_deg, matters=lay.matters, why=lay.why,
        method=lay.method,
    )  # fmt: skip
