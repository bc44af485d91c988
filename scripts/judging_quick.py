"""Quick captures in memory: one photo, or two with a torch on opposite sides; what the learned model makes of them.

The pipeline is run as it is; only the door to the model is watched (`watched`), so that what the model was shown can be
kept (`quick_looks`), or another model be asked. A note holds the scored rows of `judging`, and beside them the raw
estimate, whether or not it was claimed: an estimate that abstained is worth knowing too.
"""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from math import log2
from typing import Any

import cv2
import numpy as np
from judging import Job, Note, decode_all, photo_codes, truth_of
from quick_looks import Seen, pack_note

from assessor import estimating
from assessor.card.bars import scale_from_bars
from assessor.errors import AssessorError
from assessor.evaluation import Estimate as Said
from assessor.evaluation import ScoredRow, TruthRow, read_estimate
from assessor.grading.scale import load_scale
from assessor.grading.suggest import SuggestSettings, suggest_grade
from assessor.pipeline import assess_capture
from assessor.settings import Settings
from assessor.simulate.capture import Lighting, render_capture
from assessor.simulate.light import light_floor, true_lights
from assessor.simulate.quick_catalogue import tags_of
from assessor.simulate.true_grade import BAND, SCALE, SCALE_PROCESS
from assessor.texture.estimate import EstimateSettings
from assessor.texture.look import Look
from assessor.values import CaptureResult, Direction, Estimate, Photo, PrintScale

Estimator = Callable[[Sequence[Look], EstimateSettings | None], Estimate]


@dataclass(frozen=True, eq=False)
class How:
    """How captures are judged. lighting: who lights the floor. estimator: asked instead of the tool's own model.

    looks: keep what the model was shown, under `looks` of the note.
    """

    lighting: Lighting = light_floor
    estimator: Estimator | None = None
    looks: bool = False


def no_model(looks: Sequence[Look], settings: EstimateSettings | None = None) -> Estimate:
    """Stands in where there is no model yet: always the middle of what floors have, with all the room in the world."""
    return Estimate(
        "pair" if len(looks) == 2 else "single", "no model", BAND, -2.5, 3.5, tuple(look.name for look in looks),
        any(look.lighting is not None for look in looks), 0.0, Direction(None, None, "none"), ("estimate-wide",),
    )  # fmt: skip


@contextmanager
def watched(estimator: Estimator | None = None) -> Iterator[list[tuple[Look, ...]]]:
    """The pipeline with its model watched: a list of the looks that were shown to it, in turn."""
    own = estimating.estimate_texture
    ask = estimator or own
    shown: list[tuple[Look, ...]] = []

    def estimate(looks: Sequence[Look], settings: EstimateSettings | None = None) -> Estimate:
        shown.append(tuple(looks))
        return ask(looks, settings)

    estimating.estimate_texture = estimate
    try:
        yield shown
    finally:
        estimating.estimate_texture = own


def judge_quick(job: Job, how: How | None = None) -> Note:
    """Render, assess and score one quick capture; never raises."""
    recipe = job.plan.recipe
    note: Note = {
        "capture": recipe.name, "mode": job.mode, "kind": recipe.kind, "form": "single" if recipe.photos else "pair",
        "process": recipe.floor.process, "light": recipe.light.kind, "fault": job.plan.fault, "rows": [],
        "tags": dict(tags_of(recipe)), "asked_sq_mm": recipe.floor.sq_mm,
    }  # fmt: skip
    try:
        return note | _judge(job, how or How())
    except Exception:
        return note | {"crashed": traceback.format_exc()}


def _judge(job: Job, how: How) -> Note:
    cv2.setNumThreads(1)
    start = time.process_time()
    capture = render_capture(job.plan.recipe, lighting=how.lighting)
    note: Note = {"rendered_s": time.process_time() - start}
    note["true_lights"] = [
        [[one.azimuth_deg, one.elevation_deg, one.share, one.half_angle_deg] for one in true_lights(light)]
        for light in capture.lights
    ]
    rows = truth_of(capture)
    note["across"] = across(rows, note["true_lights"])
    start = time.process_time()
    photos = decode_all(capture)
    note["decode_s"] = time.process_time() - start
    return note | assess_quick(
        photos, scale_from_bars(*job.plan.measured_bars_mm), rows, how, settings=job.settings
    )


