"""Captures for judging calls ("ready for the chip", "rework", "can't tell"): plan, render, keep what was measured.

Rendering is dear and weighing cheap. So a capture is rendered and assessed once and becomes a small note: the true Sq
of its floor in both bands of the scale, and every Sq that the tool measured or estimated (value, uncertainty, bound).
From a note the texture is made anew, and `judged_calls` asks the tool's own `suggest_grade` and `judge_range` about it
for any scale and any target range.

Crews, phones, prints and light are those of the kind's own catalogue; only the floor's Sq is drawn here: evenly in
ln Sq over what the process leaves (the shipped scale's reach for it, two grades more at either end, never beyond half a
grade past the end grades), by a low-discrepancy sequence from a seeded start, so that any count covers all of it.
"""

from __future__ import annotations

import math
import time
import traceback
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from judging import PLANS, Note, decode_all, photo_codes

from assessor.card.bars import scale_from_bars
from assessor.errors import AssessorError
from assessor.grading.scale import Z90, load_scale
from assessor.pipeline import assess_capture
from assessor.settings import Settings
from assessor.simulate.capture import CaptureRecipe, render_capture
from assessor.simulate.catalogue import Planned
from assessor.simulate.torch_catalogue import HIGH_DEG, LOW_DEG, STEEP_MM
from assessor.simulate.true_grade import SCALE, SCALE_PROCESS
from assessor.simulate.truth import true_sq
from assessor.tables.loader import load_grade_table
from assessor.texture.measure import MAIN_BANDS
from assessor.values import Band, CaptureResult, Direction, Estimate, Quantity, Texture

# Processes of the simulator that the scale knows, as each kind's catalogue has them.
CELLS: dict[str, tuple[str, ...]] = {
    "angles": ("ground", "shot", "scarified", "scabbled", "aggregate"),
    "torch": ("ground", "shot", "flush"),
    "fused": ("ground", "shot", "flush"),
    "single": ("ground", "shot", "scarified", "scabbled", "aggregate", "flush"),
    "pair": ("ground", "shot", "scarified", "scabbled", "aggregate", "flush"),
}
DEAR = ("torch", "fused")  # nine to thirteen photos: every other round only
WIDE, FINE = Band(2.5, 25.0), Band(0.8, 25.0)
BAND_OF = {"angles": WIDE, "torch": WIDE, "fused": WIDE, "single": FINE, "pair": FINE}
BEYOND_REACH = 2  # grades: trade lists disagree by one or two about what a process leaves
GOLDEN = (math.sqrt(5) - 1) / 2
TILT_FINE_MM = 0.1  # below this the guide wants more tilt (`catalogue`)


@dataclass(frozen=True, slots=True)
class CallJob:
    """One capture to measure. kind: as the crew shot it ("pair" is a torch capture of two photos)."""

    kind: str
    plan: Planned

    @property
    def name(self) -> str:
        """The capture's name."""
        return self.plan.recipe.name


def reach_mm(process: str, band: Band) -> tuple[float, float]:
    """Lowest and highest Sq in mm of floors of a simulator's process that are drawn, in `band`."""
    scale, table = load_scale(SCALE), load_grade_table("ten-chip")
    name = SCALE_PROCESS[process]
    row = next(row for row in table.process if row.process == name)
    (curve,) = scale.curves_for(band, name)
    ends = (
        max(row.reach_low - BEYOND_REACH, scale.grades[0] - 0.5),
        min(row.reach_high + BEYOND_REACH, scale.grades[-1] + 0.5),
    )
    step = (curve.log_median[-1] - curve.log_median[0]) / (len(scale.grades) - 1)
    low, high = (math.exp(curve.log_median[0] + step * (end - 1)) for end in ends)
    return low, high


