"""From verdicts and photos of water drops to the form that is stored."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from assessor.report.schema_drops import (
    AngleRecord,
    DropPhotoRecord,
    DropRowRecord,
    DropsRecord,
    PhotoDropRecord,
    SeenRecord,
)
from assessor.report.words_drops import LIMITS, cautions
from assessor.surface.drop_record import DropEntry, DropRecord
from assessor.surface.drop_values import DropPhoto, PhotoDrop
from assessor.surface.drop_verdict import DropsVerdict, DropVerdict


def round_record(
    record: DropRecord,
    verdict: DropsVerdict,
    photos: Sequence[DropPhotoRecord],
    *,
    area_m2: float | None,
    file: tuple[str, str],
    made: tuple[str, str],
) -> DropsRecord:
    """The whole round; file: the crew's record and its digest; made: version of the program and when."""
    rows = [_row(entry, told) for entry, told in zip(record.drop, verdict.drops, strict=True)]
    return DropsRecord(
        assessor_version=made[0],
        made_at_utc=made[1],
        record_file=file[0],
        record_sha256=file[1],
        job=record.job,
        who=record.who,
        when=record.when,
        slab_temperature_c=record.temperature_c,
        drop_volume_ml=record.drop_volume_ml,
        how_dropped=record.how_dropped,
        area_m2=area_m2 if area_m2 is not None else record.floor_area_m2,
        water_allowed=record.water_allowed,
        spots_tested=verdict.spots,
        spots_needed=verdict.needed,
        count_words=verdict.count_words,
        drops=rows,
        photos=list(photos),
        notes=list(verdict.notes),
        cautions=list(cautions()),
        limits=list(LIMITS),
    )


def photo_record(
    photo: DropPhoto,
    *,
    file: tuple[str, str],
    before: tuple[str | None, str | None] = (None, None),
    rendered: bool,
    matched: Mapping[str, PhotoDrop],
    why: Mapping[str, str],
    picture: str,
) -> DropPhotoRecord:
    """One photo that could be used; file: its name in the crew's record and its digest.

    before: name of the photo before the drops, and why that one could not be used.
    """
    names = {id(drop): name for name, drop in matched.items()}
    return DropPhotoRecord(
        file=file[0],
        sha256=file[1],
        rendered=rendered,
        refused=None,
        before=before[0],
        before_refused=before[1],
        px_per_mm=photo.px_per_mm,
        light_azimuth_deg=photo.light_azimuth_deg,
        picture=picture,
        drops=[_photo_drop(drop, names.get(id(drop))) for drop in photo.drops],
        unmatched=dict(why),
        notes=list(photo.notes),
    )


def refused_photo(name: str, sha256: str, sentence: str, drops: Sequence[str]) -> DropPhotoRecord:
    """One photo that could not be used, and the drops that it should have shown."""
    return DropPhotoRecord(
        file=name,
        sha256=sha256,
        rendered=False,
        refused=sentence,
        px_per_mm=None,
        light_azimuth_deg=None,
        picture=None,
        drops=[],
        unmatched=dict.fromkeys(drops, "the photo could not be used"),
        notes=[],
    )


def _row(entry: DropEntry, told: DropVerdict) -> DropRowRecord:
    return DropRowRecord(
        spot=entry.spot,
        control=entry.control,
        seconds_to_absorb=entry.seconds_to_absorb,
        not_absorbed_after_s=entry.not_absorbed_after_s,
        seen=list(entry.seen),
        porosity=told.porosity,
        porosity_why=told.porosity_why,
        shape=told.shape,
        shape_why=told.shape_why,
        repels=told.repels,
        repels_why=told.repels_why,
        next_step=told.next_step,
    )


def _photo_drop(drop: PhotoDrop, name: str | None) -> PhotoDropRecord:
    angle = drop.angle
    return PhotoDropRecord(
        x_mm=round(drop.centre_mm[0], 2),
        y_mm=round(drop.centre_mm[1], 2),
        width_mm=drop.width_mm,
        u_width_mm=drop.u_width_mm,
        shape=drop.shape,
        why=drop.why,
        angle=None if angle is None else AngleRecord(deg=angle.deg, u_deg=angle.u_deg, cap_deg=angle.cap_deg),
        evidence=[SeenRecord(name=e.name, value=e.value, u=e.u, words=e.words) for e in drop.evidence],
        matched=name,
        outline_mm=[(round(float(x), 2), round(float(y), 2)) for x, y in drop.outline_mm],
    )
