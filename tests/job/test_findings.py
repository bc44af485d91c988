"""What assessments and overviews find: codes and places, and no finding where nothing was asked or seen."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assessor.job.findings import (
    PatchPlace,
    SpotFindings,
    card_place,
    findings_of_assessment,
    findings_of_method,
    findings_of_overview,
    patch_place,
)
from assessor.values import PATCH_KINDS
from assessor.values.overview import Spread
from tests.fake_surface import fake_patch, square
from tests.job.fake_overview import fake_overview, fake_strip

SPOT = "zone 2, spot 7"


def codes(findings):
    return [finding.code for finding in findings]


def patch(kind, look="dark", at=(-300.0, 40.0)):
    return PatchPlace(kind, look, at, 900.0, 0.62, "water-drop")


@pytest.mark.parametrize(
    ("short", "over", "code"), [(0.95, 0.0, "short"), (0.0, 0.95, "over"), (0.45, 0.45, "over")]
)
def test_rework_is_short_or_over_and_over_where_neither_weighs_more(short, over, code):
    """Of a tie the safe side: to stop can be mended by a later pass, to cut too deep can't."""
    found = findings_of_assessment(SpotFindings(SPOT, "rework", short, over))
    assert codes(found) == [code]
    assert found[0].where == SPOT


def test_ready_for_the_chip_is_no_finding_and_cant_tell_carries_the_shot():
    assert findings_of_assessment(SpotFindings(SPOT, "chip", 0.01, 0.1)) == ()
    assert findings_of_assessment(SpotFindings(SPOT)) == ()
    (shot,) = findings_of_assessment(SpotFindings(SPOT, "shot", 0.5, 0.1, next_shot="Take a torch capture"))
    assert (shot.code, shot.detail) == ("cant-tell", "Take a torch capture")
    (refused,) = findings_of_assessment(SpotFindings(SPOT, why_not="Take the spot again: hold still"))
    assert (refused.code, refused.detail) == ("cant-tell", "Take the spot again: hold still")


@pytest.mark.parametrize("kind", PATCH_KINDS)
def test_every_kind_of_patch_becomes_a_finding_with_its_place_and_test(kind):
    (found,) = findings_of_assessment(SpotFindings(SPOT, "chip", patches=(patch(kind),)))
    assert found.code == ("unknown" if kind in ("shadow", "aggregate") else kind)
    assert found.where == f"{SPOT}: about 30 cm left of the card's middle, 4 cm above"
    assert found.test == "water-drop"
    assert not found.tested
    assert "9 cm²" in found.detail


def test_a_shiny_coating_is_a_film():
    found = findings_of_assessment(SpotFindings(SPOT, patches=(patch("coating", "glossy"),)))
    assert codes(found) == ["film"]


@pytest.mark.parametrize("process", ["ground", "blasted", "milled", "scarified", None])
def test_lines_one_way_matter_after_scarifying_only(process):
    seen = SpotFindings(SPOT, "chip", direction_strength=0.8, process=process)
    assert codes(findings_of_assessment(seen)) == (["one-direction"] if process == "scarified" else [])


def test_of_a_spot_too_rough_no_second_pass_is_asked():
    seen = SpotFindings(SPOT, "rework", 0.0, 0.95, direction_strength=0.8, process="scarified")
    assert codes(findings_of_assessment(seen)) == ["over"]
    assert codes(findings_of_assessment(replace(seen, p_short=0.95, p_over=0.0))) == [
        "short",
        "one-direction",
    ]


def test_a_floor_told_damp_needs_no_test_and_one_that_looks_so_does():
    (told,) = findings_of_assessment(SpotFindings(SPOT, "chip", floor="told-damp"))
    (looks,) = findings_of_assessment(SpotFindings(SPOT, "chip", floor="looks-damp"))
    assert (told.code, told.tested, looks.code, looks.tested) == ("damp", True, "damp", False)


def test_more_stone_than_cut_concrete_shows_is_no_finding_but_a_shot():
    (found,) = findings_of_assessment(SpotFindings(SPOT, "chip", stones_plausible=False))
    assert found.code == "cant-tell"


