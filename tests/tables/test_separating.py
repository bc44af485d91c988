"""The table of small tests: whole, sourced, in plain words, and refused with its row where broken."""

from itertools import combinations

import pytest

from assessor.errors import TableInvalid
from assessor.surface.separating import cheapest_test, separating_test
from assessor.tables import separating
from assessor.tables.loader import packaged
from assessor.tables.separating import KINDS, TEST_CODES, load_tests, parse_tests
from assessor.values import PATCH_KINDS

TEXT = packaged(separating.FILE)


def test_kinds_are_those_of_patches():
    assert KINDS == PATCH_KINDS


def test_every_pair_has_a_test_that_tells_it_and_order_does_not_matter():
    for kind_a, kind_b in combinations(KINDS, 2):
        code = cheapest_test(kind_a, kind_b)
        assert code == cheapest_test(kind_b, kind_a)
        row = separating_test(code)
        assert row.tells(kind_a, kind_b)
        assert not any(other.tells(kind_a, kind_b) for other in load_tests().test if other.cost < row.cost)


@pytest.mark.parametrize(
    ("pair", "code"),
    [
        # Physics: highlights move with the view, shadows with the light, stains don't; water dries, oil doesn't.
        (("oil", "shadow"), "move-light"),
        (("oil", "damp"), "water-drop"),
        (("damp", "aggregate"), "dry-reshoot"),
        (("dust", "aggregate"), "cloth-wipe"),
        (("dust", "laitance"), "tape-lift"),
        (("coating", "laitance"), "knife-scratch"),
        (("coating", "aggregate"), "low-photo"),
        (("oil", "unknown"), "water-drop"),
        (("oil", "oil"), "water-drop"),
        (("unknown", "unknown"), "water-drop"),
    ],
)
def test_tests_of_well_known_pairs(pair, code):
    assert cheapest_test(*pair) == code


def test_unknown_names_are_refused():
    with pytest.raises(ValueError, match="'wax' is no patch kind"):
        cheapest_test("oil", "wax")
    with pytest.raises(KeyError):
        separating_test("lick")


def test_all_tests_are_there_with_source_and_no_acid_or_clean():
    table = load_tests()
    assert sorted(row.key for row in table.test) == sorted(TEST_CODES)
    for row in table.test:
        assert len(row.source) > 10
        words = " ".join([row.how, *(f"{o.seen} {o.means}" for o in row.outcomes)]).lower()
        assert "acid" not in words
        assert "clean" not in words
        assert row.how.count(". ") == 0  # one sentence for a crew
    for code in ("knife-scratch", "water-drop", "cloth-wipe", "sounding", "dry-reshoot", "move-light"):
        assert separating_test(code).caution


BAD = {
    "no test tells dust from laitance": ('["dust", "laitance"], ', ""),
    r"row 2 of \[\[test\]\]: cost 1 does not rise": ("cost = 2", "cost = 1"),
    "test 'low-photo' is there 2 times": ('key = "sounding"', 'key = "low-photo"'),
    r"row 1 of \[\[test\]\]: key": ('key = "move-light"', 'key = "acid-drop"'),
    "separates.*input should be": ('["dust", "unknown"]]', '["dust", "wax"]]'),
    "'dust' can't be told from itself": ('["dust", "unknown"]]', '["dust", "dust"]]'),
    "the pair dust-laitance is there 2 times": ('["dust", "unknown"]]', '["laitance", "dust"]]'),
    r"row 1 of \[\[test\]\]: source": ('source = "shadows', 'sources = "shadows'),
    "not valid TOML": ("version = 1", "version ="),
}


@pytest.mark.parametrize("sentence", BAD)
def test_broken_tables_are_refused_with_file_and_row(sentence):
    text = TEXT.replace(*BAD[sentence], 1)
    assert text != TEXT
    with pytest.raises(TableInvalid, match=sentence) as caught:
        parse_tests(text, file="mine.toml")
    assert str(caught.value).startswith("mine.toml: ")
