"""The report of one mode of `judge_set`: check set, flat, faint, steep or spoiled floors."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence

import numpy as np
from judged import (
    MAIN,
    Table,
    between,
    errors_of,
    goal_row,
    group_table,
    group_tables,
    main_rows,
    median_limits,
    percent,
    rows_named,
    set_goals,
    share_within,
    summary_table,
    transfer_table,
    verdict,
)
from judged_torch import report_fused, report_share, report_torch, report_torch_flat
from judging import FAINT_MM, Note

from assessor.evaluation import ALL, covered, error_of, gross, mean_limits, scatter_limits, share_limits


def ends(notes: Sequence[Note]) -> None:
    """Print refusals, flags, costs, crashes and the worst captures."""
    codes = Counter(n["code"] for n in notes if "code" in n)
    inner = Counter(code for n in notes for code in set(n.get("photo_codes", ())))
    flags = Counter(flag for n in notes for flag in n.get("flags", ()))
    for what, count in (("refused", codes), ("photos refused, captures with", inner), ("flags", flags)):
        print(f"\n{what}: " + (", ".join(f"{name} {n}" for name, n in count.most_common()) or "none"))
    ratios = [n["assess_s"] / n["decode_s"] for n in notes if n.get("decode_s") and "flags" in n]
    if ratios:
        cost = float(np.median([n["assess_s"] for n in notes if "assess_s" in n]))
        print(f"CPU over decoding the photos: median {np.median(ratios):.1f}, p90 {np.percentile(ratios, 90):.1f};"
              f" median {cost:.1f} s a capture (workers share a machine: see scripts/bench)")  # fmt: skip
    for note in notes:
        if "code" in note and note["mode"] != "spoiled":
            print(f"refused {note['capture']} ({note['fault']}, {note['light']}): {note['refused'][:300]}")
    rows = [(abs(e), n) for n in notes for r in main_rows([n]) if (e := error_of(r)) is not None]
    if rows:
        print("\nworst by Sq 2.5-25 mm (0.5-8 mm with a torch):")
        for _, note in sorted(rows, key=lambda pair: -pair[0])[:8]:
            print(f"  {one_line(note)}  {' '.join(f for f in note['flags'] if f != 'scale-prior')}")
    for note in notes:
        if "crashed" in note:
            print(f"\nCRASHED {note['capture']} ({note['fault']}):\n{note['crashed'].strip()}")


def one_line(note: Note) -> str:
    """One capture on one line."""
    start = f"{note['capture']:26s} {note['light']:9s} {note['fault']:14s}"
    if "crashed" in note:
        return f"{start} CRASHED: {note['crashed'].strip().splitlines()[-1]}"
    if "code" in note:
        return f"{start} refused: {', '.join([note['code'], *sorted(set(note['photo_codes']))])}"
    told = []
    shown = [("Sq", row) for row in main_rows([note])]
    shown += [("MPD", row) for row in rows_named([note], "MPD", 2.5)]
    for name, row in shown:
        said, true = row.said, row.truth.value
        if said.bound == "upper" or said.estimate is None:
            told.append(f"{name} {true:.4f} at most {said.high90 or math.nan:.4f}")
        else:
            held = "" if covered(row) else " MISSED"
            told.append(
                f"{name} {true:.4f} {percent(said.estimate / true - 1) if true else said.estimate}{held}"
            )
    return f"{start} {'  '.join(told)}  noise {note['noise_floor_mm']:.4f}"


def report_flat(notes: Sequence[Note]) -> None:
    """Flat floors: what noise the map has, and what is said of nothing."""
    done = [n for n in notes if "noise_floor_mm" in n]
    rows = rows_named(done, "Sq", 2.5)
    table = Table("FLAT FLOORS, mm", "figure", "n", "median", "limits", "p90", "largest", "goal", "verdict")
    floors = [float(n["noise_floor_mm"]) for n in done]
    bounds = [r.said.high90 for r in rows if r.said.bound == "upper" and r.said.high90 is not None]
    left = [math.sqrt(abs(n["square_mm2"])) for n in done if n["square_mm2"] is not None]
    for name, values, goal in (
        ("noise of the map, 2.5-25 mm (noise floor)", floors, 0.008), ("'at most' of Sq", bounds, None),
        ("root of the halves' covariance, sign off", left, None),
    ):  # fmt: skip
        if not values:
            continue
        low, high = median_limits(values)
        middle = float(np.median(values))
        told = ("", "") if goal is None else (f"<= {goal:g}", verdict(middle, (low, high), (0, goal)))
        table.add(name, str(len(values)), f"{middle:.4f}", f"[{low:.4f}, {high:.4f}]",
                  f"{np.percentile(values, 90):.4f}", f"{max(values):.4f}", *told)  # fmt: skip
    table.show()
    for limit in (0.008, 0.010):
        if floors:
            k = sum(f <= limit for f in floors)
            print(f"noise floor at most {limit:g} mm: {k} of {len(floors)}, "
                  f"{between(share_limits(k, len(floors)), 0, sign=False)} %")  # fmt: skip
    if rows:
        print(f"said 'at most': {len(bounds)} of {len(rows)}, "
              f"{between(share_limits(len(bounds), len(rows)), 0, sign=False)} %")  # fmt: skip
    _by_fault(done, lambda n: float(n["noise_floor_mm"]), "noise floor, mm")


def _by_fault(notes: Sequence[Note], value: Callable[[Note], float], what: str) -> None:
    table = Table(f"{what} BY FAULT", "fault", "n", "median", "largest")
    for fault in sorted({n["fault"] for n in notes}):
        values = [value(n) for n in notes if n["fault"] == fault]
        table.add(fault, str(len(values)), f"{np.median(values):.4f}", f"{max(values):.4f}")
    table.show()


def report_faint(notes: Sequence[Note]) -> None:
    """Floors below the noise: Sq from the pooled covariance of the halves, per level and process."""
    table = Table("FAINT FLOORS: Sq 2.5-25 mm FROM THE HALVES' COVARIANCE, POOLED OVER CAPTURES",
                  "asked Sq, mm", "process", "n", "bias, %", "limits", "goal", "verdict", "at most",
                  "held", "gross")  # fmt: skip
    for level, goal in zip(FAINT_MM, (0.15, 0.08), strict=True):
        for process in (ALL, "fractal", "ground"):
            chosen = [n for n in notes if n.get("square_mm2") is not None and n["asked_sq_mm"] == level
                      and process in (ALL, n["process"])]  # fmt: skip
            if len(chosen) < 2:
                continue
            rows = rows_named(chosen, "Sq", 2.5)
            ratios = [n["square_mm2"] / r.truth.value**2 for n, r in zip(chosen, rows, strict=True)]
            low, high = (_signed_root(v) - 1 for v in mean_limits(ratios))
            bias = _signed_root(float(np.mean(ratios))) - 1
            claims = [c for r in rows if (c := covered(r)) is not None]
            bounds = sum(r.said.bound == "upper" for r in rows)
            table.add(f"{level:g}", process, str(len(chosen)), f"{100 * bias:+.1f}", between((low, high)),
                      f"+-{100 * goal:g}", verdict(bias, (low, high), (-goal, goal)),
                      f"{bounds}/{len(rows)}", f"{sum(claims)}/{len(claims)}",
                      str(sum(gross(r) for r in rows)))  # fmt: skip
    table.show()


def _signed_root(value: float) -> float:
    return math.copysign(math.sqrt(abs(value)), value)


def report_steep(notes: Sequence[Note]) -> None:
    """Heavy ridges."""
    table = Table("HEAVY RIDGES, % with 95 % limits", "figure", "n", "measured", "limits", "goal", "verdict")
    for quantity, short in MAIN:
        errors = errors_of(rows_named(notes, quantity, short))
        if len(errors) < 2:
            continue
        name, goal = (
            f"{quantity} {short:g}-25",
            (-0.05, 0.05) if (quantity, short) == ("Sq", 2.5) else (-1.0, 1.0),
        )
        text = "+-5" if goal[1] < 1 else ""
        goal_row(
            table, f"{name} bias", float(np.mean(errors)), mean_limits(errors), goal, text=text, n=len(errors)
        )
        goal_row(
            table, f"{name}: share within 5 %", *share_within(errors, 0.05), (0, 1), n=len(errors), sign=False
        )
        sd = float(np.std(errors, ddof=1))
        goal_row(
            table, f"{name} scatter", sd, scatter_limits(sd, len(errors)), (0, 1), n=len(errors), sign=False
        )
    table.show()


def report_spoiled(notes: Sequence[Note]) -> None:
    """Captures that should be refused or flagged, by what was done to them."""
    table = Table("SPOILED CAPTURES BY FAULT: refused (rightly: with a code that fits), told by a flag only, or silent;"
                  " error of Sq (2.5-25 mm; 0.5-8 mm with a torch) of those that passed",
                  "fault", "n", "refused", "%", "rightly", "flagged", "silent", "gross passed", "median err", "worst",
                  "codes")  # fmt: skip
    for fault in [*sorted({n["fault"] for n in notes}), ALL]:
        chosen = [n for n in notes if fault in (ALL, n["fault"]) and "crashed" not in n]
        passed = [n for n in chosen if "code" not in n]
        if not chosen:
            continue
        flagged = [n for n in passed if set(n["flags"]) - {"scale-prior"}]
        rows = main_rows(passed)
        errors, k = errors_of(rows), sum(gross(r) for r in rows)
        refused = len(chosen) - len(passed)
        rightly = sum(_rightly(n) for n in chosen)
        codes = Counter(code for n in chosen if "code" in n for code in ({n["code"]} | set(n["photo_codes"])))
        flags = Counter(f for n in flagged for f in n["flags"] if f != "scale-prior")
        told = "refused: " + " ".join(f"{c} {m}" for c, m in codes.most_common()) if codes else ""
        if flags:
            told += "  flags: " + " ".join(f"{c} {m}" for c, m in flags.most_common(4))
        table.add(fault, str(len(chosen)), str(refused), between(share_limits(refused, len(chosen)), 0, sign=False),
                  str(rightly), str(len(flagged)), str(len(passed) - len(flagged)),
                  f"{k} (<= {100 * share_limits(k, len(chosen))[1]:.0f} %)",
                  percent(float(np.median(np.abs(errors)))) if errors else "-",
                  percent(max(errors, key=abs)) if errors else "-", told if fault != ALL else "")  # fmt: skip
    table.show()


def _rightly(note: Note) -> bool:
    """Whether a code that fits was among those given (the last expected one only says that too few are left)."""
    said = {note.get("code"), *note.get("photo_codes", ())}
    return "code" in note and bool(said & set(note["expected"][:-1]))


def report(notes: Sequence[Note], mode: str) -> None:
    """Print everything that a mode is judged by."""
    notes = sorted(notes, key=lambda n: n["capture"])
    crashed = sum("crashed" in n for n in notes)
    print(f"\n{len(notes)} captures of mode {mode}, all RENDERED (no real floor); {crashed} crashed")
    done = [n for n in notes if "crashed" not in n]
    kinds = {n.get("kind", "angles") for n in done}
    if kinds & {"torch", "fused"} and mode != "spoiled":
        if mode == "set":
            for kind, tell in (("torch", report_torch), ("fused", report_fused)):
                own = [n for n in done if n.get("kind") == kind]
                if own:
                    tell(own)
        else:
            {"flat": report_torch_flat, "share": report_share}.get(mode, report_torch)(done)
    elif mode == "set" and done:
        set_goals(done).show()
        for table in group_tables(done):
            table.show()
        for quantity, short in MAIN[1:]:
            group_table(done, "process", lambda n: n["process"], (quantity, short)).show()
        transfer_table(done).show()
        summary_table(done).show()
    elif done:
        {"flat": report_flat, "faint": report_faint, "steep": report_steep, "spoiled": report_spoiled}[mode](
            done
        )
    ends(notes)
