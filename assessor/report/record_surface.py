"""Patches and aggregate from the pipeline's values to the stored record; no number is computed, only named."""

from __future__ import annotations

from collections.abc import Sequence

from assessor.flags import describe
from assessor.report.record_torch import finite
from assessor.report.schema_base import BandRecord, FlagRecord, QuantityRecord
from assessor.report.schema_surface import (
    AggregateRecord,
    EvidenceRecord,
    OutcomeRecord,
    PatchRecord,
    SeparatingTestRecord,
    SieveRecord,
    SurfaceRecord,
)
from assessor.report.words_surface import LOW_PHOTO, NOT_CLEAN
from assessor.surface.separating import separating_test
from assessor.values import Quantity
from assessor.values.surface import PATCH_KINDS, Aggregate, Patch, Surface


def surface_record(surface: Surface | None) -> SurfaceRecord | None:
    """What was seen of the floor beside its texture."""
    if surface is None:
        return None
    patches = surface.patches
    ordered = [*patches.shown, *(patch for patch in patches.found if not patch.sure)]
    return SurfaceRecord(
        notice=NOT_CLEAN,
        judged_mm2=patches.judged_mm2,
        patches=tuple(_patch(number, patch) for number, patch in enumerate(ordered, start=1)),
        gloss=patches.gloss,
        gloss_why=patches.gloss_why,
        next_shot=LOW_PHOTO if patches.gloss == "cannot-tell" else None,
        model=patches.model,
        photos=patches.photo_names,
        low_photos=surface.low_photos,
        floor=surface.floor,
        flags=flag_records(patches.flags),
        aggregate=_aggregate(surface.aggregate),
    )


def _patch(number: int, patch: Patch) -> PatchRecord:
    return PatchRecord(
        number=number,
        shown=patch.sure,
        look=patch.look,
        kind=patch.kind,
        probabilities={kind: patch.probability(kind) for kind in PATCH_KINDS},
        likely=patch.likely,
        outline_mm=tuple((round(float(x), 2), round(float(y), 2)) for x, y in patch.outline_mm),
        centre_mm=patch.centre_mm,
        area_mm2=patch.area_mm2,
        u_area_mm2=patch.u_area_mm2,
        distance_mm=patch.distance_mm,
        contrast=patch.contrast,
        u_contrast=patch.u_contrast,
        evidence=tuple(
            EvidenceRecord(name=seen.name, value=finite(seen.value), u=finite(seen.u), words=seen.words)
            for seen in patch.evidence
        ),
        test=_test(patch.test),
    )


def _test(code: str) -> SeparatingTestRecord:
    test = separating_test(code)
    return SeparatingTestRecord(
        code=test.key,
        name=test.name,
        sentence=test.how,
        outcomes=tuple(OutcomeRecord(seen=row.seen, means=row.means) for row in test.outcomes),
        caution=test.caution,
    )


def _aggregate(aggregate: Aggregate | None) -> AggregateRecord | None:
    if aggregate is None:
        return None
    stands = not aggregate.abstained
    uneven = aggregate.uneven if stands else None
    return AggregateRecord(
        coarse=quantity_record(aggregate.coarse) if stands else None,
        visible=quantity_record(aggregate.visible) if stands else None,
        coarse_around90=aggregate.coarse_around90 if stands else None,
        visible_around90=aggregate.visible_around90 if stands else None,
        smallest_mm=aggregate.smallest_mm,
        sizes=tuple(
            SieveRecord(sieve_mm=row.sieve_mm, passing=row.passing, low90=row.low90, high90=row.high90)
            for row in aggregate.sizes
            if stands
        ),
        uneven=finite(uneven[0]) if uneven else None,
        uneven_low90=finite(uneven[1]) if uneven else None,
        uneven_high90=finite(uneven[2]) if uneven else None,
        block_mm=aggregate.block_mm,
        n_particles=aggregate.n_particles,
        plausible=aggregate.plausible,
        method=aggregate.method,
        flags=flag_records(aggregate.flags),
        abstained=flag_records(aggregate.abstained),
    )


def quantity_record(quantity: Quantity) -> QuantityRecord:
    """One number with its interval, band and method."""
    return QuantityRecord(
        name=quantity.name,
        value=finite(quantity.value),
        u=finite(quantity.u),
        low90=finite(quantity.low90),
        high90=finite(quantity.high90),
        unit=quantity.unit,
        bound=quantity.bound,
        band=BandRecord(short_mm=quantity.band.short_mm, long_mm=quantity.band.long_mm),
        spacing_mm=quantity.spacing_mm,
        method=quantity.method,
        estimated=quantity.estimated,
    )


def flag_records(codes: Sequence[str]) -> tuple[FlagRecord, ...]:
    """Flags with sentence and remedy, each once."""
    unique = tuple(dict.fromkeys(codes))
    return tuple(FlagRecord(code=f.code, sentence=f.sentence, remedy=f.remedy) for f in describe(unique))
