"""Rework advice: in the order the floor needs, nothing cut into oil, nothing too rough cut again."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assessor.job.choose import HAZARDS
from assessor.job.findings import Finding
from assessor.job.rework import ReworkContext, advise
from assessor.report.words_rework import line_words, reshoot_words
from assessor.tables.loader import CHIPS, load_methods, load_systems
from assessor.tables.rework import FINDING_CODES, STEPS, load_rework
from assessor.tables.separating import TEST_CODES
from assessor.values import TargetRange

METHODS = [row.key for row in load_methods().method]
CUT_MORE = re.compile(
    r"(?<!not )\b(cut deeper|another pass|second pass|grind it|take it down|slower)\b", re.IGNORECASE
)


@st.composite
def findings(draw):
    code = draw(st.sampled_from(FINDING_CODES))
    return Finding(
        code,
        f"zone {draw(st.integers(1, 9))}, spot {draw(st.integers(1, 9))}",
        draw(st.sampled_from(["", "about 9 cm²", "Take a torch capture."])),
        draw(st.floats(0, 1)),
        draw(st.sampled_from(["", *TEST_CODES])),
        draw(st.booleans()),
    )


@st.composite
def contexts(draw):
    edition = draw(st.sampled_from(sorted(CHIPS)))
    low = draw(st.integers(1, CHIPS[edition]))
    return ReworkContext(
        target=TargetRange(low, draw(st.integers(low, CHIPS[edition]))),
        edition=edition,
        indoors=draw(st.booleans()),
        system=draw(st.sampled_from([None, *(row.key for row in load_systems().system)])),
        water_allowed=draw(st.sampled_from([None, True, False])),
        avoid=tuple(draw(st.sets(st.sampled_from(HAZARDS)))),
        edges=draw(st.booleans()),
    )


CASES = (st.lists(findings(), max_size=8), st.sampled_from([None, "unheard-of", *METHODS]), contexts())


@settings(max_examples=150)
@given(*CASES)
def test_lines_run_in_the_order_of_work_and_lose_no_place(found, method, context):
    lines = advise(found, method, context)
    assert [line.number for line in lines] == list(range(1, len(lines) + 1))
    steps = [STEPS.index(line.step) for line in lines]
    assert steps == sorted(steps)
    family = load_methods().get(method).family if method in METHODS else None
    kept = [one for one in found if one.code != "one-direction" or family in (None, "scarifying")]
    assert sum(len(line.places) for line in lines) == len(kept)
    for one in kept:
        assert any(
            one.code == line.code and any(one.where in place for place in line.places) for line in lines
        )


@settings(max_examples=150)
@given(*CASES)
def test_nothing_is_cut_into_oil(found, method, context):
    lines = advise(found, method, context)
    for line in lines:
        doubtful = [
            other.number for other in lines if other.code in ("oil", "unknown") and other.number < line.number
        ]
        assert list(line.after) == (doubtful if line.cuts else [])
        if line.code == "oil":
            how = line.how.lower()
            assert "bare concrete" not in how or how.index("degrease") < how.index("bare concrete")
            assert line.retest_after_hours == 24
            cutters = [other.number for other in lines if other.cuts and other.code != "oil"]
            assert all(number > line.number for number in cutters)
            assert any(caution.key == "oil" for caution in line.cautions)


@settings(max_examples=150)
@given(*CASES)
def test_what_is_too_rough_is_kept_off_and_never_cut_again(found, method, context):
    lines = advise(found, method, context)
    rough = [line.number for line in lines if line.code in ("over", "lane-overlap")]
    for line in lines:
        if line.number in rough:
            assert not line.cuts
            assert not CUT_MORE.search(f"{line.what} {line.how}")
        elif line.cuts:
            assert list(line.keep_off) == rough


@settings(max_examples=200)
@given(*CASES)
def test_only_methods_that_the_place_allows_and_that_can_keep_the_range_are_named(found, method, context):
    for line in advise(found, method, context):
        named = re.search(
            r"(?:With|Change to) (an? .+?|the .+?)(?:, as before|, on a mock-up first)?\.", line.how
        )
        if not line.cuts or not named:
            continue
        rows = [row for row in load_methods().method if re.search(rf"\b(a|an|the) {row.tool}\b", named[1])]
        assert rows, line.how
        for row in rows:
            reach = row.reach(context.edition)
            assert not (context.indoors and row.indoors == "no"), line.how
            assert row.on == "hardened"
            assert row.edges or not context.edges, line.how
            assert reach is None or reach[0] <= context.target.high, line.how
            assert not ("vibration" in context.avoid and "high" in row.vibration)
            assert not (context.water_allowed is False and row.wet == "yes")
            keys = {caution.key for caution in line.cautions}
            assert set(row.cautions) - {"slurry", "wet-power"} <= keys


@settings(max_examples=150)
@given(*CASES)
def test_cautions_stand_at_every_line_and_silica_wherever_concrete_is_cut_dry(found, method, context):
    for line in advise(found, method, context):
        keys = [caution.key for caution in line.cautions]
        assert keys
        assert len(keys) == len(set(keys))
        if line.cuts and "jet" not in line.how:
            assert {"silica", "noise", "hidden"} <= set(keys)
        if line.reshoot is not None:
            assert "machines-stopped" in keys
        assert "{" not in line.how
        assert len(line.how) > 10
        assert len(line.source) > 10


@settings(max_examples=100)
@given(st.lists(findings(), min_size=1, max_size=1), CASES[1], CASES[2])
def test_a_line_fits_into_an_entry_of_the_record(found, method, context):
    """`entries.Words` holds 2000 characters; one place is short, many places are the sheet's business."""
    for line in advise(found, method, context):
        assert 20 < len(line_words(line)) <= 2000


