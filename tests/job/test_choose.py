"""Which methods reach a range: whole, part or none, and never one that the place can't have."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assessor.job.choose import HAZARDS, choose_methods, is_thin, system_row, usable
from assessor.tables.loader import CHIPS, load_methods, load_systems
from assessor.values import TargetRange


@st.composite
def questions(draw):
    edition = draw(st.sampled_from(sorted(CHIPS)))
    low = draw(st.integers(1, CHIPS[edition]))
    return {
        "target": TargetRange(low, draw(st.integers(low, CHIPS[edition]))),
        "edition": edition,
        "indoors": draw(st.booleans()),
        "system": draw(st.sampled_from([None, *(row.key for row in load_systems().system)])),
        "avoid": draw(st.sets(st.sampled_from(HAZARDS))),
        "fresh": draw(st.booleans()),
        "edges": draw(st.booleans()),
    }


@given(questions())
def test_every_method_is_judged_once_and_the_fit_is_plain_arithmetic(asked):
    fits = choose_methods(**asked)
    target, edition = asked["target"], asked["edition"]
    assert sorted(fit.key for fit in fits) == sorted(row.key for row in load_methods().method)
    for fit in fits:
        wanted = set(range(target.low, target.high + 1))
        reach = load_methods().get(fit.key).reach(edition)
        met = wanted & set(range(reach[0], reach[1] + 1)) if reach else set()
        assert fit.fit == (
            "not-listed" if reach is None else "whole" if met == wanted else "part" if met else "none"
        )
        assert (set(range(fit.covers[0], fit.covers[1] + 1)) if fit.covers else set()) == met
        assert fit.usable == (not fit.why_not)
        if fit.fit == "part":
            assert fit.mind[0].startswith("Meets only part of the range")
            for grade in (fit.covers[0], fit.covers[1]):
                assert str(grade) in fit.mind[0]


@given(questions())
def test_nothing_is_usable_that_the_place_cannot_have(asked):
    for fit in usable(choose_methods(**asked)):
        row = fit.row
        assert not (asked["indoors"] and row.indoors == "no")
        assert (row.on == "fresh") == asked["fresh"]
        assert row.edges or not asked["edges"]
        assert not ("vibration" in asked["avoid"] and "high" in row.vibration)
        assert not ("dust" in asked["avoid"] and "high" in row.dust)
        assert not ("noise" in asked["avoid"] and "high" in row.noise)
        assert not ("bruising" in asked["avoid"] and row.bruising != "none")
        assert not ("water" in asked["avoid"] and row.wet == "yes")
        assert not ("exhaust" in asked["avoid"] and row.exhaust == "yes")


@given(questions())
def test_every_fit_carries_cautions_and_a_mark_and_dry_cutting_the_silica_caution(asked):
    for fit in choose_methods(**asked):
        keys = [caution.key for caution in fit.cautions]
        assert "machines-stopped" in keys
        assert len(keys) >= 3
        assert len(keys) == len(set(keys))
        assert fit.reach_mark
        assert len(fit.row.source) > 10
        if fit.row.cuts and fit.row.wet != "yes":
            assert "silica" in keys


@given(questions())
def test_usable_come_first_then_whole_before_part_then_most_of_the_range(asked):
    fits = choose_methods(**asked)
    ranks = [
        (
            not fit.usable,
            ["whole", "part", "none", "not-listed"].index(fit.fit),
            -(fit.covers[1] - fit.covers[0] + 1 if fit.covers else 0),
        )
        for fit in fits
    ]
    assert ranks == sorted(ranks)


@given(questions())
def test_a_wider_range_never_makes_a_part_whole_nor_loses_a_method(asked):
    """Monotone: what reaches some of a range reaches some of every wider one; whole of the wider is whole of it."""
    target, chips = asked["target"], CHIPS[asked["edition"]]
    wider = TargetRange(max(target.low - 1, 1), min(target.high + 1, chips))
    narrow = {fit.key: fit for fit in choose_methods(**asked)}
    wide = {fit.key: fit for fit in choose_methods(**{**asked, "target": wider})}
    for key, fit in narrow.items():
        assert not (fit.usable and not wide[key].usable)
        assert not (wide[key].fit == "whole" and fit.fit != "whole")


def test_the_usual_case_of_a_high_build_coating_indoors():
    """CSP 3-5 on a floor indoors: shot-blasting is the usual way (common practice), grinding meets CSP 3 only."""
    fits = {fit.key: fit for fit in choose_methods(TargetRange(3, 5), "ten-chip", indoors=True)}
    assert next(iter(fits)) == "shot-blast"
    assert fits["shot-blast"].fit == "whole"
    assert (fits["grinding"].fit, fits["grinding"].covers) == ("part", (3, 3))
    assert fits["scarifying"].covers == (4, 5)
    assert any("electric machine only" in told for told in fits["scarifying"].mind)
    assert any("pull-off" in told for told in fits["scarifying"].mind)
    assert fits["rotomilling"].why_not[-1].startswith("Not indoors")
    assert any("fresh concrete" in why for why in fits["retarder"].why_not)


def test_editions_differ_and_say_so():
    ten = {fit.key: fit for fit in choose_methods(TargetRange(5, 8), "ten-chip", indoors=False)}
    nine = {fit.key: fit for fit in choose_methods(TargetRange(5, 8), "nine-chip", indoors=False)}
    assert ten["needle-scaling"].fit == "none"
    assert nine["needle-scaling"].fit == "whole"
    assert nine["breaker"].fit == "not-listed"
    assert "doesn't list it" in nine["breaker"].why_not[0]


def test_under_a_thin_film_what_cuts_too_deep_is_said_to_be_past_grinding_back():
    fits = {
        fit.key: fit
        for fit in choose_methods(TargetRange(1, 3), "ten-chip", indoors=True, system="thin-film")
    }
    assert any("can't be ground back" in told for told in fits["shot-blast"].mind)
    assert not any("can't be ground back" in told for told in fits["grinding"].mind)
    thin = {row.key for row in load_systems().system if is_thin(row)}
    assert thin == {"penetrating-sealer", "between-sealer-and-film", "thin-film"}


def test_fresh_concrete_takes_a_retarder_and_no_machine():
    fits = usable(choose_methods(TargetRange(6, 8), "ten-chip", indoors=False, fresh=True))
    assert [fit.key for fit in fits] == ["retarder"]


def test_edges_and_corners_are_for_small_tools():
    """Edges, corners, columns, drains and joints are prepared with other tools (common practice)."""
    fits = {fit.key: fit for fit in choose_methods(TargetRange(1, 3), "ten-chip", indoors=True, edges=True)}
    assert fits["hand-grinder"].usable
    for key in ("grinding", "shot-blast", "scarifying", "rotomilling"):
        assert any("Too large for edges" in why for why in fits[key].why_not), key


def test_a_range_or_system_that_does_not_exist_is_refused():
    with pytest.raises(ValueError, match="runs from CSP 1 to 9, not 8-10"):
        choose_methods(TargetRange(8, 10), "nine-chip", indoors=True)
    with pytest.raises(ValueError, match="not 5-3"):
        choose_methods(TargetRange(5, 3), "ten-chip", indoors=True)
    with pytest.raises(KeyError, match="carpet"):
        choose_methods(TargetRange(3, 5), "ten-chip", indoors=True, system="carpet")
    assert system_row(None) is None
