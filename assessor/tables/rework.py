"""Load the table of rework advice: what, how, then for every finding; checked as `loader` checks the other tables."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Annotated, ClassVar, Literal, get_args

from pydantic import ConfigDict, Field

from assessor.errors import TableInvalid
from assessor.tables.loader import Family, Mark, Text, load_methods, packaged, read_table
from assessor.tables.separating import TestCode, load_tests

FindingCode = Literal[
    "cant-tell", "unknown", "over", "damp", "oil", "coating", "film", "adhesive", "rubber", "laitance",
    "missed-strip", "lane-gap", "lane-overlap", "short", "uneven", "one-direction", "bruised", "dust",
]  # fmt: skip
FINDING_CODES: tuple[FindingCode, ...] = get_args(FindingCode)
StepName = Literal["find-out", "stop", "dry", "degrease", "take-off", "cut", "after-impact", "vacuum"]
STEPS: tuple[StepName, ...] = get_args(StepName)
Reshoot = Literal["spot", "overview", "low-photo", "none"]
FAMILIES: tuple[Family, ...] = get_args(Family)
FILE = "rework.toml"
_STRICT = ConfigDict(extra="forbid")


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the order of work on the floor."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    key: StepName
    words: Text


@dataclass(frozen=True, slots=True)
class Deeper:
    """How one family of methods cuts deeper."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    family: Family
    how: Text
    mark: Mark
    source: Text


@dataclass(frozen=True, slots=True)
class TestCaution:
    """A few words for the caution of a small test."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    test: TestCode
    short: Annotated[str, Field(min_length=1, max_length=70)]


@dataclass(frozen=True, slots=True)
class ReworkRow:
    """What to do about one finding.

    cause: what the patch would be, of a finding that photos can only suspect; test: the small test that comes first.
    work: "own" cuts with the zone's method, "other" with one of `methods`, "none" cuts nothing. only: families of
    methods the row holds for, empty for all. no_water, thin_film: see the table's head.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    code: FindingCode
    title: Text
    step: StepName
    what: Text
    how: Text
    then: Text
    work: Literal["own", "other", "none"]
    cautions: Annotated[tuple[Text, ...], Field(min_length=1)]
    reshoot: Reshoot
    mark: Mark
    source: Text
    cause: str | None = None
    test: TestCode | None = None
    methods: tuple[Text, ...] = ()
    only: tuple[Family, ...] = ()
    no_water: str | None = None
    thin_film: str | None = None
    retest_after_hours: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None


@dataclass(frozen=True, slots=True)
class ReworkTable:
    """All advice, the order of work, and the sentence that defers to data sheet and codes.

    after_all: what is left to do when every line is done.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    table: Literal["rework"]
    version: int
    defers: Text
    after_all: Text
    after_all_mark: Mark
    after_all_source: Text
    step: tuple[Step, ...]
    deeper: tuple[Deeper, ...]
    test_caution: tuple[TestCaution, ...]
    rework: tuple[ReworkRow, ...]

    def get(self, code: str) -> ReworkRow:
        """Return the row of that finding; KeyError if unknown."""
        for row in self.rework:
            if row.code == code:
                return row
        raise KeyError(code)

    def step_words(self, key: StepName) -> str:
        """Return the step as a heading."""
        return next(row.words for row in self.step if row.key == key)

    def deeper_how(self, family: Family) -> str:
        """Return how that family of methods cuts deeper."""
        return next(row.how for row in self.deeper if row.family == family)

    def test_short(self, code: str) -> str:
        """Return the few words for a test's caution."""
        return next(row.short for row in self.test_caution if row.test == code)


@cache
def load_rework() -> ReworkTable:
    """Return the shipped rework table; raises TableInvalid."""
    return parse_rework(packaged(FILE), file=FILE)


def parse_rework(text: str, *, file: str) -> ReworkTable:
    """Check a rework table given as TOML text: every finding, step and family once, known methods and cautions.

    Raises TableInvalid with the file and the row.
    """
    table = read_table(text, file, ReworkTable)
    if tuple(row.key for row in table.step) != STEPS:
        raise TableInvalid(f"the steps must be {', '.join(STEPS)}, in this order", file=file)
    _each_once(file, "family", [row.family for row in table.deeper], FAMILIES)
    _each_once(file, "finding", [row.code for row in table.rework], FINDING_CODES)
    with_caution = tuple(row.key for row in load_tests().test if row.caution)
    _each_once(file, "test caution", [row.test for row in table.test_caution], with_caution)
    methods = load_methods()
    cautions = {row.key for row in methods.caution}
    for number, row in enumerate(table.rework, 1):
        for caution in row.cautions:
            if caution not in cautions:
                _fail(file, number, f"caution '{caution}' has no row in methods.toml")
        for method in row.methods:
            if methods.get(method) is None:
                _fail(file, number, f"method '{method}' has no row in methods.toml")
        if (row.work == "other") != bool(row.methods):
            _fail(file, number, f"'{row.code}' names methods if its work is \"other\", and only then")
        if row.cause is not None and row.test is None:
            _fail(file, number, f"'{row.code}' is only suspected, so it needs a test that comes first")
        if row.work != "none" and not {"silica", "noise", "hidden"} <= set(row.cautions):
            _fail(file, number, f"'{row.code}' cuts, so it needs the cautions 'silica', 'noise' and 'hidden'")
    return table


def _each_once(file: str, what: str, found: Iterable[str], wanted: tuple[str, ...]) -> None:
    count = Counter(found)
    for key in wanted:
        if count[key] != 1:
            raise TableInvalid(f"{what} '{key}' is there {count[key]} times instead of once", file=file)


def _fail(file: str, number: int, found: str) -> None:
    raise TableInvalid(f"row {number} of [[rework]]: {found}", file=file)