def plan_calls(count: int, seed: int, *, first: int = 0, data: Path | None = None) -> list[CallJob]:
    """Captures `first` to `count` of the set; the k-th depends on seed and data only.

    Kind and process come in turn; kinds of many photos every other round.
    """
    every = [(kind, process) for kind, names in CELLS.items() for process in names]
    order = every + [cell for cell in every if cell[0] not in DEAR]
    turns = 2 * -(-count // len(order))
    of_kind = {kind: _by_process(kind, turns, seed, data) for kind in CELLS}
    jobs, met = [], Counter[tuple[str, str]]()
    for k in range(count):
        kind, process = cell = order[k % len(order)]
        turn, met[cell] = met[cell], met[cell] + 1
        if k < first:
            continue
        low, high = reach_mm(process, BAND_OF[kind])
        start = np.random.default_rng([seed, every.index(cell), 71]).uniform()
        sq_mm = low * (high / low) ** ((start + turn * GOLDEN) % 1.0)
        recipe = _with_sq(
            of_kind[kind][process][turn].recipe, f"{kind}-{seed:02d}-{k:04d}-{process}", kind, sq_mm
        )
        jobs.append(CallJob(kind, replace(of_kind[kind][process][turn], recipe=recipe)))
    return jobs


def _by_process(kind: str, rounds: int, seed: int, data: Path | None) -> dict[str, list[Planned]]:
    """The first `rounds` plans of the kind's catalogue for each process of CELLS."""
    asked = rounds * (len(CELLS[kind]) + 6)
    while True:
        found: dict[str, list[Planned]] = {process: [] for process in CELLS[kind]}
        for plan in PLANS[kind](asked, seed, data_dir=data):
            if plan.recipe.floor.process in found:
                found[plan.recipe.floor.process].append(plan)
        if min(len(plans) for plans in found.values()) >= rounds:
            return found
        asked *= 2


def _with_sq(recipe: CaptureRecipe, name: str, kind: str, sq_mm: float) -> CaptureRecipe:
    """The same crew over a floor of another Sq, shot as the guide asks for such floors."""
    band = BAND_OF[kind]
    floor = replace(recipe.floor, sq_mm=sq_mm, band_mm=(band.short_mm, band.long_mm))
    recipe = replace(recipe, name=name, floor=floor)
    if kind == "angles":
        return replace(recipe, tilt_deg=(15.0, 20.0) if sq_mm < TILT_FINE_MM else (10.0, 16.0))
    if kind in ("torch", "fused") and recipe.torch is not None:
        height = HIGH_DEG if sq_mm >= STEEP_MM else LOW_DEG
        return replace(recipe, torch=replace(recipe.torch, elevation_deg=height))
    return recipe


def measure(job: CallJob) -> Note:
    """Render and assess one capture; never raises."""
    note: Note = {
        "mode": "calls", "capture": job.name, "kind": job.kind, "process": job.plan.recipe.floor.process,
        "light": job.plan.recipe.light.kind, "fault": job.plan.fault, "asked_sq_mm": job.plan.recipe.floor.sq_mm,
    }  # fmt: skip
    try:
        return note | _measure(job)
    except Exception:
        return note | {"crashed": traceback.format_exc()}


def lost_note(job: CallJob) -> Note:
    """The note of a capture whose worker died."""
    return {
        "mode": "calls", "capture": job.name, "kind": job.kind, "process": job.plan.recipe.floor.process,
        "crashed": "the worker process died",
    }  # fmt: skip


def _measure(job: CallJob) -> Note:
    cv2.setNumThreads(1)
    start = time.process_time()
    capture = render_capture(job.plan.recipe)
    note: Note = {
        "rendered_s": time.process_time() - start,
        "true_mm": {str(band): true_sq(capture.floor, band.short_mm, band.long_mm) for band in (WIDE, FINE)},
    }
    start = time.process_time()
    try:
        result = assess_capture(
            decode_all(capture), print_scale=scale_from_bars(*job.plan.measured_bars_mm), scale=load_scale(SCALE),
            target=None, bands=MAIN_BANDS, settings=Settings(), clock=time.process_time,
        )  # fmt: skip
    except AssessorError as error:
        note |= {"code": error.code, "photo_codes": photo_codes(error)}
    else:
        note |= told_of(result)
    return note | {"assess_s": time.process_time() - start}


def told_of(result: CaptureResult) -> Note:
    """What a suggestion rests on: every Sq in a band of the scale, and the estimate where there is one."""
    texture, one = result.texture, result.estimate
    kept = [asdict(q) for q in texture.quantities if q.name == "Sq" and q.band in (WIDE, FINE)]
    note: Note = {
        "kind_said": texture.kind, "flags": list(result.flags), "quantities": kept,
        "noise_floor_mm": texture.noise_floor_mm, "noise_band": asdict(texture.noise_band),
    }  # fmt: skip
    if one is not None:
        note["estimate"] = asdict(one) | {"direction": None}
    return note


def texture_of(note: Note) -> Texture:
    """The texture of a note, as the suggestion knows it."""
    quantities = tuple(Quantity(**{**q, "band": Band(**q["band"])}) for q in note["quantities"])
    noise_band, direction = Band(**note["noise_band"]), Direction(None, None, 0.0)
    return Texture(note["kind_said"], quantities, direction, note["noise_floor_mm"], noise_band, 1.0)


def estimate_of(note: Note) -> Estimate | None:
    """The estimate of a note; None where the texture was measured."""
    told: dict[str, Any] | None = note.get("estimate")
    if told is None:
        return None
    lists = {key: tuple(told[key]) for key in ("photo_names", "abstained")}
    return Estimate(
        **{**told, **lists, "band": Band(**told["band"]), "direction": Direction(None, None, 0.0)}
    )


def calls_of(notes: Iterable[Note]) -> list[Note]:
    """The notes for judging calls: ours as they are, those of `judge_set` of measured kinds turned into such.

    Their floors are those of the catalogue's levels, near enough even in ln Sq over what is shot with that kind.
    """
    return [note if note["mode"] == "calls" else _of_set(note) for note in notes
            if note["mode"] == "calls" or (note["mode"] == "set" and _is_known(note))]  # fmt: skip


def _is_known(note: Note) -> bool:
    return "form" not in note and note["process"] in SCALE_PROCESS and bool(note["rows"])


def _of_set(note: Note) -> Note:
    """A note of `judge_set`, whose scored rows hold each Sq with its 90 % interval."""
    kept: Note = {key: note[key] for key in ("capture", "kind", "process")} | {"mode": "calls", "true_mm": {}}
    quantities = []
    for row in note["rows"]:
        band = Band(row["band_short_mm"] or 0.0, row["band_long_mm"] or 0.0)
        if row["quantity"] != "Sq" or band not in (WIDE, FINE):
            continue
        kept["true_mm"][str(band)] = row["value"]
        if row["estimate"] is not None:
            low, high = row["low90"] or 0.0, row["high90"]
            u = (high - low) / 2 / Z90 if row["bound"] == "value" else 0.0
            quantities.append(
                Quantity("Sq", row["estimate"], u, low, high, "mm", band, 0.1, "judge_set", row["bound"])
            )
    if "code" in note:
        return kept | {"code": note["code"]}
    told: Note = {"kind_said": note["kind"], "flags": note["flags"], "noise_floor_mm": 0.0}
    return kept | told | {"quantities": [asdict(q) for q in quantities], "noise_band": asdict(WIDE)}


def sound(notes: list[Note]) -> Iterator[Note]:
    """The notes that did not crash."""
    return (note for note in notes if "crashed" not in note)
