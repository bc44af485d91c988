"""What many notes of torch and fused captures say: the goals of the kind, how light is read, and joined maps.

Limits and verdicts are those of `judged`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

import numpy as np
from judged import (
    Pair,
    Table,
    between,
    errors_of,
    goal_row,
    group_table,
    median_limits,
    percent,
    rows_named,
    share_within,
    transfer_table,
    verdict,
)
from judging import ALONE, SHARES, TORCH_BANDS, Note

from assessor.evaluation import (
    ScoredRow,
    covered,
    error_of,
    gross,
    half_width,
    mean_limits,
    scatter_limits,
    share_limits,
)

FINE, WIDE, LONG = ((band.short_mm, band.long_mm) for band in TORCH_BANDS)
MEASURED_MM = (0.012, 0.2)  # true Sq in the fine band in which the kind is held to its goals
LEVELS_MM = (0.0, 0.02, 0.05, 0.1, 0.2, math.inf)
FLOOR_MM = 0.003


def of_band(notes: Iterable[Note], quantity: str, band: Pair) -> list[ScoredRow]:
    """The rows of one quantity in one band."""
    return [r for r in rows_named(notes, quantity, band[0]) if r.truth.band_long_mm == band[1]]


def true_sq(note: Note) -> float:
    """True Sq of a capture in 0.5-8 mm."""
    return float(of_band([note], "Sq", FINE)[0].truth.value)


def torch_goals(notes: Sequence[Note]) -> Table:
    """The goals that torch captures are held to, in percent."""
    table = Table("GOALS, % with 95 % limits", "figure", "n", "measured", "limits", "goal", "verdict")
    low, high = MEASURED_MM
    usual = [n for n in notes if low * 0.98 <= true_sq(n) <= high]
    for count, scatter in ((8, 0.06), (6, 0.08), (4, 0.08)):
        own = [n for n in usual if n["asked_lights"] == count]
        _spread_rows(
            table, f"Sq 0.5-8, 0.012-0.2 mm, {count} lights", of_band(own, "Sq", FINE), 0.05, scatter
        )
    _spread_rows(table, "Sq 0.5-25, where quoted", of_band(usual, "Sq", WIDE), 0.06, 0.08)
    steep = [n for n in notes if 0.2 < of_band([n], "Sq", WIDE)[0].truth.value <= 0.5]
    for band in (FINE, WIDE):
        name = f"Sq {band[0]:g}-{band[1]:g}, true 0.2-0.5 mm in 0.5-25"
        _spread_rows(table, name, of_band(steep, "Sq", band), 0.08, 0.08)
    _spread_rows(table, "Sdq 0.5-8", of_band(usual, "Sdq", FINE), 0.10, 0.10, relative=True)
    _spread_rows(table, "Sa 0.5-8", of_band(usual, "Sa", FINE), None, None)
    for about, (least, most), goal in ((0.02, (0.015, 0.03), 0.95), (0.1, (0.07, 0.15), 0.98)):
        seen = [n["correlation"] for n in notes if "correlation" in n and least <= true_sq(n) <= most]
        seen = [float(v) for v in seen if math.isfinite(v)]
        if len(seen) > 1:
            goal_row(table, f"correlation with the floor, 0.5-8, Sq about {about:g}: median", float(np.median(seen)),
                     median_limits(seen), (goal, 1.0), text=f">= {100 * goal:g}", n=len(seen), sign=False)  # fmt: skip
    _light_goals(table, notes)
    _honesty_goals(table, notes)
    return table


def _spread_rows(
    table: Table,
    name: str,
    rows: Sequence[ScoredRow],
    bias: float | None,
    scatter: float | None,
    *,
    relative: bool = False,
) -> None:
    """Bias, scatter and share within the bias's goal of one group; `relative`: of a pure number over the truth."""
    found = [e for r in rows if (e := error_of(r)) is not None]
    if relative:
        found = [e / r.truth.value for r in rows if (e := error_of(r)) is not None and r.truth.value > 0]
    if len(found) < 2:
        return
    n, sd = len(found), float(np.std(found, ddof=1))
    goal = (-math.inf, math.inf) if bias is None else (-bias, bias)
    goal_row(table, f"{name}: bias", float(np.mean(found)), mean_limits(found), goal,
             text="" if bias is None else f"+-{100 * bias:g}", n=n)  # fmt: skip
    goal_row(table, f"{name}: scatter", sd, scatter_limits(sd, n), (0, scatter or math.inf),
             text="" if scatter is None else f"<= {100 * scatter:g}", n=n, sign=False)  # fmt: skip
    if bias is not None:
        goal_row(
            table, f"{name}: share within {bias:.0%}", *share_within(found, bias), (0, 1), n=n, sign=False
        )