def across(rows: Sequence[TruthRow], true_lights: Sequence[Sequence[Sequence[float]]]) -> str:
    """How far the texture's lay runs off the first photo's strongest light: light along ridges shows none of them."""
    lay = next((row.value for row in rows if row.quantity == "direction_deg"), None)
    if lay is None or not true_lights or not true_lights[0]:
        return "no lay" if lay is None else "no light"
    off = abs((lay - true_lights[0][0][0] + 90) % 180 - 90)
    return next(f"{low}-{high} deg" for low, high in ((0, 15), (15, 30), (30, 60), (60, 90)) if off <= high)


def assess_quick(
    photos: Sequence[Photo],
    print_scale: PrintScale,
    rows: Sequence[TruthRow],
    how: How,
    *,
    settings: Settings | None = None,
) -> Note:
    """Assess photos of one window and score them against its truth rows."""
    note: Note = {"true_log2": [log2(r.value) for r in rows if r.quantity == "Sq" and r.value > 0][:1]}
    note["true_log2"] = note["true_log2"][0] if note["true_log2"] else None
    note["true_grade"] = next((r.value for r in rows if r.quantity == "grade"), None)
    start = time.process_time()
    with watched(how.estimator) as shown:
        try:
            result = assess_capture(
                photos, print_scale=print_scale, scale=load_scale(SCALE), target=None, bands=(BAND,),
                settings=settings or Settings(), clock=time.process_time,
            )  # fmt: skip
        except AssessorError as error:
            said = [Said(refused=error.code) for _ in rows]
            note |= {"refused": str(error), "code": error.code, "photo_codes": photo_codes(error)}
        else:
            said = [read_estimate(result, row) for row in rows]
            note |= told_of(result, rows[0].process)
    seconds = time.process_time() - start
    if how.looks and shown:
        note["looks"] = pack_note(Seen("pair" if len(shown[-1]) == 2 else "single", shown[-1], {}))
    scored = [ScoredRow(row, one, seconds) for row, one in zip(rows, said, strict=True)]
    return note | {"assess_s": seconds, "rows": [row.as_dict() for row in scored]}


def told_of(result: CaptureResult, process: str) -> Note:
    """The raw estimate, whether light was read, and what was suggested: by itself, and with the process told."""
    one, suggestion = result.estimate, result.suggestion
    told = suggest_grade(
        result.texture, load_scale(SCALE), None, SuggestSettings(process=SCALE_PROCESS.get(process, "")), estimate=one
    )  # fmt: skip
    note: Note = {
        "flags": result.flags, "kind_said": result.kind, "seconds": result.seconds,
        "photo_codes": [getattr(e, "code", "?") for e in result.refused],
        "px_per_mm": [s.px_per_mm for s in result.sightings], "rms_px": result.adjustment.rms_px,
        "grades": suggestion.grades, "probabilities": suggestion.probabilities, "set90": suggestion.set90,
        "best": suggestion.best, "told_probabilities": told.probabilities, "told_set90": told.set90,
    }  # fmt: skip
    if one is not None:
        note |= {
            "form_said": one.form, "model": one.model, "log2_sq": one.log2_sq, "half90": one.half90,
            "strangeness": one.strangeness, "light_known": one.light_known, "abstained": one.abstained,
            "lay_deg": one.direction.lay_deg, "u_lay_deg": one.direction.u_deg,
        }  # fmt: skip
    return note


def seen_note(note: Note) -> dict[str, Any]:
    """What a file of looks says of a capture: its name, tags and truth."""
    return {
        "capture": note["capture"], "tags": note["tags"], "truth": {
            r["quantity"]: r["value"] for r in note["rows"] if np.isfinite(r["value"])
        },
        "true_lights": note.get("true_lights"), "photo_codes": note.get("photo_codes", []),
    }  # fmt: skip
