"""How numbers and findings are put to a person."""

from __future__ import annotations

from dataclasses import replace

import pytest

from assessor.report.record import assessed_record
from assessor.report.schema_base import BandRecord, QuantityRecord
from assessor.report.words import (
    band_words,
    clock_words,
    decimals,
    direction_words,
    grades_words,
    headline,
    percent,
    quantity_words,
    suggestion_words,
)
from tests.fakes import fake_head, fake_result

BAND = BandRecord(short_mm=2.5, long_mm=25.0)


def quantity(
    value: float | None, low: float | None, high: float | None, bound: str = "value"
) -> QuantityRecord:
    return QuantityRecord(
        name="Sq", value=value, u=0.01, low90=low, high90=high, unit="mm", bound=bound, band=BAND,
        spacing_mm=0.1, method="x",
    )  # type: ignore[arg-type]  # fmt: skip


@pytest.mark.parametrize(
    ("value", "low", "high", "words"),
    [
        (0.2123, 0.2024, 0.2222, "0.212 ± 0.010 mm"),
        (0.2123, 0.2093, 0.2153, "0.212 ± 0.003 mm"),
        (1.3, 0.9, 1.6, "1.3 ± 0.4 mm"),  # the wider side is said
        (0.0612, 0.0459, 0.0765, "0.061 ± 0.015 mm"),
        (None, None, None, "not measured"),
    ],
)
def test_values_carry_their_interval(
    value: float | None, low: float | None, high: float | None, words: str
) -> None:
    assert quantity_words(quantity(value, low, high)) == words


@pytest.mark.parametrize(("high", "words"), [(0.0121, "0.013"), (0.012, "0.012"), (1.01, "1.1")])
def test_bounds_are_never_rounded_down(high: float, words: str) -> None:
    assert quantity_words(quantity(high, None, high, "upper")) == f"at most {words} mm"


def test_nothing_is_not_measured() -> None:
    assert quantity_words(None) == "not measured"


@pytest.mark.parametrize(("half", "digits"), [(0.0069, 3), (0.0131, 3), (0.3, 1), (3.0, 0), (0.0, 3)])
def test_decimals_follow_the_uncertainty(half: float, digits: int) -> None:
    assert decimals(half) == digits


def test_grades_join_to_runs() -> None:
    assert grades_words((3, 4, 5, 7)) == "3-5, 7"
    assert grades_words((4,)) == "4"


def test_no_probability_reads_as_certain() -> None:
    assert [percent(p) for p in (0.0, 0.004, 0.61, 1.0)] == ["<1 %", "<1 %", "61 %", ">99 %"]


def test_a_suggestion_is_a_range_with_its_share() -> None:
    record = assessed_record(fake_head(), fake_result())
    assert headline(record) == "CSP 3-6 (holds 90 %), most likely 5 (38 %)"
    assert band_words(BAND) == "2.5-25 mm"
    assert direction_words(record) == "runs at 90 ± 3° from the card's bottom edge"


def test_an_abstention_says_why_and_names_no_best_grade() -> None:
    record = assessed_record(fake_head(), fake_result())
    assert record.suggestion is not None
    sentence = "Can't name a grade: anything from CSP 1 to 9 fits; confirm against the chips."
    because = record.suggestion.model_copy(update={"abstained_because": sentence, "best": None})
    assert suggestion_words(because) == sentence


@pytest.mark.parametrize(
    ("azimuth_deg", "words"),
    [
        (0.0, "3 o'clock"),
        (90.0, "12 o'clock"),
        (180.0, "9 o'clock"),
        (271.0, "6 o'clock"),
        (359.0, "3 o'clock"),
    ],
)
def test_sides_are_hours_of_a_clock_with_twelve_at_the_sheets_top(azimuth_deg: float, words: str) -> None:
    assert clock_words(azimuth_deg) == words


def test_no_lay_is_no_direction() -> None:
    result = fake_result()
    texture = replace(result.texture, direction=replace(result.texture.direction, lay_deg=None, u_deg=None))
    assert (
        direction_words(assessed_record(fake_head(), replace(result, texture=texture))) == "has no direction"
    )
