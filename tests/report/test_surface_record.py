"""Patches and aggregate as stored, as a table row, in words and in the terminal."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace

import jsonschema
import pytest
from rich.console import Console

from assessor.evaluation import Estimate, ScoredRow, TruthRow, summarise
from assessor.evaluation_surface import TruthMask, score_surface
from assessor.report import show
from assessor.report.page import capture_page, index_page
from assessor.report.record import assessed_record
from assessor.report.schema import CaptureRecord, json_schema
from assessor.report.schema_surface import PatchRecord
from assessor.report.table import captures_csv
from assessor.report.words_surface import (
    CAUSES,
    SHORT,
    actions,
    causes_words,
    contrast_words,
    even_words,
    fraction_words,
    group_of,
    label_words,
    place_words,
    size_words,
    surface_words,
    verdict_line,
)
from assessor.surface.separating import separating_test
from assessor.values.surface import PATCH_KINDS, Surface
from tests.fake_surface import fake_aggregate, fake_patch, fake_surface, fraction, ring, some_patches, square
from tests.fakes import fake_head, fake_photo, fake_result
from tests.test_evaluation_surface import mask_of, patch_row


def record_of(surface: Surface | None = None, *, capture: str = "spot") -> CaptureRecord:
    surface = surface or fake_surface(aggregate=fake_aggregate())
    return assessed_record(fake_head(capture=capture), replace(fake_result(), surface=surface))


def first_patch(surface: Surface) -> PatchRecord:
    stored = record_of(surface).surface
    assert stored is not None
    return stored.patches[0]


def test_what_is_stored_reads_back_the_same_and_obeys_the_schema() -> None:
    stored = record_of()
    text = stored.model_dump_json()
    assert CaptureRecord.model_validate_json(text) == stored
    jsonschema.Draft202012Validator(json_schema()).validate(json.loads(text))
    assert stored.schema_version == "assessment-4"


def test_records_of_the_schema_before_are_pending() -> None:
    old = json.loads(record_of().model_dump_json()) | {"schema_version": "assessment-3"}
    with pytest.raises(ValueError, match="assessment-4"):
        CaptureRecord.model_validate(old)


def test_shown_patches_come_first_and_numbers_run_through() -> None:
    found = some_patches()
    stored = record_of(fake_surface((found[-1], *found[:-1]))).surface
    assert stored is not None
    assert [(patch.number, patch.shown) for patch in stored.patches] == [
        (1, True), (2, True), (3, True), (4, True), (5, False),
    ]  # fmt: skip
    assert [patch.kind for patch in stored.patches] == ["oil", "dust", "coating", "shadow", "unknown"]
    assert [patch.number for patch in stored.review] == [5]
    oil = stored.patches[0]
    assert sum(oil.probabilities.values()) == pytest.approx(1.0)
    assert set(oil.probabilities) == set(PATCH_KINDS)
    assert oil.test.sentence == separating_test("water-drop").how
    assert oil.outline_mm[0] == oil.outline_mm[-1] == (-8.0, 22.0)
    assert oil.evidence[0].words == "34 % darker than the floor around"


def test_low_photos_and_the_floors_state_are_kept() -> None:
    photos = (fake_photo("spot/a.jpg"), fake_photo("spot/low.jpg"))
    surface = replace(fake_surface(()), low_photos=("spot/low.jpg",), floor="told-damp")
    stored = assessed_record(fake_head(photos), replace(fake_result(photos[:1]), surface=surface))
    assert [(photo.used, photo.for_shine) for photo in stored.photos] == [(True, False), (False, True)]
    assert stored.surface is not None
    assert (stored.surface.low_photos, stored.surface.floor) == (("spot/low.jpg",), "told-damp")
    row = table_row(stored)
    assert (row["floor"], row["n_for_shine"], row["n_used"]) == ("told-damp", "1", "1")
    page, index = capture_page(stored, None), index_page([stored], {})
    assert "<td>for shine</td>" in page
    assert "told to be DAMP" in page
    assert "1 of 2 photos used, 1 for shine" in index


def test_no_patch_is_never_called_clean() -> None:
    stored = record_of(fake_surface(()))
    assert stored.surface is not None
    assert "not mean clean" in stored.surface.notice
    assert "silicone" in stored.surface.notice
    assert surface_words(stored) == "no patch seen (not proof of clean)"
    assert stored.surface.next_shot is not None
    assert "toward the lamp" in stored.surface.next_shot
    judged = record_of(fake_surface((), gloss="judged", gloss_why="a low photo toward the window"))
    assert judged.surface is not None
    assert judged.surface.next_shot is None


def test_an_aggregate_that_abstains_claims_nothing() -> None:
    stored = record_of(fake_surface((), aggregate=fake_aggregate(abstained=("few-valid",)))).surface
    assert stored is not None
    assert stored.aggregate is not None
    assert (stored.aggregate.coarse, stored.aggregate.visible, stored.aggregate.sizes) == (None, None, ())
    assert (stored.aggregate.coarse_around90, stored.aggregate.uneven) == (None, None)
    assert stored.aggregate.abstained[0].code == "few-valid"
    plain = record_of().surface
    assert plain is not None
    assert plain.aggregate is not None
    assert plain.aggregate.coarse is not None
    assert (plain.aggregate.coarse.value, plain.aggregate.uneven_high90) == (0.21, 0.09)


def table_row(stored: CaptureRecord) -> dict[str, str]:
    (row,) = csv.DictReader(io.StringIO(captures_csv([stored])))
    return row


def test_the_table_has_columns_of_patches_and_aggregate_at_its_end() -> None:
    shadow_first = tuple(sorted(some_patches(), key=lambda patch: patch.kind != "shadow"))
    row = table_row(record_of(fake_surface(shadow_first, aggregate=fake_aggregate())))
    assert (row["patches_shown"], row["patches_to_review"], row["gloss"]) == ("4", "1", "cannot-tell")
    assert (row["worst_patch_kind"], row["worst_patch_probability"], row["worst_patch_test"]) == (
        "coating", "0.66", "knife-scratch",  # the largest of those equally sure, shadows last
    )  # fmt: skip
    assert (row["coarse_fraction"], row["coarse_fraction_low90"], row["coarse_fraction_high90"]) == (
        "0.21", "0.16", "0.27",
    )  # fmt: skip
    assert (row["visible_fraction"], row["visible_fraction_bound"]) == ("0.34", "value")
    assert (row["aggregate_uneven"], row["aggregate_plausible"]) == ("0.05", "yes")
    assert "not mean clean" in row["surface_notice"]
    assert list(row).index("estimate_strangeness") < list(row).index("patches_shown")
    bound = replace(fraction("coarse_fraction", 0.05, 0.0, 0.05), bound="upper")
    row = table_row(record_of(fake_surface((), aggregate=fake_aggregate(coarse=bound))))
    assert (row["coarse_fraction_low90"], row["coarse_fraction_high90"]) == ("", "0.05")
    assert (row["patches_shown"], row["worst_patch_kind"]) == ("0", "")
    row = table_row(assessed_record(fake_head(), fake_result()))
    assert {row[name] for name in ("patches_shown", "gloss", "coarse_fraction", "aggregate_plausible")} == {
        ""
    }


def test_sizes_contrasts_and_places_in_words() -> None:
    oil = first_patch(fake_surface((fake_patch(square(30, 0, 20), u_area_mm2=20.0),)))
    assert size_words(oil) == "4.0 ± 0.3 cm²"
    # exp(-0.42) = 0.657; with 1.645 * 0.03 to each side 0.625 to 0.690
    assert contrast_words(oil) == "34 % darker than the floor around (31 to 37 %)"
    assert contrast_words(oil.model_copy(update={"contrast": 0.3})).startswith("35 % lighter")
    assert contrast_words(oil.model_copy(update={"contrast": -0.04})) == "about as bright as the floor around"
    assert place_words(oil) == "begins 2 cm from the card's centre, toward 3 o'clock (12 is the card's top)"
    assert "toward 12 o'clock" in place_words(first_patch(fake_surface((fake_patch(square(0, 40, 9)),))))


@pytest.mark.parametrize(
    ("chances", "kind", "label", "line"),
    [
        ({"oil": 0.8, "damp": 0.1}, "oil", "oil?", "Perhaps oil or grease (80 %)."),
        ({"oil": 0.45, "damp": 0.4}, "oil", "oil or damp?", "Perhaps oil or grease (45 %), or damp (40 %)."),
        ({"oil": 0.3, "damp": 0.25, "dust": 0.1}, "unknown", "oil? damp?",
         "Can't tell what it is from the photo: oil or grease, or damp, or dust or dried slurry."),
        ({"oil": 0.15, "damp": 0.12, "dust": 0.1}, "unknown", "can't tell",
         "Can't tell what it is from the photo: oil or grease, or damp, or dust or dried slurry."),
    ],
)  # fmt: skip
def test_causes_are_never_a_finding(chances: dict[str, float], kind: str, label: str, line: str) -> None:
    rest = 1 - sum(chances.values())
    odds = tuple(chances.get(one, rest if one == "unknown" else 0.0) for one in PATCH_KINDS)
    patch = first_patch(fake_surface((fake_patch(ring(0, 0, 20, 20), kind, probabilities=odds),)))  # type: ignore[arg-type]
    assert label_words(patch) == label
    assert verdict_line(patch) == line
    assert label.endswith("?") or label == "can't tell"


def test_probabilities_stand_in_words_and_numbers() -> None:
    patch = first_patch(fake_surface((fake_patch(square(0, 0, 20), "oil", chance=0.62),)))
    assert causes_words(patch) == ["oil or grease: likely (62 %)"]
    assert causes_words(patch.model_copy(update={"probabilities": {"oil": 0.5, "damp": 0.3, "dust": 0.2}})) == [
        "oil or grease: likely (50 %)", "damp: maybe (30 %)", "dust or dried slurry: maybe (20 %)",
    ]  # fmt: skip


def test_every_kind_has_words_and_every_patch_a_hatch() -> None:
    assert set(CAUSES) == set(SHORT) == set(PATCH_KINDS)
    groups = {patch.kind: group_of(first_patch(fake_surface((patch,)))) for patch in some_patches()[:4]}
    assert groups == {"oil": "dark", "dust": "light", "coating": "film", "shadow": "shadow"}


def test_fractions_and_evenness_in_words() -> None:
    stored = record_of().surface
    assert stored is not None
    assert stored.aggregate is not None
    assert fraction_words(stored.aggregate.coarse) == "21 % (16 to 27 %)"
    assert fraction_words(None) == "can't tell"
    assert even_words(stored.aggregate).startswith("Uneven: between blocks of 24 mm")
    even = stored.aggregate.model_copy(update={"uneven_low90": 0.0, "uneven_high90": 0.03})
    assert even_words(even).endswith("(at most 3 points).")
    assert "can't tell" in even_words(stored.aggregate.model_copy(update={"uneven": None}))


def test_actions_are_one_list_by_test_with_every_place() -> None:
    plain = record_of(fake_surface(()), capture="north")
    stained = record_of(fake_surface((fake_patch(square(0, 0, 20), "oil"),)), capture="south")
    listed = actions([plain, stained, assessed_record(fake_head(), fake_result())])
    assert [(name, places) for name, _, places in listed] == [
        ("Low photo toward the light", [("north", "shine not judged"), ("south", "shine not judged")]),
        (separating_test("water-drop").name, [("south", "patch 1 (oil?)")]),
    ]
    assert actions([record_of(fake_surface((), gloss="judged"))]) == []


def printed(console: Console) -> list[str]:
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().splitlines()


def test_the_terminal_tells_patches_and_what_to_do() -> None:
    console = Console(file=io.StringIO(), width=80)
    show.batch(console, [record_of(fake_surface((fake_patch(square(0, 0, 20), "oil"),)))])
    lines = printed(console)
    assert "spot: 1 patch to test: 1 oil?" in lines
    assert any(line.startswith("to do: Water drop beside") for line in lines)
    assert "  at spot: patch 1 (oil?)" in lines
    assert any("not mean clean" in line for line in lines)
    console = Console(file=io.StringIO(), width=80)
    show.batch(console, [assessed_record(fake_head(), fake_result())])
    assert not any("patch" in line for line in printed(console))


def test_scores_of_patches_fit_the_screen() -> None:
    rows: list[ScoredRow] = []
    for name, given in (("a", "oil"), ("b", "unknown"), ("c", None)):
        row = patch_row("oil", f"{name}.png", capture=name, contrast=-0.4)
        found = (fake_patch(square(0, 0, 20), given),) if given else ()  # type: ignore[arg-type]
        surface = fake_surface(found, aggregate=fake_aggregate())
        other = [
            replace(row, quantity=q, patch="", mask="", value=0.0)
            for q in ("false_patches", "coarse_fraction")
        ]
        masks: dict[str, TruthMask] = {row.mask: mask_of(0, 0, 20)}
        rows += score_surface(surface, [row, *other], masks, 1.0)
    rows.append(
        ScoredRow(
            TruthRow("a", "single", "ground", "tuned", True, "Sq", "mm", 2.5, 25.0, 0.2),
            Estimate(0.21, 0.2, 0.22, "value"),
            1.0,
        )
    )
    console = Console(file=io.StringIO(), width=80)
    show.evaluation(console, rows, summarise(rows))
    text = "\n".join(printed(console))
    assert "patches found: single, tuned" in text
    assert re.search(r"all +3 +0 % +67 \(9\.\.99\) % +50 % +50 % +1\.00 +100 %", text)
    assert re.search(r"  dark, strong +3 +67 \(9\.\.99\) %", text)
    assert re.search(r"\n3 +0 % +0 \(0\.\.71\) %", text)
    assert re.search(r"coarse +3 +0\.210 +\+0\.210", text)
    start = next(k for k, line in enumerate(printed(console)) if line.startswith("patches found"))
    tables = [line.rstrip() for line in printed(console)[start:-3]]
    assert max(map(len, tables)) <= 80
    assert not any("…" in line for line in tables)