def context(low, high, **changes):
    return ReworkContext(TargetRange(low, high), **changes)


def one(code, method, asked, **changes):
    (line,) = advise([Finding(code, "zone 2, spot 7", **changes)], method, asked)
    return line


@pytest.mark.parametrize(
    ("method", "asked", "words"),
    [
        ("grinding", (2, 3), "coarser diamonds"),
        ("shot-blast", (3, 5), "slower, or use larger shot"),
        ("scarifying", (5, 7), "second pass at right angles"),
        ("rotomilling", (7, 9), "drum a little deeper"),
        ("scabbling", (7, 9), "heavier head"),
        ("water-jet", (5, 8), "jet slower"),
        (None, (3, 5), "Next heavier tooling, or slower, or another pass"),
    ],
)
def test_too_smooth_is_cut_deeper_as_its_method_does(method, asked, words):
    line = one("short", method, context(*asked, indoors=False))
    assert words in line.how
    assert "square metre" in line.how
    assert line.cuts


@pytest.mark.parametrize(
    ("method", "asked", "why"),
    [
        ("grinding", (4, 6), "reaches CSP 3 at most"),
        ("rotomilling", (6, 8), "Not indoors"),
        ("acid-etch", (2, 3), "seldom cuts deeper"),
        ("scrub", (2, 3), "cuts nothing"),
        ("retarder", (6, 8), "fresh concrete"),
    ],
)
def test_a_method_that_cannot_do_it_is_changed_for_one_that_can(method, asked, why):
    line = one("short", method, context(*asked))
    assert why in line.how
    assert "Change to a" in line.how
    assert "as before" not in line.how


def test_a_method_that_reaches_only_the_low_end_says_so():
    assert "It reaches CSP 3 at most, of CSP 3-5." in one("short", "grinding", context(3, 5)).how
    assert "at most" not in one("short", "shot-blast", context(3, 5)).how


def test_a_scarifier_is_too_rough_for_a_thin_film_and_makes_no_second_pass_there():
    line = one("one-direction", "scarifying", context(1, 3, system="thin-film"))
    assert "leaves about CSP 4 at the lightest" in line.how
    assert "right angles" not in line.how


def test_at_an_edge_only_small_tools_are_named():
    line = one("coating", "hand-grinder", context(2, 4, edges=True))
    assert "With a hand-held grinder." in line.how
    changed = one("short", "shot-blast", context(2, 4, edges=True))
    assert "Too large for edges" in changed.how


