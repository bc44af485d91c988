"""Rework advice from findings: where, what, how, then shoot again, in the order the floor needs.

Two rules bind everything here. Nothing is cut into oil: what degreases or tests comes before what cuts. What is too
rough is never cut again. Methods are named only where the place allows them and the range can be kept with them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from assessor.job.choose import Hazard, barred, check_target, choose_methods, csp, is_thin, system_row, usable
from assessor.job.findings import TAKE_AGAIN, Finding
from assessor.surface.separating import separating_test
from assessor.tables.loader import Caution, Edition, Mark, MethodRow, load_methods
from assessor.tables.rework import STEPS, FindingCode, Reshoot, ReworkRow, StepName, load_rework
from assessor.values import Kind, TargetRange

FINE_GRADES = 3  # up to here the torch sees what photos from the sides miss
_DOUBTFUL: frozenset[FindingCode] = frozenset({"oil", "unknown"})  # nothing is cut into what may be oil
_TOO_ROUGH: frozenset[FindingCode] = frozenset({"over", "lane-overlap"})


@dataclass(frozen=True, slots=True)
class ReworkContext:
    """What advice depends on. system: key of `tables/systems.toml`; water_allowed: None where nobody knows yet.

    edges: the zone is an edge, corner, column, drain or joint.
    """

    target: TargetRange
    edition: Edition = "ten-chip"
    indoors: bool = True
    system: str | None = None
    water_allowed: bool | None = None
    avoid: tuple[Hazard, ...] = ()
    edges: bool = False

    @property
    def range_words(self) -> str:
        """ "CSP 3-5"."""
        return csp((self.target.low, self.target.high))

    @property
    def shunned(self) -> tuple[Hazard, ...]:
        """Hazards that the place can't have, water among them where it isn't allowed."""
        return (*self.avoid, "water") if self.water_allowed is False else self.avoid


@dataclass(frozen=True, slots=True)
class ReworkLine:
    """One line of the work sheet: all places of one finding with what to do about it.

    places: where, each with what was seen there. after: lines of this sheet that must be done and tested first;
    keep_off: lines whose places are too rough already. cuts: takes concrete off. reshoot: which photos then, None
    where none are asked for. mark, source: of the advice.
    """

    number: int
    code: FindingCode
    title: str
    step: StepName
    places: tuple[str, ...]
    what: str
    how: str
    then: str
    cautions: tuple[Caution, ...]
    retest_after_hours: float | None
    reshoot: Kind | None
    reshoot_low: bool
    cuts: bool
    after: tuple[int, ...]
    keep_off: tuple[int, ...]
    mark: Mark
    source: str

    @property
    def where(self) -> str:
        """All places in one text."""
        return "; ".join(self.places)


def advise(findings: Iterable[Finding], method: str | None, context: ReworkContext) -> tuple[ReworkLine, ...]:
    """Return the lines of a work sheet, in the order of work; alike findings share a line.

    method: key of the method table that the zone was prepared with, None or an unknown key where nobody knows. A
    finding that does not hold for this method (stripes one way, of anything but a scarifier) gives no line. Raises
    KeyError for an unknown system or finding code, ValueError for a range outside the edition's scale.
    """
    own = load_methods().get(method) if method else None
    table = load_rework()
    system_row(context.system)
    check_target(context.target, context.edition)
    groups: dict[tuple[FindingCode, str, str], list[Finding]] = {}
    for finding in findings:
        row = table.get(finding.code)
        if row.only and own is not None and own.family not in row.only:
            continue
        told = finding.detail if finding.code == "cant-tell" else ""
        groups.setdefault((finding.code, _test_of(row, finding), told), []).append(finding)
    ordered = sorted(
        groups.values(), key=lambda group: (_step(group[0].code), -max(one.weight for one in group))
    )
    lines: list[ReworkLine] = []
    for number, group in enumerate(ordered, 1):
        lines.append(_line(number, group, own, context, lines))
    return tuple(lines)


def _step(code: FindingCode) -> tuple[int, int]:
    """When its turn comes: by step, then as the table's rows run."""
    table = load_rework()
    row = table.get(code)
    return STEPS.index(row.step), table.rework.index(row)


def _line(
    number: int,
    group: Sequence[Finding],
    own: MethodRow | None,
    context: ReworkContext,
    before: Sequence[ReworkLine],
) -> ReworkLine:
    first, row = group[0], load_rework().get(group[0].code)
    used, how = _work(row, own, context)
    # Where no method is named, somebody may yet find one: all that is said of cutting holds.
    cuts = any(one.cuts for one in used) or (row.work != "none" and not used)
    test_first, test_cautions = _test(row, _test_of(row, first))
    if test_first and row.cause:
        how = f"{how[0].lower()}{how[1:]}"
    how = f"{test_first} {how}".strip().replace("{detail}", first.detail.rstrip(".") or TAKE_AGAIN)
    if context.water_allowed is False and "drop" in f"{how} {row.then}":
        how = f"{how} A drop is water too: ask the QA lead before you use one."
    keys = [*row.cautions, *(key for method in used for key in method.cautions)]
    if row.reshoot != "none":
        keys.append("machines-stopped")
    if context.water_allowed is False and row.no_water:
        keys = [key for key in keys if key not in ("slurry", "wet-power")]
    return ReworkLine(
        number=number,
        code=row.code,
        title=row.title,
        step=row.step,
        places=tuple(_place(finding) for finding in group),
        what=row.what,
        how=how,
        then=row.then,
        cautions=(*test_cautions, *load_methods().caution_rows(keys)),
        retest_after_hours=row.retest_after_hours,
        reshoot=_reshoot(row.reshoot, context),
        reshoot_low=row.reshoot == "low-photo",
        cuts=cuts,
        after=tuple(line.number for line in before if line.code in _DOUBTFUL) if cuts else (),
        keep_off=tuple(line.number for line in before if line.code in _TOO_ROUGH) if cuts else (),
        mark=row.mark,
        source=row.source,
    )


