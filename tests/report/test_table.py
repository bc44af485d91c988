"""The batch as CSV."""

from __future__ import annotations

import csv
import io
import re

from assessor.errors import TooBlurred, TooFewPhotos
from assessor.report.record import assessed_record, refused_record
from assessor.report.schema import CaptureRecord
from assessor.report.table import captures_csv
from assessor.values import TargetRange
from tests.fakes import fake_head, fake_result, fake_torch_result


def rows(*records: CaptureRecord) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(captures_csv(records))))


def test_an_assessed_capture_fills_its_row() -> None:
    target = TargetRange(3, 5)
    (row,) = rows(assessed_record(fake_head(target=target), fake_result(target=target)))
    assert (row["status"], row["origin"], row["set90"], row["best_suggested_grade"]) == (
        "assessed", "rendered", "3 4 5 6", "5",
    )  # fmt: skip
    assert (row["Sq_mm"], row["Sq_band_short_mm"], row["Sq_bound"]) == ("0.212", "2.5", "value")
    assert (row["call"], row["target_low"], row["p_in_range"]) == ("shot", "3", "0.84")
    assert row["ETD_mm"] == ""
    assert "confirm against the chips" in row["notice"]


def test_a_torch_capture_keeps_both_bands_apart_and_old_columns_keep_their_place() -> None:
    result = fake_torch_result(4)
    record = assessed_record(fake_head(result.photos), result)
    (row,) = rows(record)
    assert (row["Sq_mm"], row["Sq_band_short_mm"]) == ("0.212", "2.5")
    assert (row["Sq_fine_mm"], row["Sq_fine_bound"], row["Sdq_fine"]) == ("0.021", "value", "0.11")
    assert (row["n_torches"], row["torch_confirmed"], row["dark_photo"]) == ("4", "no", "spot/dark.jpg")
    assert row["torch_azimuths_deg"] == "0 90 180 270"
    assert (row["passed_0.5_mm"], row["passed_1_mm"]) == ("", "0.3")
    names = list(row)
    assert names.index("ETD_band_long_mm") < names.index("better_kind") < names.index("Sq_fine_mm")
    (plain,) = rows(assessed_record(fake_head(), fake_result()))
    assert (plain["n_torches"], plain["torch_confirmed"], plain["Sq_fine_mm"]) == ("", "", "")


def test_no_cell_reads_as_a_date() -> None:
    target = TargetRange(3, 5)
    (row,) = rows(assessed_record(fake_head(target=target), fake_result(target=target)))
    assert not [name for name, cell in row.items() if re.fullmatch(r"[\d.]+-[\d.]+", cell)]


def test_a_refused_capture_names_its_photos_and_leaves_numbers_empty() -> None:
    blurred = TooBlurred("edges are 6.1 px wide", file="spot/b.jpg")
    (row,) = rows(refused_record(fake_head(), (blurred,), TooFewPhotos("1 photo is usable")))
    assert row["refused"] == "spot/b.jpg=too-blurred spot=too-few-photos"
    assert (row["Sq_mm"], row["set90"], row["best_probability"]) == ("", "", "")


def test_names_that_look_like_formulas_are_defused() -> None:
    (row,) = rows(assessed_record(fake_head(capture="=cmd()"), fake_result()))
    assert row["capture"] == "'=cmd()"


def test_an_empty_batch_is_a_header() -> None:
    assert captures_csv([]).startswith("capture,status,origin")
    assert rows() == []
