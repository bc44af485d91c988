"""Load the counts that standards ask for: readings per area, by test; checked as `loader` checks the other tables."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from functools import cache
from typing import Annotated, ClassVar, Literal

from pydantic import ConfigDict, Field

from assessor.errors import TableInvalid
from assessor.tables.loader import Mark, Positive, Text, packaged, read_table

FILE = "counts.toml"
M2_PER_FT2 = 0.09290304  # exact, by the foot's definition
_STRICT = ConfigDict(extra="forbid")


@dataclass(frozen=True, slots=True)
class CountRow:
    """Readings of one test: `first` on the first first_ft2, then `next` on every further next_ft2."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    key: Text
    name: Text
    first: Annotated[int, Field(ge=1)]
    first_ft2: Positive
    next: Annotated[int, Field(ge=0)]
    next_ft2: Positive
    mark: Mark
    source: Text

    def needed(self, area_m2: float) -> int:
        """Readings that so many m2 need, a part counted whole; ValueError unless area_m2 > 0."""
        if not (area_m2 > 0 and math.isfinite(area_m2)):
            raise ValueError("area_m2 must be positive")
        beyond_ft2 = area_m2 / M2_PER_FT2 - self.first_ft2
        # A whole number of square feet must not tip over by rounding.
        return self.first + self.next * max(math.ceil(beyond_ft2 / self.next_ft2 - 1e-9), 0)


@dataclass(frozen=True, slots=True)
class CountTable:
    """All counts, and the sentence that says what governs."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    table: Literal["counts"]
    version: int
    governs: Text
    count: Annotated[tuple[CountRow, ...], Field(min_length=1)]


@cache
def load_counts() -> CountTable:
    """Return the shipped counts; raises TableInvalid."""
    return parse_counts(packaged(FILE), file=FILE)


def parse_counts(text: str, *, file: str) -> CountTable:
    """Check counts given as TOML text: unique keys, whole rows. Raises TableInvalid with the file and the row."""
    table = read_table(text, file, CountTable)
    for key, found in Counter(row.key for row in table.count).items():
        if found > 1:
            raise TableInvalid(f"count '{key}' has {found} rows", file=file)
    return table


def count_needed(key: str, area_m2: float) -> int:
    """Readings of the test `key` that so many m2 need; KeyError for an unknown test, ValueError for no area."""
    rows = {row.key: row for row in load_counts().count}
    return rows[key].needed(area_m2)
