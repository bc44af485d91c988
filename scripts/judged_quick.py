"""The report of quick captures: the goals that estimates are held to, in total and by what may confuse them.

Errors are |log2(estimate / truth)|, octaves. A capture is refused (its photos failed a check), abstained (seen, and
nothing was claimed) or claimed; errors, coverage and widths are those of claims. `Sq held`: its 90 % interval holds the
truth; `set held`: the 90 % set of grades holds the true grade (`simulate.true_grade`). Grade errors are of the most
probable grade. A crew knows how it prepared a floor, and the scale's own doubt about the process is not the estimate's
error (what it costs by itself is said): so grades are held to their goals with the process told, and shown without.
Limits at 95 %: exact binomial for shares, order statistics for medians, bootstrap for means.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from judged import Table, between, median_limits, verdict
from judging import Note

from assessor.evaluation import ALL, share_limits
from assessor.simulate.true_grade import true_grade

Pair = tuple[float, float]
RESAMPLES = 2000


@dataclass(frozen=True, slots=True)
class Goals:
    """What a set is held to (issue 6): largest MAE and median half-width in octaves, coverage of the interval of Sq.

    Where there is a goal: largest grade MAE, least share within one grade, largest share abstained.
    """

    mae: float
    half_width: float
    coverage: Pair
    grade_mae: float | None = None
    within_one: float | None = None
    abstained: float | None = None


HELD_OUT, SHIFTED = (0.88, 0.92), (0.87, 1.0)
GOALS: dict[str, dict[str, Goals]] = {
    "single": {
        "held-out": Goals(0.42, 1.0, HELD_OUT, grade_mae=0.6),
        "families": Goals(0.65, 1.5, SHIFTED),
        "traced": Goals(0.65, 1.5, SHIFTED, within_one=0.8, abstained=0.35),
    },
    "pair": {
        "held-out": Goals(0.33, 0.8, HELD_OUT, grade_mae=0.45),
        "families": Goals(0.40, 1.0, SHIFTED),
        "traced": Goals(0.40, 1.0, SHIFTED, within_one=0.9, abstained=0.2),
    },
}
GROUPS = ("process", "light", "elevation", "share", "rule", "albedo", "map", "contrast", "patches")


@dataclass(frozen=True, slots=True)
class Claim:
    """One claimed estimate: error and half-width in octaves; grade errors and whether the sets held the true grade.

    grade_off, set_held: with the process told; alone_off, alone_held: without; named: whether a grade was named then.
    """

    error: float
    half90: float
    strangeness: float
    grade_off: int | None = None
    set_held: bool | None = None
    alone_off: int | None = None
    alone_held: bool | None = None
    named: bool = False

    @property
    def held(self) -> bool:
        """Whether the interval of Sq holds the truth."""
        return abs(self.error) <= self.half90


def claim_of(note: Note, *, all_of_them: bool = False) -> Claim | None:
    """The claim of a note; None where there is none. all_of_them: what was abstained from counts too."""
    if "log2_sq" not in note or note.get("true_log2") is None or (note["abstained"] and not all_of_them):
        return None
    error, true = note["log2_sq"] - note["true_log2"], note.get("true_grade")
    claim = Claim(error, note["half90"], note["strangeness"], named=note["best"] is not None)
    if true is None or note["abstained"]:
        return claim
    told, alone = (
        round(note["grades"][int(np.argmax(note[key]))] - true)
        for key in ("told_probabilities", "probabilities")
    )
    return replace(
        claim, grade_off=told, set_held=true in note["told_set90"], alone_off=alone, alone_held=true in note["set90"]
    )  # fmt: skip


def mean_between(values: Sequence[float]) -> Pair:
    """Bootstrap limits of a mean, whatever the distribution (the same for the same values)."""
    draw = np.random.default_rng(0).integers(len(values), size=(RESAMPLES, len(values)))
    low, high = np.percentile(np.asarray(values, float)[draw].mean(1), (2.5, 97.5))
    return float(low), float(high)


class _Held:
    """A table of figures with limits, each held to a goal where it has one."""

    def __init__(self, title: str) -> None:
        self.table = Table(title, "figure", "n", "measured", "limits", "goal", "verdict")

    def figure(
        self, name: str, values: Sequence[float], goal: Pair | None = None, *, median: bool = False
    ) -> None:
        """Add the mean (or the median) of some values."""
        if len(values) < 2:
            return
        value = float(np.median(values) if median else np.mean(values))
        self._add(name, len(values), value, (median_limits if median else mean_between)(values), goal)

    def share(self, name: str, hits: Sequence[bool], goal: Pair | None = None) -> None:
        """Add a share."""
        if hits:
            value, n = sum(hits) / len(hits), len(hits)
            self._add(name, n, value, share_limits(sum(hits), n), goal)

    def _add(self, name: str, n: int, value: float, limits: Pair, goal: Pair | None) -> None:
        told = "" if goal is None else verdict(value, limits, goal)
        text = "" if goal is None else f"{goal[0]:g} to {goal[1]:g}"
        self.table.add(name, str(n), f"{value:.3f}", f"[{limits[0]:.3f}, {limits[1]:.3f}]", text, told)


def quick_goals(notes: Sequence[Note], form: str, held_to: str) -> Table:
    """What the set is held to; held_to: a set of GOALS."""
    goals, claims = GOALS[form][held_to], claims_of(notes)
    held = _Held(f"GOALS of form {form}, {held_to}; limits at 95 %")
    held.figure("MAE of Sq, octaves", [abs(c.error) for c in claims], (0, goals.mae))
    every = claims_of(notes, all_of_them=True)
    if len(every) > len(claims):
        held.figure("MAE of Sq, abstained ones too", [abs(c.error) for c in every])
    held.figure("bias of Sq, octaves", [c.error for c in claims])
    held.figure("half-width, octaves, median", [c.half90 for c in claims], (0, goals.half_width), median=True)
    held.share("90 % interval of Sq held", [c.held for c in claims], goals.coverage)
    off = [abs(c.grade_off) for c in claims if c.grade_off is not None]
    least = None if goals.within_one is None else (goals.within_one, 1)
    held.figure("MAE of the grade", off, None if goals.grade_mae is None else (0, goals.grade_mae))
    held.share("grade exact", [g == 0 for g in off])
    held.share("grade within one", [g <= 1 for g in off], least)
    held.share("90 % set of grades held", [c.set_held for c in claims if c.set_held is not None])
    alone = [abs(c.alone_off) for c in claims if c.alone_off is not None]
    held.figure("process not told: MAE of the grade", alone)
    held.figure("process not told, Sq known: MAE of the grade", scale_doubt(notes))
    held.share("process not told: exact", [g == 0 for g in alone])
    held.share("process not told: within one", [g <= 1 for g in alone])
    held.share("process not told: set held", [c.alone_held for c in claims if c.alone_held is not None])
    held.share("process not told: a grade named", [c.named for c in claims])
    most = None if goals.abstained is None else (0, goals.abstained)
    held.share("abstained, of those seen", [bool(n["abstained"]) for n in notes if "log2_sq" in n], most)
    held.share("refused", ["code" in n for n in notes])
    return held.table


def scale_doubt(notes: Sequence[Note]) -> list[int]:
    """Grade errors of someone who knew Sq exactly but not the process."""
    seen = [n for n in notes if n.get("true_log2") is not None and n.get("true_grade") is not None]
    guesses = [(true_grade(2 ** n["true_log2"], "not told"), n["true_grade"]) for n in seen]
    return [abs(round(guess - true)) for guess, true in guesses if guess is not None]


def claims_of(notes: Iterable[Note], *, all_of_them: bool = False) -> list[Claim]:
    """All claims of notes."""
    return [c for n in notes if (c := claim_of(n, all_of_them=all_of_them)) is not None]


def group_table(notes: Sequence[Note], what: str, key: Callable[[Note], str]) -> Table:
    """The same figures by what `key` says of a capture, one line a group."""
    table = Table(f"BY {what.upper()}", what, "n", "MAE oct", "", "bias", "grade MAE", "exact", "within 1",
                  "Sq held", "", "set held", "half-width", "abstained", "refused")  # fmt: skip
    for group in [ALL, *sorted({key(n) for n in notes})]:
        own = [n for n in notes if group in (ALL, key(n))]
        claims = claims_of(own)
        grades = [abs(c.grade_off) for c in claims if c.grade_off is not None]
        held = [c.held for c in claims]
        sets = [c.set_held for c in claims if c.set_held is not None]
        seen = [n for n in own if "log2_sq" in n]
        errors = [abs(c.error) for c in claims]
        low, high = mean_between(errors) if len(errors) > 1 else (float("nan"),) * 2
        table.add(
            group, str(len(own)), _mean(errors), f"[{low:.2f}, {high:.2f}]" if len(errors) > 1 else "",
            f"{np.mean([c.error for c in claims]):+.2f}" if claims else "-", _mean([float(g) for g in grades]),
            _share([g == 0 for g in grades]), _share([g <= 1 for g in grades]), _share(held),
            between(share_limits(sum(held), len(held)), 0, sign=False) if held else "", _share(sets),
            f"{np.median([c.half90 for c in claims]):.2f}" if claims else "-",
            _share([bool(n["abstained"]) for n in seen]), _share(["code" in n for n in own]),
        )  # fmt: skip
    return table


def _mean(values: Sequence[float]) -> str:
    return f"{np.mean(values):.2f}" if values else "-"


def _share(hits: Sequence[bool | None]) -> str:
    return f"{100 * sum(map(bool, hits)) / len(hits):.0f}%" if hits else "-"


def light_read(note: Note) -> str:
    """Whether the tabs told the light."""
    return "read" if note.get("light_known") else "unread"


def chosen(notes: Sequence[Note], where: Sequence[str]) -> list[Note]:
    """Notes whose tags have one of the values asked for; each of `where` reads key=value,value. ValueError else."""
    kept = list(notes)
    for told in where:
        key, _, values = told.partition("=")
        if key not in GROUPS or not values:
            raise ValueError(f"{told} is not KEY=VALUE[,VALUE...] with a KEY of {', '.join(GROUPS)}")
        kept = [n for n in kept if n.get("tags", {}).get(key) in values.split(",")]
    return kept


def report_quick(notes: Sequence[Note], held_to: str = "held-out") -> None:
    """Print goals, groups, abstentions, costs and the worst of a run."""
    for form in sorted({n["form"] for n in notes}):
        own = [n for n in notes if n["form"] == form]
        quick_goals(own, form, held_to).show()
        for what in GROUPS:
            table = group_table(own, what, lambda n, what=what: n.get("tags", {}).get(what, "?"))
            if len(table.rows) > 3:  # heads, all, and one group would say the same thing twice
                table.show()
        group_table(own, "light on the card", light_read).show()
        if len({n.get("across", "no lay") for n in own}) > 1:
            group_table(own, "lay against light", lambda n: n.get("across", "no lay")).show()
        if len({n.get("renderer") for n in own}) > 1:
            group_table(own, "renderer", lambda n: n.get("renderer", "?")).show()
        _ends(own)


def _ends(notes: Sequence[Note]) -> None:
    for what, codes in (
        ("refused", (n["code"] for n in notes if "code" in n)),
        ("photos refused", (c for n in notes for c in n.get("photo_codes", ()))),
        ("abstained", (c for n in notes for c in n.get("abstained", ()))),
        ("flags", (c for n in notes for c in n.get("flags", ()))),
    ):
        count = Counter(codes)
        print(f"\n{what}: " + (", ".join(f"{name} {n}" for name, n in count.most_common()) or "none"))
    left = [n for n in notes if "log2_sq" in n and n["abstained"]]
    errors = [abs(c.error) for c in claims_of(left, all_of_them=True)]
    if errors:
        print(f"what was abstained from would have had an MAE of {np.mean(errors):.2f} octaves")
    ratios = [n["assess_s"] / n["decode_s"] for n in notes if n.get("decode_s") and "log2_sq" in n]
    if ratios:
        made = float(np.median([n["rendered_s"] for n in notes if "rendered_s" in n] or [0]))
        cost = float(np.median([n["assess_s"] for n in notes if "log2_sq" in n]))
        print(
            f"CPU: {made:.1f} s to render, {cost:.2f} s to assess, median; over decoding {np.median(ratios):.1f}"
        )
        stages = {k for n in notes for k in n.get("seconds", {})}
        spent = {
            k: float(np.median([n["seconds"].get(k, 0) for n in notes if "seconds" in n])) for k in stages
        }
        print("by stage: " + ", ".join(f"{k} {v:.3f}" for k, v in sorted(spent.items(), key=lambda p: -p[1])))
    told = [(abs(c.error), n) for n in notes if (c := claim_of(n)) is not None]
    print("\nworst:")
    for _, note in sorted(told, key=lambda pair: -pair[0])[:8]:
        print(f"  {quick_line(note)}")
    for note in notes:
        if "crashed" in note:
            print(f"\nCRASHED {note['capture']}:\n{note['crashed'].strip()}")


def quick_line(note: Note) -> str:
    """One capture on one line."""
    tags = [note.get("tags", {}).get(key, "?") for key in ("light", "elevation", "albedo")]
    start = f"{note['capture']:26s} {tags[0]:9s} {tags[1]:10s} {tags[2]:6s}"
    if "crashed" in note:
        return f"{start} CRASHED: {note['crashed'].strip().splitlines()[-1]}"
    if "code" in note:
        return f"{start} refused: {', '.join([note['code'], *sorted(set(note['photo_codes']))])}"
    if note.get("true_log2") is None or "log2_sq" not in note:
        return f"{start} no estimate"
    error = note["log2_sq"] - note["true_log2"]
    said = f"Sq {2 ** note['true_log2']:.3f} said {2 ** note['log2_sq']:.3f} ({error:+.2f} of {note['half90']:.2f} oct"
    said += ")" if abs(error) <= note["half90"] else " MISSED)"
    if note["abstained"]:
        return f"{start} {said}  abstained: {', '.join(note['abstained'])}"
    return f"{start} {said}  grade {note['true_grade'] or 0:.0f} in {list(note['told_set90'])}"
