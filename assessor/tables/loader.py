"""Load the package's TOML tables into typed, frozen rows and refuse a broken one before any photo is read.

Why TOML: a person of the trade can read, question and mend a row, and each row carries its `source` and a
`mark` (source / common practice / from memory, verify / derived) that says how far to trust it. `parse_*`
take text, so an edited table can be checked without installing it; `load_*` read the packaged table, once.
"""

from __future__ import annotations

import math
import tomllib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Annotated, Any, ClassVar, Literal, TypeVar

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError

from assessor.errors import TableInvalid

Mark = Literal["source", "common practice", "from memory, verify", "derived"]
Edition = Literal["ten-chip", "nine-chip"]
Text = Annotated[str, Field(min_length=1)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Grades = tuple[int, int]
Indoors = Literal["yes", "with controls", "no"]
Dust = Literal["none", "low", "low with collector", "high", "very high"]
Exhaust = Literal[
    "none", "compressor outside", "pump outside", "depends on drive", "many are petrol-driven: those not indoors", "yes"
]  # fmt: skip
Noise = Literal["low", "high", "very high"]
Vibration = Literal["none", "low", "high", "very high"]
Bruising = Literal["none", "light", "yes"]
Wet = Literal["no", "can be", "yes"]
# Methods that are driven alike; the rework table says how each cuts deeper.
Family = Literal[
    "washing", "etching", "grinding", "blasting", "scarifying", "milling", "chipping", "jetting", "retarder"
]

CHIPS: dict[str, int] = {"ten-chip": 10, "nine-chip": 9}
_STRICT = ConfigDict(extra="forbid")


@dataclass(frozen=True, slots=True)
class GradeRow:
    """One grade: mean peak-to-valley height in mm and the 90 % half-width of our ignorance, in grades."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    grade: int
    height_mm: Positive
    spread_grades: Positive
    mark: Mark
    source: Text


@dataclass(frozen=True, slots=True)
class ProcessRow:
    """The texture shape a process leaves: H over full-band Sq, and the grades it is known for."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    process: Text
    words: Text
    shape_factor: Positive
    shape_log_sd: Positive
    reach_low: int
    reach_high: int
    mark: Mark
    source: Text


@dataclass(frozen=True, slots=True)
class ShareRow:
    """Share of a process's full-band Sq that is left in the band (0..1), with its log spread."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    process: Text
    band_short_mm: Positive
    band_long_mm: Positive
    share: Annotated[float, Field(gt=0, le=1)]
    log_sd: Positive
    mark: Mark
    source: Text


@dataclass(frozen=True, slots=True)
class GradeTable:
    """A grade scale as tabled: heights per grade, shapes per process, shares per process and band."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    table: Literal["grade-scale"]
    name: Text
    edition: Edition
    is_prior: bool
    version: int
    outside_reach_weight: Annotated[float, Field(gt=0, le=1)]
    grade: tuple[GradeRow, ...]
    process: tuple[ProcessRow, ...]
    share: tuple[ShareRow, ...]

    def position_of_height(self, height_mm: float) -> float:
        """Return where a mean peak-to-valley height in mm lies on the scale, as a fraction of grades.

        Log-linear between the grades and beyond both ends; ValueError unless height_mm > 0.
        """
        if not height_mm > 0:
            raise ValueError("height_mm must be positive")
        rows = self.grade
        above = min(max(sum(row.height_mm <= height_mm for row in rows), 1), len(rows) - 1)
        low, high = rows[above - 1], rows[above]
        part = math.log(height_mm / low.height_mm) / math.log(high.height_mm / low.height_mm)
        return low.grade + part


@dataclass(frozen=True, slots=True)
class Caution:
    """One usual caution of the trade; never a replacement for local codes or the maker's data sheet.

    short: a few words for a work sheet that says the whole sentence once.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    key: Text
    short: Annotated[str, Field(min_length=1, max_length=70)]
    sentence: Text
    mark: Mark
    source: Text


@dataclass(frozen=True, slots=True)
class MethodRow:
    """One preparation method: reachable CSP range per edition, where it may be used, what to mind.

    tool: what a work sheet calls it. edges: gets to edges and corners. cuts: takes concrete off. wet: whether the floor
    gets wet. bruising: "yes" wants a follow-up before a bonded layer. mark, source: of the ranges; csp_9_mark where
    the nine-chip range's differs.
    """

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    key: Text
    name: Text
    tool: Text
    family: Family
    indoors: Indoors
    edges: bool
    cuts: bool
    wet: Wet
    dust: Dust
    exhaust: Exhaust
    noise: Noise
    vibration: Vibration
    bruising: Bruising
    cautions: tuple[Text, ...]
    claims: tuple[Text, ...]
    mark: Mark
    source: Text
    process: str | None = None
    csp_10: Grades | None = None
    csp_9: Grades | None = None
    csp_9_mark: Mark | None = None
    on: Literal["hardened", "fresh"] = "hardened"

    def reach(self, edition: Edition) -> Grades | None:
        """Return the lowest and highest grade the method reaches in that edition, None where not listed."""
        return self.csp_10 if edition == "ten-chip" else self.csp_9

    def reach_mark(self, edition: Edition) -> Mark:
        """Return how far the range of that edition can be trusted."""
        return self.csp_9_mark or self.mark if edition == "nine-chip" else self.mark


@dataclass(frozen=True, slots=True)
class MethodTable:
    """All methods, the cautions they name, and the sentence that defers to codes and data sheets.

    levels_mark, levels_source: of all that stands beside the ranges (dust, noise, vibration and so on).
    """

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    table: Literal["methods"]
    version: int
    defers: Text
    levels_mark: Mark
    levels_source: Text
    caution: tuple[Caution, ...]
    method: tuple[MethodRow, ...]

    def get(self, key: str) -> MethodRow | None:
        """Return the method with that key, or None."""
        return next((row for row in self.method if row.key == key), None)

    def caution_rows(self, keys: Iterable[str]) -> tuple[Caution, ...]:
        """Return the cautions of these keys, each once and in the table's order; KeyError if one is unknown."""
        wanted = set(keys)
        if missing := wanted - {row.key for row in self.caution}:
            raise KeyError(sorted(missing)[0])
        return tuple(row for row in self.caution if row.key in wanted)

    def cautions_of(self, key: str) -> tuple[str, ...]:
        """Return the caution sentences of a method, then the one that defers; KeyError if unknown."""
        row = self.get(key)
        if row is None:
            raise KeyError(key)
        return (*(caution.sentence for caution in self.caution_rows(row.cautions)), self.defers)


@dataclass(frozen=True, slots=True)
class SystemRow:
    """One system to be placed: thickness class in mm and default CSP range (None: ask the data sheet)."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    key: Text
    name: Text
    kind: Literal["class", "by name"]
    claims: tuple[Text, ...]
    mark: Mark
    source: Text
    thickness_low_mm: Annotated[float, Field(ge=0)] | None = None
    thickness_high_mm: Positive | None = None
    csp_low: int | None = None
    csp_high: int | None = None


@dataclass(frozen=True, slots=True)
class SystemTable:
    """Systems by thickness class and by name, and the sentence that says what governs."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    table: Literal["systems"]
    version: int
    governs: Text
    system: tuple[SystemRow, ...]


Table = TypeVar("Table")


def load_grade_table(edition: Edition) -> GradeTable:
    """Return the shipped prior for the ten-chip or the nine-chip edition; raises TableInvalid."""
    name = f"grade_scale_prior_{CHIPS[edition]}.toml"
    return parse_grade_table(packaged(name), file=name)


def load_methods() -> MethodTable:
    """Return the shipped method table; raises TableInvalid."""
    return parse_methods(packaged("methods.toml"), file="methods.toml")


def load_systems() -> SystemTable:
    """Return the shipped table of systems and thickness classes; raises TableInvalid."""
    return parse_systems(packaged("systems.toml"), file="systems.toml")


@cache
def parse_grade_table(text: str, *, file: str) -> GradeTable:
    """Check a grade scale table given as TOML text: every grade once, rising, every process with its shares.

    Raises TableInvalid with the file and the row.
    """
    table = read_table(text, file, GradeTable)
    chips = CHIPS[table.edition]
    for number, row in enumerate(table.grade, 1):
        if row.grade != number:
            _fail(file, "grade", number, f"grade {row.grade} stands where grade {number} belongs")
        if number > 1 and row.height_mm <= table.grade[number - 2].height_mm:
            _fail(file, "grade", number, f"height_mm {row.height_mm:g} does not rise above the grade before")
    if len(table.grade) != chips:
        _fail(file, "grade", len(table.grade), f"the {table.edition} scale needs {chips} grades")
    names = [row.process for row in table.process]
    _unique(file, "process", names)
    for number, process in enumerate(table.process, 1):
        _within(file, "process", number, (process.reach_low, process.reach_high), chips)
    bands = sorted({(row.band_short_mm, row.band_long_mm) for row in table.share})
    for number, share in enumerate(table.share, 1):
        if share.process not in names:
            _fail(file, "share", number, f"process '{share.process}' has no row of its own")
        if share.band_short_mm >= share.band_long_mm:
            _fail(file, "share", number, "band_short_mm must be smaller than band_long_mm")
    found = Counter((row.process, row.band_short_mm, row.band_long_mm) for row in table.share)
    for name in names:
        for short_mm, long_mm in bands:
            if found[name, short_mm, long_mm] != 1:
                _fail(file, "share", 0, f"'{name}' needs one row in {short_mm:g}-{long_mm:g} mm")
    return table


@cache
def parse_methods(text: str, *, file: str) -> MethodTable:
    """Check a method table given as TOML text: unique keys, ranges inside the scale, a caution for every hazard.

    Raises TableInvalid with the file and the row.
    """
    table = read_table(text, file, MethodTable)
    _unique(file, "caution", [row.key for row in table.caution])
    _unique(file, "method", [row.key for row in table.method])
    known = {row.key for row in table.caution}
    for number, row in enumerate(table.method, 1):
        for edition, reach in (("ten-chip", row.csp_10), ("nine-chip", row.csp_9)):
            if reach is not None:
                _within(file, "method", number, reach, CHIPS[edition])
        if row.csp_10 is None and row.csp_9 is None:
            _fail(file, "method", number, f"'{row.key}' has no CSP range in either edition")
        for caution in row.cautions:
            if caution not in known:
                _fail(file, "method", number, f"caution '{caution}' has no row of its own")
        if not row.cautions:
            _fail(file, "method", number, f"'{row.key}' names no caution")
        for caution in sorted(hazards_of(row) - set(row.cautions)):
            _fail(file, "method", number, f"'{row.key}' needs the caution '{caution}'")
    return table


def hazards_of(row: MethodRow) -> frozenset[str]:
    """Keys of the cautions that a method may never go without, by what it does."""
    needed = {
        "silica": (row.cuts and row.wet != "yes") or "high" in row.dust,
        "oil": row.cuts and row.wet != "yes",
        "hidden": row.cuts,
        "exhaust": row.exhaust != "none",
        "noise": row.noise != "low",
        "hand-arm": "high" in row.vibration,
        "bruising": row.bruising != "none",
        "slurry": row.wet != "no",
        "wet-power": row.wet != "no",
        "moisture": row.wet == "yes",
        "fresh": row.on == "fresh",
    }
    return frozenset(key for key, applies in needed.items() if applies)


@cache
def parse_systems(text: str, *, file: str) -> SystemTable:
    """Check a table of systems given as TOML text: thickness classes in order and without gaps.

    Raises TableInvalid with the file and the row.
    """
    table = read_table(text, file, SystemTable)
    _unique(file, "system", [row.key for row in table.system])
    reached_mm: float | None = 0.0
    for number, row in enumerate(table.system, 1):
        if (row.csp_low is None) != (row.csp_high is None):
            _fail(file, "system", number, "give both csp_low and csp_high or neither")
        if row.csp_low is not None and row.csp_high is not None:
            _within(file, "system", number, (row.csp_low, row.csp_high), CHIPS["ten-chip"])
        if row.kind == "by name":
            continue
        if reached_mm is None or row.thickness_low_mm != reached_mm:
            expected = "nothing after an open class" if reached_mm is None else f"{reached_mm:g} mm"
            _fail(file, "system", number, f"thickness classes leave a gap or overlap: expected {expected}")
        low_mm = row.thickness_low_mm or 0.0
        if row.thickness_high_mm is not None and row.thickness_high_mm <= low_mm:
            _fail(file, "system", number, "thickness_high_mm must be larger than thickness_low_mm")
        reached_mm = row.thickness_high_mm
    return table


@cache
def packaged(name: str) -> str:
    """The text of one of the package's tables."""
    return files("assessor.tables").joinpath(name).read_text(encoding="utf-8")


def read_table(text: str, file: str, kind: type[Table]) -> Table:
    """The rows of a table given as TOML text, each field checked; raises TableInvalid."""
    try:
        return TypeAdapter(kind).validate_python(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise TableInvalid(f"the table is not valid TOML ({error})", file=file) from error
    except ValidationError as error:
        raise TableInvalid(describe_invalid(error), file=file) from error


def describe_invalid(error: ValidationError) -> str:
    """Return pydantic's first finding in one line that names the row: 'row 3 of [[grade]]: ...'."""
    first: Any = error.errors()[0]
    place: Sequence[Any] = first["loc"]
    told = str(first["msg"])[:1].lower() + str(first["msg"])[1:]
    if len(place) > 1 and isinstance(place[1], int):
        fields = ".".join(str(part) for part in place[2:])
        return f"row {place[1] + 1} of [[{place[0]}]]: {fields + ': ' if fields else ''}{told}"
    return f"{'.'.join(str(part) for part in place)}: {told}" if place else told


def _fail(file: str, rows: str, number: int, found: str) -> None:
    where = f"row {number} of [[{rows}]]" if number else f"[[{rows}]]"
    raise TableInvalid(f"{where}: {found}", file=file)


def _within(file: str, rows: str, number: int, reach: Grades, chips: int) -> None:
    if not 1 <= reach[0] <= reach[1] <= chips:
        _fail(file, rows, number, f"range {reach[0]}-{reach[1]} does not lie in CSP 1-{chips}")


def _unique(file: str, rows: str, keys: Iterable[str]) -> None:
    for key, count in Counter(keys).items():
        if count > 1:
            _fail(file, rows, 0, f"'{key}' is there {count} times")
