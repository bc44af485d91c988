"""An estimate must never look like a measurement: record, table, page, picture, terminal."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace

import cv2
import numpy as np
import pytest
from rich.console import Console

from assessor.report import show
from assessor.report.page import capture_page, index_page
from assessor.report.panels_estimate import window_from_above
from assessor.report.picture import HEIGHT_PX, WIDTH_PX, draw_picture
from assessor.report.record import assessed_record
from assessor.report.schema import CaptureRecord
from assessor.report.table import captures_csv
from assessor.report.words import call_words, headline, quantity_words
from assessor.values import CaptureResult, TargetRange
from assessor.values.estimate import Form
from tests.fakes import fake_estimated_result, fake_head, fake_photo, fake_result, fake_sighting

LOUD = {
    "single": "ESTIMATE, NOT MEASURED: from one photo",
    "pair": "ESTIMATE, NOT MEASURED: from two torch photos",
}
FORMS: tuple[Form, ...] = ("single", "pair")


def record_of(result: CaptureResult, target: TargetRange | None = None) -> CaptureRecord:
    return assessed_record(fake_head(result.photos, target=target), result)


@pytest.mark.parametrize("form", FORMS)
def test_the_record_reads_back_and_keeps_estimates_from_measurements(form: Form) -> None:
    record = record_of(fake_estimated_result(form))
    assert CaptureRecord.model_validate_json(record.model_dump_json()) == record
    assert record.kind == ("torch" if form == "pair" else "single")
    assert (record.heights, record.lighting, record.torches, record.slopes) == (None, None, None, None)
    assert record.quantity("Sq") is None and record.fine("Sq") is None
    guess = record.estimated("Sq")
    assert guess is not None and guess.estimated and "not measured" in guess.method
    assert record.estimate is not None
    assert record.estimate.sq_mm == pytest.approx(2**-4)
    assert [seen.lighting is not None for seen in record.estimate.photos] == [True] * len(record.photos)
    assert record.texture is not None and record.texture.noise_floor_mm is None


def test_a_lone_photo_has_no_uncertainty_of_heights_and_that_is_null() -> None:
    result = fake_estimated_result()
    result = replace(result, adjustment=replace(result.adjustment, u_gain=float("nan")))
    geometry = record_of(result).geometry
    assert geometry is not None and geometry.u_gain is None


def test_where_the_model_is_silent_no_number_is_stored() -> None:
    record = record_of(fake_estimated_result(abstained=("estimate-strange",)))
    assert record.texture is not None and record.texture.quantities == ()
    assert record.estimate is not None
    assert (record.estimate.sq_mm, record.estimate.half_width_octaves) == (None, None)
    assert record.estimate.abstained == ("estimate-strange",)


def test_the_table_has_columns_of_its_own_for_estimates() -> None:
    measured = assessed_record(fake_head(capture="bay"), fake_result())
    told = csv.DictReader(io.StringIO(captures_csv([record_of(fake_estimated_result("pair")), measured])))
    guess, sure = list(told)
    assert (guess["result_is"], sure["result_is"]) == ("estimate", "measurement")
    assert guess["Sq_mm"] == guess["Sq_fine_mm"] == sure["estimated_Sq_mm"] == ""
    assert float(guess["estimated_Sq_mm"]) == pytest.approx(2**-4, rel=1e-5)
    assert float(guess["estimated_Sq_low90_mm"]) < 0.04 < 0.1 < float(guess["estimated_Sq_high90_mm"])
    assert (guess["estimated_Sq_band_short_mm"], guess["estimated_from"]) == ("0.8", "pair")


@pytest.mark.parametrize("form", FORMS)
def test_both_pages_say_estimate_before_any_grade(form: Form) -> None:
    target = TargetRange(2, 4)
    record = record_of(fake_estimated_result(form, target=target), target)
    for text in (capture_page(record, None), index_page([record], {})):
        said = re.sub(r"<style>.*?</style>", "", text, flags=re.DOTALL)
        assert said.index(LOUD[form]) < said.index("Estimate: CSP")
        assert "Measured:" not in said
        assert "Noise floor" not in said
        assert "±" not in said.replace("± is the 90 % interval", "").replace("62 ± 13°", "")
    assert "second phone" in capture_page(record, None) or form == "pair"
    assert "1 by estimate only" in index_page([record], {})


def test_a_measured_capture_says_nothing_of_estimates() -> None:
    record = assessed_record(fake_head(), fake_result())
    for text in (capture_page(record, None), index_page([record], {})):
        assert "estimate" not in text.lower()


def test_a_silent_model_shows_neither_number_nor_bars() -> None:
    record = record_of(fake_estimated_result(abstained=("light-along-lay",)))
    for text in (capture_page(record, None), index_page([record], {})):
        assert "NO ESTIMATE, NOTHING MEASURED" in text
        assert "Can&#39;t tell from this photo: The light runs along the lines" in text
        assert "<svg" not in text
        assert "No number" in text


def test_a_call_that_rests_on_an_estimate_says_so() -> None:
    target = TargetRange(1, 10)
    record = record_of(fake_estimated_result(target=target), target)
    assert call_words(record) == "BY ESTIMATE: READY FOR THE CHIP"
    assert record.suggestion is not None and record.suggestion.verdict is not None
    assert record.suggestion.verdict.sentence.startswith("By estimate, not measured: ready for the chip: ")
    assert (
        call_words(assessed_record(fake_head(target=target), fake_result(target=target)))
        == "CAN'T TELL: DO THIS"
    )


def test_words_give_both_ends_since_an_estimate_is_lopsided() -> None:
    record = record_of(fake_estimated_result())
    assert quantity_words(record.estimated("Sq")) == "estimate 0.062 (0.038 to 0.1) mm"
    assert headline(record).startswith("Estimate: CSP ") or headline(record).startswith("Can't name a grade")


@pytest.mark.parametrize(
    "result",
    [fake_estimated_result(target=TargetRange(3, 5)), fake_estimated_result("pair"),
     fake_estimated_result(abstained=("estimate-wide", "estimate-strange")),
     replace(fake_estimated_result(), lightings=(None,))],
    ids=["single", "pair", "silent", "no light"],
)  # fmt: skip
def test_every_estimate_has_a_picture_with_a_barred_box(result: CaptureResult) -> None:
    image = cv2.imdecode(
        np.frombuffer(draw_picture(result, record_of(result)), np.uint8), cv2.IMREAD_GRAYSCALE
    )
    assert image is not None and image.shape == (HEIGHT_PX, WIDTH_PX)
    left, right = round(0.03 * WIDTH_PX), round(0.97 * WIDTH_PX)
    low, high = round((1 - 0.954) * HEIGHT_PX), round((1 - 0.918) * HEIGHT_PX)
    assert (image[high - 3 : high + 4, left:right].min(0) < 60).all()  # the frame's lower edge, all along
    bars = image[low + 10 : high - 10, left + 8 : left + round(0.03 * WIDTH_PX)]
    assert 0.1 < (bars < 128).mean() < 0.7


def test_a_measured_capture_has_no_barred_box() -> None:
    result = fake_result()
    data = draw_picture(result, assessed_record(fake_head(), result))
    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert image is not None
    row = round((1 - 0.918) * HEIGHT_PX)
    assert (image[row - 3 : row + 4, 60:1540].min(0) > 200).mean() > 0.2


def test_the_window_is_cut_out_upright_and_in_place() -> None:
    photo = fake_photo()
    picture = photo.rgb_u8.copy()
    sighting = fake_sighting(photo)
    x, y, one = np.asarray(sighting.px_from_mm) @ (30.0, 20.0, 1.0)  # right of the middle, above it
    cv2.circle(picture, (round(x / one), round(y / one)), 6, (255, 0, 0), -1)
    window = window_from_above(replace(photo, rgb_u8=picture), sighting).astype(int)
    rows, cols = np.nonzero(window[..., 0] - window[..., 1] > 150)
    assert cols.mean() / 6 - 60 == pytest.approx(30.0, abs=0.7)
    assert 60 - rows.mean() / 6 == pytest.approx(20.0, abs=0.7)


def test_the_terminal_says_estimate_in_eighty_columns() -> None:
    console = Console(file=io.StringIO(), width=80)
    records = [
        record_of(fake_estimated_result()),
        record_of(fake_estimated_result(abstained=("estimate-wide",))),
    ]
    show.batch(console, records)
    assert isinstance(console.file, io.StringIO)
    told = console.file.getvalue()
    assert "est. 0.038 to 0.1 mm" in told
    assert LOUD["single"] in told
    assert "no estimate" in told
    assert "next: Keep the phone still" in told
