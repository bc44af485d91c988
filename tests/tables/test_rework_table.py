"""The rework table: whole, sourced, in plain words, and refused with its row where broken."""

import re

import pytest

from assessor.errors import TableInvalid
from assessor.tables import rework
from assessor.tables.loader import load_methods, packaged
from assessor.tables.rework import FAMILIES, FINDING_CODES, STEPS, load_rework, parse_rework
from assessor.values import PATCH_KINDS

TEXT = packaged(rework.FILE)
CUTTING = re.compile(r"\b(grind|grinding|blast|cut|abrade|scarify|bare concrete)\b", re.IGNORECASE)


def test_every_finding_step_and_family_is_there_with_source_and_mark():
    table = load_rework()
    assert {row.code for row in table.rework} == set(FINDING_CODES)
    assert {row.family for row in table.deeper} == set(FAMILIES)
    assert {row.family for row in load_methods().method} == set(FAMILIES)
    for row in (*table.rework, *table.deeper):
        assert len(row.source) > 10
        assert row.mark in ("common practice", "derived", "from memory, verify", "source")
    assert "data sheet governs" in table.defers


def test_every_kind_of_patch_that_can_be_worked_on_has_its_own_row():
    assert set(PATCH_KINDS) - set(FINDING_CODES) == {
        "shadow",
        "aggregate",
    }  # a test tells those, nobody works on them


def test_work_comes_in_the_order_the_floor_needs():
    """Degrease before abrading, coating off before profile, dust last (common practice)."""
    step = {row.code: STEPS.index(row.step) for row in load_rework().rework}
    assert step["oil"] < min(step[code] for code in ("coating", "film", "adhesive", "rubber", "laitance"))
    for code in ("coating", "film", "adhesive", "rubber"):
        assert step[code] < step["short"]
    for code in ("unknown", "cant-tell", "over"):
        assert step[code] < step["oil"]
    assert step["short"] < step["bruised"] < step["dust"] == len(STEPS) - 1


def test_oil_is_degreased_before_it_is_cut_and_tested_again_after_a_day():
    row = load_rework().get("oil")
    for how in (row.how, row.no_water):
        assert "degrease" in how.lower()
        assert how.lower().index("degrease") < CUTTING.search(how).start()
    assert row.retest_after_hours == 24
    assert "wicks back" in row.then
    assert {"oil", "moisture", "slurry", "solvent"} <= set(row.cautions)


def test_what_is_too_rough_is_never_cut_again():
    for code in ("over", "lane-overlap"):
        row = load_rework().get(code)
        assert row.work == "none"
        assert not row.methods
        assert "fill coat" in row.how
    thin = load_rework().get("over").thin_film
    assert "fill coat or the maker's word" in thin
    assert "not the grinder" in thin


def test_a_second_pass_at_right_angles_holds_for_scarifying_only():
    table = load_rework()
    assert table.get("one-direction").only == ("scarifying",)
    crossed = [row.family for row in table.deeper if "right angles" in row.how]
    assert crossed == ["scarifying"]
    for code in ("lane-gap", "lane-overlap", "missed-strip", "uneven", "short"):
        assert "right angles" not in table.get(code).how


def test_suspicions_begin_with_a_test_and_bruised_skin_ends_in_a_pull_off():
    table = load_rework()
    for code in ("oil", "damp", "coating", "adhesive", "rubber", "dust", "laitance", "film"):
        assert table.get(code).test
    bruised = table.get("bruised")
    assert "pull-off" in bruised.how
    assert set(bruised.methods) == {"shot-blast", "water-jet"}


def test_words_are_a_foremans():
    for row in load_rework().rework:
        for words in (row.title, row.what, row.how, row.then, row.thin_film or "", row.no_water or ""):
            for sentence in re.split(r"(?<=[.?!])\s+", words):
                assert len(sentence.split()) <= 32, sentence
            assert not re.search(r"\b(spatial|parameter|anisotrop|Sq|mitigat|utili[sz]e)", words)
        assert "clean" not in row.then.split("nearly")[0]


BAD = {
    r"row 5 of \[\[rework\]\]: caution 'oils' has no row": ('cautions = ["oil",', 'cautions = ["oils",'),
    r"row 5 of \[\[rework\]\]: method 'licking' has no row": (
        '["hand-grinder", "grinding", "shot-blast"]\ntest = "water-drop"',
        '["licking"]\ntest = "water-drop"',
    ),
    "finding 'oil' is there 2 times": ('code = "dust"', 'code = "oil"'),
    "family 'grinding' is there 2 times": ('family = "jetting"', 'family = "grinding"'),
    "the steps must be find-out, stop": ('key = "dry"', 'key = "cut"'),
    "'oil' is only suspected, so it needs a test": ('test = "water-drop"\ncautions = ["oil"', 'cautions = ["oil"'),
    "'short' cuts, so it needs the cautions": (
        'work = "own"\ncautions = ["silica", "exhaust", "noise", "hidden", "oil"]\nreshoot = "spot"',
        'work = "own"\ncautions = ["silica"]\nreshoot = "spot"',
    ),
    "'over' names methods if": ('work = "none"\ncautions = ["machines-stopped"]\nreshoot = "spot"',
                                'work = "other"\ncautions = ["noise", "hidden"]\nreshoot = "spot"'),
    "test caution 'water-drop' is there 2 times": ('test = "sounding"', 'test = "water-drop"'),
    "row 1 of .*code: input should be": ('code = "cant-tell"', 'code = "dunno"'),
    "row 1 of .*source": ('source = "this tool', 'sources = "this tool'),
    "not valid TOML": ("version = 1", "version ="),
}  # fmt: skip


@pytest.mark.parametrize("sentence", BAD)
def test_broken_tables_are_refused_with_file_and_row(sentence):
    text = TEXT.replace(*BAD[sentence], 1)
    assert text != TEXT
    with pytest.raises(TableInvalid, match=sentence) as caught:
        parse_rework(text, file="mine.toml")
    assert str(caught.value).startswith("mine.toml: ")


def test_an_unknown_finding_has_no_advice_to_fall_back_on():
    with pytest.raises(KeyError):
        load_rework().get("licked")