def _light_goals(table: Table, notes: Sequence[Note]) -> None:
    """tan(elevation), the torch's share, Ssk's sign, and cost."""
    off = [n["tan_ratio"] - 1 for n in notes if n.get("tan_ratio")]
    if len(off) > 1:
        goal_row(table, "mean tan(elevation), read over true: bias", float(np.mean(off)), mean_limits(off),
                 (-0.03, 0.03), text="+-3", n=len(off))  # fmt: skip
        goal_row(table, "mean tan(elevation): share of captures within 3 %", *share_within(off, 0.03), (0.95, 1),
                 text=">= 95", n=len(off), sign=False)  # fmt: skip
    shares = [n["share"] / n["true_share"] - 1 for n in notes if n.get("share") and n.get("true_share")]
    if len(shares) > 1:
        goal_row(table, "torch's share of the light: bias", float(np.mean(shares)), mean_limits(shares), (0, 0),
                 n=len(shares))  # fmt: skip
    shaped = [r for r in of_band(notes, "Ssk", FINE) if r.truth.process in ("bumps", "pits")]
    signs = [r.said.estimate * r.truth.value > 0 for r in shaped if r.said.estimate is not None]
    if signs:
        goal_row(table, "Ssk of bumps and pits: right sign", sum(signs) / len(signs),
                 share_limits(sum(signs), len(signs)), (0.9, 1), text="all", n=len(signs), sign=False)  # fmt: skip
    costs = [n["assess_s"] / n["decode_s"] for n in notes if n.get("decode_s") and "flags" in n]
    if len(costs) > 1:
        (low, high), middle = median_limits(costs), float(np.median(costs))
        table.add("CPU over decoding the photos, median", str(len(costs)), f"{middle:.1f} x",
                  f"[{low:.1f}, {high:.1f}]", "<= 8", verdict(middle, (low, high), (0, 8)))  # fmt: skip


def _honesty_goals(table: Table, notes: Sequence[Note]) -> None:
    """Coverage, width, what is quoted, refusals and gross errors."""
    for quantity, band in (("Sq", FINE), ("Sq", WIDE), ("Sq", LONG), ("Sa", FINE), ("Sdq", FINE)):
        rows = [r for r in of_band(notes, quantity, band) if r.said.bound == "value"]
        claims = [c for r in rows if (c := covered(r)) is not None]
        if claims:
            goal_row(table, f"{quantity} {band[0]:g}-{band[1]:g}: 90 % intervals hold", sum(claims) / len(claims),
                     share_limits(sum(claims), len(claims)), (0.87, 0.93), text="87-93", n=len(claims), sign=False,
                     seen=True)  # fmt: skip
    rows = of_band(notes, "Sq", FINE)
    widths = [w for r in rows if (w := half_width(r)) is not None]
    if widths:
        goal_row(table, "Sq 0.5-8: half-width of the interval, median", float(np.median(widths)),
                 median_limits(widths), (0, 0.1), text="<= 10", n=len(widths), sign=False)  # fmt: skip
    refused, n = sum("code" in note for note in notes), len(notes)
    goal_row(table, "refused", refused / n, share_limits(refused, n), (0, 0.05), text="<= 5", n=n, sign=False)
    done = [r for r in of_band(notes, "Sq", WIDE) if r.said.refused in (None, "not-measured")]
    if done:
        quoted = sum(r.said.refused is None for r in done)
        goal_row(table, "0.5-25 quoted, of those measured", quoted / len(done), share_limits(quoted, len(done)),
                 (0, 1), n=len(done), sign=False)  # fmt: skip
    for band in (FINE, WIDE):
        rows = of_band(notes, "Sq", band)
        k = sum(gross(r) for r in rows)
        limits, said = between(share_limits(k, len(rows)), 2, sign=False), "fails" if k else "none seen"
        name = f"Sq {band[0]:g}-{band[1]:g}: gross errors (> 25 %) not refused"
        table.add(name, str(len(rows)), str(k), limits, "0", said)