def _place(finding: Finding) -> str:
    detail = "" if finding.code == "cant-tell" else finding.detail
    return f"{finding.where} ({detail})" if detail else finding.where


def _test_of(row: ReworkRow, finding: Finding) -> str:
    """Code of the small test that comes before the work; "" where none does or somebody did it."""
    if finding.tested or not (row.cause or row.code == "unknown"):
        return ""
    code = finding.test or row.test or ""
    # To dry it and look again is all there is to do about damp.
    return "" if (row.code, code) == ("damp", "dry-reshoot") else code


def _test(row: ReworkRow, code: str) -> tuple[str, tuple[Caution, ...]]:
    """The small test that comes before the work, with what to mind; empty where there is none."""
    if not code:
        return "", ()
    test = separating_test(code)
    lead = f" If it is {row.cause}," if row.cause else ""
    cautions: tuple[Caution, ...] = ()
    if test.caution:
        short = load_rework().test_short(code)
        cautions = (Caution(f"test-{code}", short, test.caution, test.mark, test.source),)
    return f"Test first. {test.name}: {test.how}{lead}", cautions


def _work(row: ReworkRow, own: MethodRow | None, context: ReworkContext) -> tuple[tuple[MethodRow, ...], str]:
    """Methods that a line is done with, and how, in words."""
    how = row.no_water if context.water_allowed is False and row.no_water else row.how
    if row.thin_film and is_thin(system_row(context.system)):
        how = f"{how} {row.thin_film}"
    if row.work == "none":
        return (), how
    if row.work == "other":
        used, words = _other(row, context)
        return used, f"{how} {words}"
    if own is None:
        return (), how.replace("{deeper}", "Next heavier tooling, or slower, or another pass.")
    why = _why_not(row, own, context)
    if not why:
        deeper, reach = load_rework().deeper_how(own.family), own.reach(context.edition)
        if reach is not None and reach[1] < context.target.high:
            deeper = f"{deeper} It reaches CSP {reach[1]} at most, of {context.range_words}."
        return (own,), f"{how.replace('{deeper}', deeper)} With the {own.tool}, as before."
    used, words = _instead(why, own, context)
    # What only this family does (crossing a scarifier's stripes) isn't done with another machine.
    return used, words if row.only else f"{words} {how.replace('{deeper}', '').strip()}"


def _other(row: ReworkRow, context: ReworkContext) -> tuple[tuple[MethodRow, ...], str]:
    """The first two methods of a row that fit the place and the range."""
    table = load_methods()
    named = [method for key in row.methods if (method := table.get(key)) is not None]
    fit = tuple(method for method in named if _suits(method, context))[:2]
    if not fit:
        return (), (
            f"No usual machine for this keeps to {context.range_words} here: ask the QA lead before anything is cut."
        )
    return fit, f"With {_either(fit)}."


def _why_not(row: ReworkRow, own: MethodRow, context: ReworkContext) -> tuple[str, ...]:
    """Why the zone's own method can't do it."""
    why = barred(own, indoors=context.indoors, avoid=context.shunned, edges=context.edges)
    reach = own.reach(context.edition)
    if why:
        return (f"No {own.tool} here.", *why)
    if reach is not None and reach[0] > context.target.high:
        return (
            f"{_a(own)} leaves about CSP {reach[0]} at the lightest: too rough for {context.range_words}.",
        )
    if row.code != "short":
        return ()
    if not own.cuts:
        return (load_rework().deeper_how(own.family),)
    if reach is not None and reach[1] < context.target.low:
        return (f"{_a(own)} reaches CSP {reach[1]} at most.",)
    return ()


def _instead(why: Sequence[str], own: MethodRow, context: ReworkContext) -> tuple[tuple[MethodRow, ...], str]:
    """Two other methods that reach the range here, or nobody but the QA lead."""
    fits = choose_methods(
        context.target,
        context.edition,
        indoors=context.indoors,
        system=context.system,
        avoid=context.shunned,
        edges=context.edges,
    )
    others = tuple(fit.row for fit in usable(fits) if fit.row.cuts and fit.row is not own)[:2]
    if not others:
        return (), f"{' '.join(why)} No other method of the table fits here: ask the QA lead first."
    return others, f"{' '.join(why)} Change to {_either(others)}, on a mock-up first."


def _suits(method: MethodRow, context: ReworkContext) -> bool:
    """Whether a method may be used in this place and its lightest work stays within the range."""
    reach = method.reach(context.edition)
    if reach is None or reach[0] > context.target.high:
        return False
    return not barred(method, indoors=context.indoors, avoid=context.shunned, edges=context.edges)


def _reshoot(asked: Reshoot, context: ReworkContext) -> Kind | None:
    if asked == "none":
        return None
    if asked == "overview":
        return "overview"
    return "torch" if context.target.high <= FINE_GRADES else "angles"


def _either(methods: Sequence[MethodRow]) -> str:
    """ "a walk-behind grinder or a shot-blaster"."""
    return " or ".join(_a(method).lower() for method in methods)


def _a(method: MethodRow) -> str:
    """ "A scarifier"."""
    return f"{'An' if method.tool[0] in 'aeiou' else 'A'} {method.tool}"
