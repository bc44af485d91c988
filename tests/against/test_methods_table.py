"""The method table against the tables of the trade, row for row, with how far each range can be trusted.

Ranges and marks as our own survey of the trade gives them: [memory] is from memory and to be verified, [trade] was seen
in trade pages (common practice). No printed copy of the guideline was at hand.
"""

import pytest

from assessor.tables.loader import load_methods, load_systems

MEMORY, TRADE = "from memory, verify", "common practice"
# method of the survey -> keys of ours, ten-chip range with mark, nine-chip range with mark
SURVEY = {
    "Detergent scrub / low-pressure water": (["scrub"], (1, 1), MEMORY, (1, 1), MEMORY),
    "Acid etch": (["acid-etch"], (1, 3), MEMORY, (1, 3), MEMORY),
    "Diamond grinding": (["grinding", "hand-grinder"], (1, 3), MEMORY, (1, 3), MEMORY),
    "Needle scaling": (["needle-scaling"], (2, 4), MEMORY, (5, 8), MEMORY),
    "Abrasive blast": (["abrasive-blast"], (2, 7), TRADE, (2, 5), MEMORY),
    "Steel shot-blast": (["shot-blast"], (2, 9), MEMORY, (3, 8), MEMORY),
    "Scarifying": (["scarifying"], (4, 7), MEMORY, (4, 9), MEMORY),
    "Surface retarder (fresh concrete)": (["retarder"], (6, 8), MEMORY, None, None),
    "Rotomilling": (["rotomilling"], (6, 9), MEMORY, (9, 9), MEMORY),
    "Scabbling": (["scabbling"], (7, 9), MEMORY, (7, 9), MEMORY),
    "High / ultra-high-pressure water jet": (["water-jet"], (3, 10), MEMORY, (6, 9), MEMORY),
    "Handheld breaker": (["breaker"], (7, 10), MEMORY, None, None),
}


@pytest.mark.parametrize("name", SURVEY)
def test_every_row_of_the_survey_stands_in_the_table_with_its_mark(name):
    keys, ten, ten_mark, nine, nine_mark = SURVEY[name]
    for key in keys:
        row = load_methods().get(key)
        assert row is not None, key
        assert (row.reach("ten-chip"), row.reach("nine-chip")) == (ten, nine)
        assert row.reach_mark("ten-chip") == ten_mark
        if nine is not None:
            assert row.reach_mark("nine-chip") == nine_mark


def test_the_table_holds_no_method_that_the_survey_does_not():
    assert sorted(key for keys, *_ in SURVEY.values() for key in keys) == sorted(
        row.key for row in load_methods().method
    )


# Facts of the trade without a source (common practice): what must stand beside a method.
def claims(key):
    return " ".join(load_methods().get(key).claims)


def test_grinders_ship_the_guidelines_range_and_note_the_larger_claim():
    assert "2-4" in claims("hand-grinder")
    assert "common practice" in claims("hand-grinder")
    assert load_methods().get("hand-grinder").csp_10 == load_methods().get("grinding").csp_10 == (1, 3)
    assert "faster" in claims("grinding")
    for key in ("hand-grinder", "grinding"):
        assert "swirl marks" in claims(key)
    for hint in ("40 grit or finer gives CSP 1", "16-25 grit CSP 2"):
        assert hint in claims("grinding")


def test_scarifiers_are_set_by_cutter_depth_bruise_and_are_often_petrol_driven():
    row = load_methods().get("scarifying")
    assert "4-8, set by cutter depth" in claims("scarifying")
    assert "thick old coatings" in claims("scarifying")
    assert (row.bruising, row.exhaust) == ("yes", "many are petrol-driven: those not indoors")
    assert {"two-passes", "bruising", "exhaust", "silica"} <= set(row.cautions)


def test_only_scarifying_asks_for_a_second_pass_at_right_angles():
    """Blast lanes and grinding are judged by lane overlap and gaps, not by crossing (common practice)."""
    assert [row.key for row in load_methods().method if "two-passes" in row.cautions] == ["scarifying"]


def test_scarifying_milling_and_scabbling_bruise_and_blasting_does_not():
    """Common practice, and trade pages on impact methods; blasting is the follow-up."""
    bruises = {row.key for row in load_methods().method if row.bruising == "yes"}
    assert {"scarifying", "rotomilling", "scabbling"} <= bruises
    assert not bruises & {
        "shot-blast",
        "abrasive-blast",
        "water-jet",
        "grinding",
        "hand-grinder",
        "acid-etch",
    }


def test_cautions_hold_the_figures_of_the_silica_rules():
    """29 CFR 1926.1153 as quoted in trade pages: rows xi and xii of its Table 1, 25 cfm per inch, 99 %, APF 10."""
    sentences = {row.key: f"{row.sentence} {row.source}" for row in load_methods().caution}
    for figure in ("25 cfm per inch", "99 %", "over 4 h", "row xi"):
        assert figure in sentences["silica-hand"]
    for figure in ("row xii", "HEPA", "between passes", "99 %"):
        assert figure in sentences["silica-floor"]
    assert "doesn't remove oil" in sentences["acid"]
    for figure in ("90 dBA for 8 h", "95 dBA for 4 h"):  # Table D-2
        assert figure in sentences["noise"]


def test_a_thin_film_is_at_most_ten_mils():
    """10 mil = 254 um (exact: 25.4 um a mil), so the class of thin films ends at 0.25 mm."""
    thin = next(row for row in load_systems().system if row.key == "thin-film")
    assert thin.thickness_high_mm == pytest.approx(10 * 0.0254, rel=0.02)
