"""Load the table of small tests that tell patch kinds apart; checked as `loader` checks the other tables."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from typing import Annotated, ClassVar, Literal, get_args

from pydantic import ConfigDict, Field

from assessor.errors import TableInvalid
from assessor.tables.loader import Mark, Text, packaged, read_table

TestCode = Literal[
    "move-light", "low-photo", "cloth-wipe", "tape-lift", "knife-scratch", "water-drop", "sounding", "dry-reshoot"
]  # fmt: skip
TEST_CODES: tuple[TestCode, ...] = get_args(TestCode)
# The patch kinds of `values.surface`, which lies a level below; a test compares the two.
KindName = Literal[
    "oil", "damp", "coating", "adhesive", "rubber", "dust", "laitance", "shadow", "aggregate", "unknown"
]
KINDS: tuple[KindName, ...] = get_args(KindName)
FILE = "separating_tests.toml"
_STRICT = ConfigDict(extra="forbid")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What may be seen in a test, and what it means."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    seen: Text
    means: Text


@dataclass(frozen=True, slots=True)
class SeparatingTest:
    """One small test: how a crew does it, its outcomes, and the pairs of patch kinds it tells apart.

    cost: rank, 1 the cheapest. caution: what to mind, None where the test hurts nobody.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    key: TestCode
    name: Text
    cost: Annotated[int, Field(ge=1)]
    how: Text
    outcomes: Annotated[tuple[Outcome, ...], Field(min_length=2)]
    separates: Annotated[tuple[tuple[KindName, KindName], ...], Field(min_length=1)]
    mark: Mark
    source: Text
    caution: Text | None = None

    def tells(self, kind_a: str, kind_b: str) -> bool:
        """Whether the two kinds give different outcomes."""
        return any({kind_a, kind_b} == set(pair) for pair in self.separates)


@dataclass(frozen=True, slots=True)
class SeparatingTests:
    """All small tests, cheapest first, and which to begin with where nothing is known of a patch."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    table: Literal["separating-tests"]
    version: int
    both_unknown: TestCode
    defers: Text
    test: tuple[SeparatingTest, ...]

    def get(self, key: str) -> SeparatingTest:
        """Return the test with that code; KeyError if unknown."""
        for row in self.test:
            if row.key == key:
                return row
        raise KeyError(key)


@cache
def load_tests() -> SeparatingTests:
    """Return the shipped table of separating tests; raises TableInvalid."""
    return parse_tests(packaged(FILE), file=FILE)


def parse_tests(text: str, *, file: str) -> SeparatingTests:
    """Check a table of separating tests given as TOML text: every code once, by cost, every pair of kinds separated.

    Raises TableInvalid with the file and the row.
    """
    table = read_table(text, file, SeparatingTests)
    found = Counter(row.key for row in table.test)
    for code in TEST_CODES:
        if found[code] != 1:
            raise TableInvalid(f"test '{code}' is there {found[code]} times instead of once", file=file)
    for number, row in enumerate(table.test, 1):
        if number > 1 and row.cost <= table.test[number - 2].cost:
            _fail(file, number, f"cost {row.cost} does not rise above the test before")
        for kind_a, kind_b in row.separates:
            if kind_a == kind_b:
                _fail(file, number, f"'{kind_a}' can't be told from itself")
        for pair, count in Counter(frozenset(pair) for pair in row.separates).items():
            if count > 1:
                _fail(file, number, f"the pair {'-'.join(sorted(pair))} is there {count} times")
    for kind_a, kind_b in combinations(KINDS, 2):
        if not any(row.tells(kind_a, kind_b) for row in table.test):
            raise TableInvalid(f"no test tells {kind_a} from {kind_b}", file=file)
    return table


def _fail(file: str, number: int, found: str) -> None:
    raise TableInvalid(f"row {number} of [[test]]: {found}", file=file)