def level(note: Note) -> str:
    """The step of LEVELS_MM that a capture's true Sq lies in."""
    k = next(k for k, top in enumerate(LEVELS_MM[1:]) if true_sq(note) < top)
    top = "" if math.isinf(LEVELS_MM[k + 1]) else f"{LEVELS_MM[k + 1]:g}"
    return f"{LEVELS_MM[k]:g}-{top} mm"


def torch_groups(notes: Sequence[Note]) -> list[Table]:
    """Sq in the fine band by process, fault, lights, room, level and share."""
    keys: tuple[tuple[str, Callable[[Note], str]], ...] = (
        ("process", lambda n: str(n["process"])), ("fault", lambda n: str(n["fault"])),
        ("lights", lambda n: str(n["asked_lights"])), ("room", lambda n: str(n["light"])), ("true Sq", level),
        ("torch's share", lambda n: f"{math.floor(10 * n['asked_share']) / 10:.1f}-"),
        ("process x level", lambda n: f"{n['process']} {level(n)}"),
    )  # fmt: skip
    return [group_table(notes, what, key, ("Sq", FINE[0]), long_mm=FINE[1]) for what, key in keys]


def light_table(notes: Sequence[Note]) -> Table:
    """Single lights as read against true ones."""
    table = Table("LIGHTS READ FROM THE TABS, one light each", "figure", "n", "median", "p5", "p95")
    lights = [light for n in notes for light in n.get("lights", ())]
    if lights:
        tangents = [
            math.tan(math.radians(x["elevation"])) / math.tan(math.radians(x["true_elevation"])) - 1
            for x in lights
        ]
        for name, values in (
            ("tan(elevation) over the true one, %", [100 * v for v in tangents]),
            ("azimuth, deg off", [x["azimuth_off"] for x in lights]),
            ("share, read less true", [x["share"] - x["true_share"] for x in lights]),
        ):
            low, middle, high = np.percentile(values, (5, 50, 95))
            table.add(name, str(len(values)), f"{middle:+.3f}", f"{low:+.3f}", f"{high:+.3f}")
    return table


def report_torch(notes: Sequence[Note]) -> None:
    """Everything about a set of torch captures."""
    torch_goals(notes).show()
    for table in (*torch_groups(notes), light_table(notes), transfer_table(notes)):
        table.show()


def report_torch_flat(notes: Sequence[Note]) -> None:
    """Flat speckled floors: what noise the map has, and what is said of nothing."""
    table = Table("FLAT FLOORS, mm", "figure", "n", "median", "limits", "p90", "largest", "goal", "verdict")
    done = [n for n in notes if "noise_floor_mm" in n]
    rows = of_band(done, "Sq", FINE)
    said = [r.said.high90 if r.said.bound == "upper" else r.said.estimate for r in rows]
    figures = {
        "noise of the map, 0.5-8 mm (noise floor)": [
            n["noise_floor_mm"] for n in done if math.isfinite(n["noise_floor_mm"])
        ],
        "the map itself, 0.5-8 mm (its true Sq is 0)": [n["error_mm"] for n in done],
        "Sq 0.5-8 as said, value or bound": [v for v in said if v is not None],
    }
    for name, values in figures.items():
        if not values:
            continue
        limits, middle = median_limits(values), float(np.median(values))
        told = ("", "")
        if not name.startswith("Sq"):
            told = (f"<= {FLOOR_MM:g}", verdict(middle, limits, (0, FLOOR_MM)))
        table.add(name, str(len(values)), f"{middle:.4f}", f"[{limits[0]:.4f}, {limits[1]:.4f}]",
                  f"{np.percentile(values, 90):.4f}", f"{max(values):.4f}", *told)  # fmt: skip
    table.show()
    by = Table("THE MAP'S Sq 0.5-8 mm ON FLAT FLOORS BY FAULT, mm", "fault", "n", "median", "largest")
    for fault in sorted({n["fault"] for n in done}):
        values = [n["error_mm"] for n in done if n["fault"] == fault]
        by.add(fault, str(len(values)), f"{np.median(values):.4f}", f"{max(values):.4f}")
    by.show()