@given(st.floats(-400, 400), st.floats(-400, 400))
def test_places_read_back_to_the_centimetre(x_mm, y_mm):
    words = card_place((x_mm, y_mm))
    assert ("left" in words) == (round(x_mm / 10) < 0)
    assert ("right" in words) == (round(x_mm / 10) > 0)
    assert ("above" in words) == (round(y_mm / 10) > 0)
    assert ("below" in words) == (round(y_mm / 10) < 0)
    for value in (x_mm, y_mm):
        if round(value / 10):
            assert f"{abs(round(value / 10))} cm" in words


def test_patches_of_the_pipeline_give_their_plain_values():
    one = fake_patch(square(-300.0, 40.0, 30.0), "oil", chance=0.7)
    plain = patch_place(one)
    assert plain.chance == pytest.approx(0.96 * 0.7)  # likely to be more than colour, and then oil
    assert plain.at_mm[0] == pytest.approx(-300.0, abs=10)


def test_an_overview_gives_strips_gap_stripes_unevenness_and_patches_with_places():
    found = findings_of_overview(fake_overview(), "zone 2")
    assert codes(found) == [
        "missed-strip", "lane-gap", "lane-overlap", "cant-tell", "cant-tell", "one-direction", "uneven", "oil",
    ]  # fmt: skip
    gap = found[1]
    assert gap.where == (
        "zone 2: strip about 9 cm wide, from 1.5 m right and 0.1 m up to 1.5 m right and 3.1 m up,"
        " seen from the zone's lower left corner"
    )
    assert "1.5 m right and 0.5 m up" in found[6].detail  # the middle of the block of 1 m with least texture
    assert "1.0 m right and 0.5 m up" in found[7].where


def test_without_a_size_places_count_from_the_sheet():
    found = findings_of_overview(
        fake_overview(zone=None, strips=(fake_strip("lane-gap", x_mm=-500.0),)), "zone 2"
    )
    assert (
        "from 0.5 m left and 0.0 m up to 0.5 m left and 3.0 m up, seen from the middle of sheet 3"
        in found[0].where
    )


def test_what_an_overview_cannot_tell_is_no_finding():
    overview = fake_overview(strips=(), patches=None)
    plain = replace(
        overview,
        coverage=replace(overview.coverage, gaps=()),
        lay=replace(overview.lay, state="cannot-tell", one_way=None, u_share=None),
        evenness=replace(overview.evenness, contrast_spread=Spread(None, None, None, 3, "too few", "m")),
    )
    assert findings_of_overview(plain, "zone 2") == ()


@pytest.mark.parametrize(
    ("value", "u", "found"), [(0.5, 0.1, True), (0.5, 0.2, False), (0.15, 0.01, False), (0.25, 0.01, True)]
)
def test_a_zone_is_uneven_only_beyond_chance_and_doubt(value, u, found):
    overview = fake_overview(strips=(), patches=None)
    spread = Spread(value, u, 0.09, 40, "", "m")
    changed = replace(overview, evenness=replace(overview.evenness, contrast_spread=spread))
    assert ("uneven" in codes(findings_of_overview(changed, "zone 2"))) == found


def test_stripes_of_a_zone_need_the_process_from_somewhere():
    overview = fake_overview()
    untold = replace(overview, lay=replace(overview.lay, matters=None))
    assert "one-direction" not in codes(findings_of_overview(untold, "zone 2"))
    assert "one-direction" not in codes(findings_of_overview(untold, "zone 2", process="blasted"))
    assert "one-direction" in codes(findings_of_overview(untold, "zone 2", process="scarified"))
    few = replace(overview, lay=replace(overview.lay, one_way=0.3))
    assert "one-direction" not in codes(findings_of_overview(few, "zone 2"))  # 0.3 - 1.645 x 0.05 < 0.25


def test_no_block_seen_means_no_smoothest_place():
    overview = fake_overview(strips=(), patches=None)
    blind = replace(overview, evenness=replace(overview.evenness, contrast=np.full((3, 4), np.nan)))
    uneven = [one for one in findings_of_overview(blind, "zone 2") if one.code == "uneven"]
    assert "least texture" not in uneven[0].detail


def test_methods_that_bruise_are_a_finding_by_themselves():
    assert codes(findings_of_method("scarifying", "zone 2")) == ["bruised"]
    assert findings_of_method("shot-blast", "zone 2") == ()
    assert findings_of_method("by hand", "zone 2") == ()