def test_where_nothing_fits_the_lead_is_asked():
    asked = context(10, 10, water_allowed=False, avoid=("vibration",))
    assert "ask the QA lead" in one("short", "grinding", asked).how
    only_one = context(1, 1)
    line = one("bruised", "scarifying", only_one)
    assert "keeps to CSP 1 here: ask the QA lead before anything is cut" in line.how
    assert line.cuts


def test_under_a_thin_film_too_rough_wants_a_fill_coat_or_the_makers_word():
    thin = one("over", "shot-blast", context(1, 3, system="thin-film"))
    assert "fill coat or the maker's word, not the grinder" in thin.how
    thick = one("over", "shot-blast", context(5, 9, system="polymer-overlay"))
    assert "thin film" not in thick.how
    assert "fill coat" in thick.how
    for line in (thin, thick):
        assert not CUT_MORE.search(line.how)
        assert not line.cuts


def test_oil_begins_with_a_drop_unless_somebody_tested_it():
    line = one("oil", "grinding", context(2, 3), test="water-drop")
    assert line.how.startswith("Test first. Water drop")
    assert "If it is oil or grease, degrease first" in line.how
    tested = one("oil", "grinding", context(2, 3), test="water-drop", tested=True)
    assert tested.how.startswith("Degrease first")
    assert {"silica", "slurry", "solvent", "moisture", "test-water-drop"} <= {c.key for c in line.cautions}


def test_where_no_water_may_be_used_nothing_is_rinsed():
    line = one("oil", "grinding", context(2, 3, water_allowed=False))
    assert "rinse, take up" not in line.how
    assert "Leave the spot uncut" in line.how or "leave the spot uncut" in line.how
    assert "A drop is water too" in line.how
    coating = one("coating", "grinding", context(2, 3, water_allowed=False))
    assert "No stripper" in coating.how
    dust = one("dust", "grinding", context(2, 3, water_allowed=False))
    assert "little water" not in dust.how


def test_alike_findings_share_a_line_and_different_shots_do_not():
    found = [Finding("short", "spot 1"), Finding("short", "spot 2"), Finding("cant-tell", "spot 3", "Take it again"),
             Finding("cant-tell", "spot 4", "Shine from low")]  # fmt: skip
    lines = advise(found, "grinding", context(2, 3))
    assert [line.places for line in lines] == [("spot 3",), ("spot 4",), ("spot 1", "spot 2")]
    assert [line.how for line in lines[:2]] == ["Take it again.", "Shine from low."]


def test_a_reading_and_a_suggestion_that_say_the_same_share_a_line():
    found = [
        Finding("short", "spot 1", "A. Example read CSP 2", tested=True),
        Finding("short", "spot 2", "95 % likely"),
    ]
    (line,) = advise(found, "grinding", context(3, 3))
    assert line.places == ("spot 1 (A. Example read CSP 2)", "spot 2 (95 % likely)")


@pytest.mark.parametrize(("asked", "kind"), [((2, 3), "torch"), ((3, 5), "angles")])
def test_fine_floors_are_shot_again_under_the_torch(asked, kind):
    line = one("short", None, context(*asked))
    assert line.reshoot == kind
    assert "next round" in reshoot_words(line)


def test_a_film_is_shot_again_from_low_down_and_a_zone_from_standing_height():
    assert "low photo toward the light" in reshoot_words(one("film", "grinding", context(2, 3)))
    assert one("lane-gap", "grinding", context(2, 3)).reshoot == "overview"
    assert one("unknown", "grinding", context(2, 3)).reshoot is None


def test_stripes_after_anything_but_a_scarifier_give_no_line():
    for method in METHODS:
        lines = advise([Finding("one-direction", "zone 2")], method, context(4, 7))
        assert bool(lines) == (method == "scarifying")


def test_what_does_not_exist_is_refused():
    with pytest.raises(KeyError):
        advise([Finding("licked", "zone 2")], None, context(3, 5))
    with pytest.raises(KeyError):
        advise([], None, context(3, 5, system="carpet"))
    with pytest.raises(ValueError, match="nine-chip"):
        advise([], None, context(3, 10, edition="nine-chip"))
    assert advise([], None, context(3, 5)) == ()
    assert {row.code for row in load_rework().rework} == set(FINDING_CODES)