def report_share(notes: Sequence[Note]) -> None:
    """The same floors under a torch that is less and less of the light."""
    table = Table("BY THE TORCH'S SHARE OF THE LIGHT: Sq 0.5-8 mm, true 0.05", "share", "n", "bias", "", "scatter",
                  "worst", "held", "half-width", "correlation", "refused", "flagged torch-weak")  # fmt: skip
    for share in SHARES:
        own = [n for n in notes if abs(n["asked_share"] - share) < 1e-6]
        rows = of_band(own, "Sq", FINE)
        if not rows:
            continue
        errors, claims = errors_of(rows), [c for r in rows if (c := covered(r)) is not None]
        widths = [w for r in rows if (w := half_width(r)) is not None]
        alike = [n["correlation"] for n in own if "correlation" in n]
        many = len(errors) > 1
        table.add(
            f"{share:.0%}", str(len(own)), percent(float(np.mean(errors))) if errors else "-",
            between(mean_limits(errors)) if many else "", percent(float(np.std(errors, ddof=1))) if many else "-",
            percent(max(errors, key=abs)) if errors else "-", f"{sum(claims)}/{len(claims)}",
            f"{np.median(widths):.0%}" if widths else "-", f"{np.median(alike):.3f}" if alike else "-",
            f"{sum('code' in n for n in own)}/{len(own)}", str(sum("torch-weak" in n.get("flags", ()) for n in own)),
        )  # fmt: skip
    table.show()


def report_fused(notes: Sequence[Note]) -> None:
    """Joined captures against their halves, each on its own."""
    table = Table("ANGLES AND TORCH OF ONE SPOT, % with 95 % limits",
                  "figure", "n", "measured", "limits", "goal", "verdict")  # fmt: skip
    told = [n for n in notes if "apart" in n]
    pairs = [
        p for n in told if (p := tuple(n["apart"][k].get(str(TORCH_BANDS[2])) for k in ALONE)) and all(p)
    ]
    apart = [torch / angles - 1 for angles, torch in pairs]
    if len(apart) > 1:
        goal_row(table, "Sq 2.5-25, torch alone over angles alone: bias", float(np.mean(apart)), mean_limits(apart),
                 (-0.07, 0.07), text="+-7", n=len(apart))  # fmt: skip
        goal_row(table, "Sq 2.5-25: share within 7 %", *share_within(apart, 0.07), (0.9, 1), text=">= 90",
                 n=len(apart), sign=False)  # fmt: skip
    for band in TORCH_BANDS:
        worse = _worse(told, str(band), (band.short_mm, band.long_mm))
        if len(worse) > 1:
            n, fine = len(worse), sum(v <= 0.02 for v in worse)
            goal_row(table, f"Sq {band}: error of the joined map less that of the better kind, median",
                     float(np.median(worse)), median_limits(worse), (-math.inf, 0.02), text="<= 2", n=n)  # fmt: skip
            goal_row(table, f"Sq {band}: share worse by no more than 2 %", fine / n, share_limits(fine, n), (0, 1),
                     n=n, sign=False)  # fmt: skip
        _spread_rows(
            table, f"Sq {band}, joined", of_band(notes, "Sq", (band.short_mm, band.long_mm)), 0.05, 0.08
        )
    _light_goals(table, notes)
    _honesty_goals(table, notes)
    table.show()
    codes = [f"{k} {n['apart'][k]['code']}" for n in told for k in ALONE if "code" in n["apart"][k]]
    print("\nrefused alone: " + (", ".join(codes) or "none"))


def _worse(notes: Sequence[Note], band: str, pair: Pair) -> list[float]:
    """How much larger the joined map's error is than the better kind's, relative, per capture."""
    found = []
    for note in notes:
        (row,) = of_band([note], "Sq", pair)
        joined, true = error_of(row), row.truth.value
        alone = [abs(v / true - 1) for k in ALONE if (v := note["apart"][k].get(band)) is not None]
        if joined is not None and alone:
            found.append(abs(joined) - min(alone))
    return found
