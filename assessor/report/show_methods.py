"""Which methods reach a range, in plain words and as JSON: nothing computed, every number with its mark."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from pydantic import TypeAdapter

from assessor.job.choose import Fit, MethodFit, MethodsAsked, csp, system_row
from assessor.tables.loader import load_methods, load_systems

HEADINGS: dict[Fit, str] = {"whole": "REACH THE WHOLE RANGE", "part": "MEET PART OF IT ONLY"}
WEAK = (
    "Ranges of methods differ between published lists: a starting point for a mock-up, no promise. The data sheet"
    " governs the range; the chip on the mock-up decides."
)
_BRUISES = {"none": "doesn't bruise the skin", "light": "may bruise the skin", "yes": "BRUISES THE SKIN"}
_WIDTH = 100


@dataclass(frozen=True, slots=True)
class MethodsAnswer:
    """What was asked, every method judged against it, and what is to be known of all of them."""

    asked: MethodsAsked
    methods: tuple[MethodFit, ...]
    conflict: str
    weak: str
    levels_mark: str
    levels_source: str
    defers: str


_ANSWER = TypeAdapter(MethodsAnswer)


def methods_answer(asked: MethodsAsked, fits: Sequence[MethodFit]) -> MethodsAnswer:
    """Return everything that is told of a choice of methods."""
    table = load_methods()
    return MethodsAnswer(
        asked=asked,
        methods=tuple(fits),
        conflict=conflict_words(asked),
        weak=WEAK,
        levels_mark=table.levels_mark,
        levels_source=table.levels_source,
        defers=table.defers,
    )


def methods_json(answer: MethodsAnswer) -> str:
    """Return the same as JSON, on one line."""
    return _ANSWER.dump_json(answer).decode()


def conflict_words(asked: MethodsAsked) -> str:
    """Where our default for the system isn't the range asked for: that, else "". The data sheet governs either way."""
    system = system_row(asked.system)
    if system is None:
        return ""
    name = system.name[0].lower() + system.name[1:]
    if system.csp_low is None or system.csp_high is None:
        return f"Our table has no range for {name}: the data sheet says it."
    default = csp((system.csp_low, system.csp_high))
    if asked.edition != "ten-chip":
        return f"Our default for {name} is {default} of the ten-chip set [{system.mark}]: not this set."
    if (system.csp_low, system.csp_high) == (asked.target.low, asked.target.high):
        return ""
    return (
        f"Our default for {name} is {default} [{system.mark}], you ask for CSP {asked.target}. "
        f"{load_systems().governs}"
    )


def methods_lines(answer: MethodsAnswer, *, show_all: bool = False) -> list[str]:
    """Return the answer for the terminal; show_all: also the methods that can't be used, with why."""
    asked = answer.asked
    place = "indoors" if asked.indoors else "outdoors"
    concrete = "fresh" if asked.fresh else "hardened"
    part = ", edges and corners" if asked.edges else ""
    told = [f"Methods for CSP {asked.target} ({asked.edition} set), {place}, {concrete} concrete{part}"]
    if asked.avoid:
        told.append(f"Not allowed here: {', '.join(asked.avoid)}")
    told += _wrap(f"{answer.conflict} {answer.weak}".strip())
    use = [fit for fit in answer.methods if fit.usable]
    if not any(fit.fit == "whole" for fit in use):
        told += ["", f"NO METHOD OF THE TABLE REACHES THE WHOLE OF CSP {asked.target} HERE."]
    number = 0
    for kind, heading in HEADINGS.items():
        group = [fit for fit in use if fit.fit == kind]
        if group:
            told += ["", heading]
        for fit in group:
            number += 1
            told += [f"{number}. {name_words(fit)}", *_body(fit)]
    left = [fit for fit in answer.methods if not fit.usable]
    if left and show_all:
        told += ["", "NOT HERE"]
        for fit in left:
            told += [f"-  {name_words(fit)}", *_body(fit)]
    elif left:
        names = ", ".join(fit.row.tool for fit in left)
        told += ["", *_wrap(f"Not here ({len(left)}): {names}. --all says why.")]
    shown = answer.methods if show_all else use
    told += ["", "Cautions in full"]
    for sentence in dict.fromkeys(caution.sentence for fit in shown for caution in fit.cautions):
        told += _wrap(sentence, "- ", "  ")
    levels = f"Dust, exhaust, noise and the like: {answer.levels_mark} ({answer.levels_source})."
    return [*told, "", *_wrap(levels), *_wrap(answer.defers)]


def name_words(fit: MethodFit) -> str:
    """The method with its range and how far that can be trusted."""
    if fit.reach is None:
        return f"{fit.row.name}: not listed for this chip set"
    return f"{fit.row.name}: {csp(fit.reach)} [{fit.reach_mark}]"


def _wrap(words: str, first: str = "", later: str = "") -> list[str]:
    return textwrap.wrap(words, _WIDTH, initial_indent=first, subsequent_indent=later, break_on_hyphens=False)


def _body(fit: MethodFit) -> list[str]:
    row = fit.row
    water = {"no": "dry", "can be": "dry or wet", "yes": "wets the floor"}[row.wet]
    facts = (
        f"Indoors {row.indoors}; dust {row.dust}; exhaust: {row.exhaust}; noise {row.noise}; vibration {row.vibration};"
        f" {water}; {_BRUISES[row.bruising]}."
    )
    parts = [
        *(("Why not", why) for why in fit.why_not),
        ("Know", " ".join(fit.mind)),
        ("Is", facts),
        ("Mind", f"{'; '.join(caution.short for caution in fit.cautions)}."),
        ("Others say", "; ".join(row.claims)),
        ("Source", row.source),
    ]
    lines = []
    for label, words in parts:
        if words:
            lines += _wrap(f"{label}: {words}", "   ", "      ")
    return lines
