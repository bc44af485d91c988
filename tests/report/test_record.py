"""The stored record: complete, finite, readable again, and obeying its own published schema."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import jsonschema
import pytest

from assessor.errors import TooBlurred, TooFewPhotos
from assessor.report.record import SourceFile, assessed_record, failed_record, origin_of, refused_record
from assessor.report.schema import CaptureRecord, json_schema
from assessor.values import Exif, TargetRange
from tests.fakes import fake_head, fake_photo, fake_result, fake_torch_result, unplaced_result


def record(**changes: Any) -> CaptureRecord:
    photos = (fake_photo("spot/a.jpg"), fake_photo("spot/b.jpg"))
    blurred = TooBlurred("edges are 6.1 px wide, at most 4 px are usable", file="spot/b.jpg")
    head = fake_head(photos, target=TargetRange(3, 5))
    return assessed_record(head, fake_result(photos[:1], target=TargetRange(3, 5), refused=(blurred,)))


def test_what_is_stored_reads_back_the_same() -> None:
    before = record()
    assert CaptureRecord.model_validate_json(before.model_dump_json()) == before


def test_undefined_numbers_are_null_and_json_is_strict() -> None:
    text = record().model_dump_json()
    stored = json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
    skew = next(row for row in stored["texture"]["quantities"] if row["name"] == "Ssk")
    assert skew["value"] is None


def test_used_and_refused_photos_are_told_apart() -> None:
    stored = record()
    assert [(photo.file, photo.used) for photo in stored.photos] == [
        ("spot/a.jpg", True),
        ("spot/b.jpg", False),
    ]
    assert stored.refused[0].code == "too-blurred"
    assert stored.refused[0].sentence.startswith("spot/b.jpg: edges are 6.1 px wide")
    assert stored.photos[0].card is not None
    assert stored.photos[0].card.light_gradient == pytest.approx(0.12)


def test_a_file_that_is_no_photo_does_not_make_a_rendered_capture_mixed() -> None:
    photo, broken = fake_photo("spot/a.jpg"), fake_photo("spot/notes.jpg", make="")
    stored = assessed_record(fake_head((photo, broken)), fake_result((photo,)))
    assert stored.origin == "rendered"


def test_every_result_says_that_it_is_a_suggestion_from_a_prior() -> None:
    stored = record()
    assert stored.suggestion is not None
    assert "confirm against the chips" in stored.suggestion.notice
    assert stored.scale.is_prior
    assert stored.target_range == (3, 5)


def test_flags_come_with_sentence_and_remedy_once() -> None:
    codes = [flag.code for flag in record().flags]
    assert codes == ["bars-unchecked", "scale-prior", "few-valid"]
    assert all(flag.sentence and flag.remedy for flag in record().flags)


def test_a_refused_capture_keeps_the_reasons_of_its_photos() -> None:
    blurred = TooBlurred("edges are 6.1 px wide", file="spot/b.jpg")
    stored = refused_record(fake_head(), (blurred,), TooFewPhotos("1 photo is usable of the 4 needed"))
    assert [row.code for row in stored.refused] == ["too-blurred", "too-few-photos"]
    assert (stored.status, stored.texture, stored.suggestion) == ("refused", None, None)


def test_a_failure_is_neither_refused_nor_assessed() -> None:
    stored = failed_record(fake_head(), "internal error")
    assert (stored.status, stored.failure, stored.refused) == ("failed", "internal error", ())


@pytest.mark.parametrize(
    ("makes", "origin"),
    [(["Rendered", "Rendered "], "rendered"), (["Rendered", "Acme"], "mixed"), (["Acme", None], "camera")],
)
def test_rendered_photos_are_told_apart(makes: list[str | None], origin: str) -> None:
    assert origin_of([SourceFile("a", "", Exif(make=make)) for make in makes]) == origin


def torch_record(n_lights: int = 8, **changes: Any) -> CaptureRecord:
    result = fake_torch_result(n_lights, **changes)
    return assessed_record(fake_head(result.photos), result)


def test_a_torch_capture_stores_torches_slopes_tone_and_what_it_passes() -> None:
    stored = torch_record()
    assert CaptureRecord.model_validate_json(stored.model_dump_json()) == stored
    assert (stored.kind, stored.lighting) == ("torch", None)
    assert stored.torches is not None
    assert stored.torches.dark_photo == "spot/dark.jpg"
    assert [(t.photo, t.azimuth_deg, t.distance_mm) for t in stored.torches.torches][::7] == [
        ("spot/t1.jpg", 0.0, 500.0),  # 400, 0, 300 mm: a 3-4-5 triangle
        ("spot/t8.jpg", 315.0, None),
    ]
    assert stored.slopes is not None
    assert (stored.slopes.n_lights, stored.slopes.confirmed, stored.slopes.torch_share) == (8, True, 0.62)
    assert stored.tone is not None
    assert (len(stored.tone.photos), stored.tone.photos[0].u_tone, stored.tone.relit) == (8, 0.008, 0.03)
    assert stored.heights is not None
    assert [(row.wavelength_mm, row.amplitude) for row in stored.heights.passed] == [
        (0.5, None), (1.0, 0.3), (2.0, 0.86),  # the fake's nodes begin at 1 mm
    ]  # fmt: skip


def test_four_lights_are_not_confirmed() -> None:
    stored = torch_record(4)
    assert stored.slopes is not None
    assert not stored.slopes.confirmed
    assert "not-confirmed" in [flag.code for flag in stored.flags]


def test_plain_numbers_are_those_that_all_kinds_share_and_fine_ones_have_their_own_name() -> None:
    stored, plain = torch_record(), record()
    one, other = stored.quantity("Sq"), plain.quantity("Sq")
    assert one is not None
    assert other is not None
    assert one.band == other.band
    fine = stored.fine("Sq")
    assert fine is not None
    assert (fine.value, fine.band.short_mm, fine.band.long_mm) == (0.021, 0.5, 8.0)
    assert plain.fine("Sq") is None
    assert stored.quantity("Sdq") is None  # only in the fine band here


def test_the_better_kind_comes_from_the_result() -> None:
    told = replace(fake_result(), better_kind="This floor is coarse for a torch.")
    assert assessed_record(fake_head(), told).better_kind == "This floor is coarse for a torch."
    assert record().better_kind is None


def test_what_no_tab_tells_is_null_and_not_a_guess() -> None:
    stored = assessed_record(fake_head(), unplaced_result())
    assert stored.torches is not None
    assert stored.torches.u_tan_common is None
    first = stored.torches.torches[0]
    assert (first.azimuth_deg, first.elevation_deg, first.u_elevation_deg, first.distance_mm, first.u_tan) == (
        0.0, None, None, None, None,
    )  # fmt: skip


def test_a_rendered_video_is_told_by_its_frames() -> None:
    """A video's file has no Exif; its frames carry what the video says of the camera."""
    frames = tuple(fake_photo(f"spot/v.mp4@{n}.25s") for n in range(3))
    head = replace(fake_head(), files=(SourceFile("spot/v.mp4", "e" * 64, Exif(), is_sweep=True),))
    stored = assessed_record(head, fake_result(frames))
    assert stored.origin == "rendered"
    assert [(photo.file, photo.used, photo.n_frames) for photo in stored.photos] == [("spot/v.mp4", True, 3)]


# JSON Schema draft 2020-12 as the PyPI package jsonschema reads it: an outside check of our own schema.
@pytest.mark.parametrize("status", ["assessed", "torch", "fused", "refused", "failed"])
def test_records_obey_the_published_schema(status: str) -> None:
    refused = refused_record(fake_head(), (), TooFewPhotos("1 photo is usable of the 4 needed"))
    stored = {
        "assessed": record(),
        "torch": torch_record(),
        "fused": torch_record(fused=True),
        "refused": refused,
        "failed": failed_record(fake_head(), "x"),
    }[status]
    validator = jsonschema.Draft202012Validator(json_schema())
    validator.check_schema(json_schema())
    validator.validate(json.loads(stored.model_dump_json()))
    with pytest.raises(jsonschema.ValidationError):
        validator.validate({**json.loads(stored.model_dump_json()), "status": "fine"})


def test_every_field_of_the_schema_is_documented() -> None:
    schema = json_schema()
    tables = [schema, *schema["$defs"].values()]
    bare = [
        f"{table['title']}.{name}"
        for table in tables
        for name, field in table["properties"].items()
        if not field.get("description")
    ]
    assert bare == []
    assert all(table.get("description") for table in tables)
