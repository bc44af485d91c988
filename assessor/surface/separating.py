"""Which small test tells two patch kinds apart at the least cost (`tables/separating_tests.toml`)."""

from __future__ import annotations

from assessor.tables.separating import KINDS, SeparatingTest, load_tests


def cheapest_test(kind_a: str, kind_b: str) -> str:
    """Code of the cheapest test that tells two patch kinds apart, in whatever order they come.

    A kind against itself is tried against "unknown": the test that would confirm it. ValueError for a kind that is
    not in `PATCH_KINDS`.
    """
    for kind in (kind_a, kind_b):
        if kind not in KINDS:
            raise ValueError(f"'{kind}' is no patch kind")
    table = load_tests()
    if kind_a == kind_b:
        if kind_a == "unknown":
            return table.both_unknown
        kind_b = "unknown"
    # The table runs by rising cost and separates every pair: its loader has checked both.
    return next(row.key for row in table.test if row.tells(kind_a, kind_b))


def separating_test(code: str) -> SeparatingTest:
    """The test's words and cautions by its code; KeyError if unknown."""
    return load_tests().get(code)
