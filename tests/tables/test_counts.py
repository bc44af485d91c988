"""Counts that standards ask for: their worked figures, whole rows with sources, mistakes told with their row."""

import pytest

from assessor.errors import TableInvalid
from assessor.tables import counts
from assessor.tables.counts import M2_PER_FT2, count_needed, load_counts, parse_counts
from assessor.tables.loader import packaged

TEXT = packaged(counts.FILE)


@pytest.mark.parametrize(
    ("key", "area_ft2", "needed"),
    [
        # domain.md check value 40: F3191, 10,000 ft2: 3 + ceil(8000/3000); D4262, 1,800 ft2: 2 x ceil(1800/500).
        ("water-drops", 10_000, 6), ("ph", 1_800, 8),
        ("water-drops", 2_000, 3), ("water-drops", 2_000.5, 4),
        ("ph", 500, 2), ("ph", 501, 4), ("ph", 10, 2),
        ("pull-off", 10, 3), ("pull-off", 50_000, 3), ("sand-patch", 50_000, 4),
    ],
)  # fmt: skip
def test_counts_of_the_standards(key, area_ft2, needed):
    assert count_needed(key, area_ft2 * M2_PER_FT2) == needed


def test_rows_carry_source_and_mark_and_the_table_defers():
    assert {row.key for row in load_counts().count} == {"water-drops", "ph", "pull-off", "sand-patch"}
    assert "govern" in load_counts().governs
    for row in load_counts().count:
        assert row.source
        assert row.mark == "from memory, verify" or "excerpts" in row.source or "literature" in row.source


def test_unknown_tests_and_no_area_are_refused():
    with pytest.raises(KeyError):
        count_needed("taste", 10.0)
    for area in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="positive"):
            count_needed("ph", area)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("table = = 1", "not valid TOML"),
        (TEXT.replace("first = 2\n", "first = 0\n"), r"row 2 of \[\[count\]\]: first: "),
        (TEXT.replace('"ph"', '"pull-off"'), "count 'pull-off' has 2 rows"),
        (TEXT.replace("next = 2\n", ""), r"row 2 of \[\[count\]\]: next: "),
    ],
)
def test_broken_tables_are_refused_with_their_row(text, sentence):
    with pytest.raises(TableInvalid, match=sentence):
        parse_counts(text, file="mine.toml")
