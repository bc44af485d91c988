"""Rendered captures in memory: plan them, assess them, say what came of each; shared by `judge_set` and `earns`.

A capture becomes a note, a dict of plain values that crosses processes and goes into JSON. A capture that meets an
exception nobody foresaw becomes a note with its traceback under `crashed`; one that kills its worker is tried once
more by itself. The rest goes on in both cases.
"""

from __future__ import annotations

import json
import math
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import cv2
import numpy as np
from judging_torch import torch_note, true_shadow, truth_on_map, without_plane
from scipy.fft import dctn

from assessor.card.bars import scale_from_bars
from assessor.card.decode import decode_photo
from assessor.errors import AssessorError, CaptureError
from assessor.evaluation import Estimate, ScoredRow, TruthRow, read_estimate
from assessor.grading.scale import load_scale
from assessor.pipeline import assess_capture
from assessor.settings import Settings
from assessor.simulate.capture import CaptureRecipe, RenderedCapture, render_capture
from assessor.simulate.catalogue import Planned, plan_set
from assessor.simulate.quick_catalogue import plan_pair, plan_single
from assessor.simulate.spoiled import plan_spoiled
from assessor.simulate.torch_catalogue import HIGH_DEG, plan_fused, plan_torch, plan_torch_spoiled
from assessor.simulate.truth import EVALUATION_MM, SIGMA_PER_CUTOFF, TORCH_BANDS_MM, evaluation_heights
from assessor.texture.measure import MAIN_BANDS
from assessor.values import Band, CaptureResult, FloatArray, Kind, Photo

MODES = ("set", "flat", "faint", "steep", "spoiled", "share")
PLANS = {
    "angles": plan_set, "torch": plan_torch, "fused": plan_fused, "single": plan_single, "pair": plan_pair,
}  # fmt: skip
QUICK = ("single", "pair")  # what is only estimated
SPOILED = {"angles": plan_spoiled, "torch": plan_torch_spoiled}
WITHOUT = {"angles": ("share",), "torch": (), **dict.fromkeys(("fused", *QUICK), MODES[1:])}
TORCH_BANDS = tuple(Band(*band) for band in TORCH_BANDS_MM)
FAINT_MM = (0.006, 0.015)
STEEP_MM = 1.6
SHARES = (0.5, 0.3, 0.2, 0.1)  # of the light, that are the torch's
SHARE_SQ_MM = 0.05
TORCH_STEEP_MM = (0.3, 0.5)
# Photos of half the pixels have four times the noise per area: finer floors drown in it, so they are left out.
SMALL_LEAST_MM = 0.15
SMALL_PX_PER_MM = 2.5  # the gate for real photos stands at 4.5
ALONE: tuple[Kind, ...] = ("angles", "torch")  # what a fused capture is assessed from too
WAVELENGTHS_MM = (0.5, 0.63, 0.8, 1.0, 1.2, 1.6, 2.0, 2.5, 3.2, 4.0, 6.3, 10.0, 16.0)
Note = dict[str, Any]
Task = TypeVar("Task")


@dataclass(frozen=True, slots=True)
class Job:
    """One capture to render and assess."""

    plan: Planned
    mode: str
    small: bool = False

    @property
    def name(self) -> str:
        """The capture's name."""
        return self.plan.recipe.name

    @property
    def settings(self) -> Settings:
        """The defaults; small photos have too few pixels per mm for the gate of real ones."""
        usual = Settings()
        if not self.small:
            return usual
        return replace(usual, quality=replace(usual.quality, min_px_per_mm=SMALL_PX_PER_MM))


def plan_jobs(
    mode: str,
    count: int,
    seed: int,
    *,
    first: int = 0,
    data: Path | None = None,
    small: bool = False,
    kind: str = "angles",
) -> list[Job]:
    """Captures `first` to `count` of a mode, the same for the same seed however they are parted.

    ValueError where a kind of capture has no such mode.
    """
    if mode in WITHOUT[kind]:
        raise ValueError(f"there are no {mode} captures of kind {kind}")
    planner = (SPOILED if mode == "spoiled" else PLANS)[kind]
    jobs = []
    for k, plan in enumerate(planner(count, seed, data_dir=data, small=small)):
        too_fine = kind == "angles" and plan.recipe.floor.sq_mm < SMALL_LEAST_MM
        if k < first or (mode == "set" and small and too_fine):
            continue
        jobs.append(Job(replace(plan, recipe=_of_mode(plan.recipe, mode, k)), mode, small))
    return jobs


def _of_mode(recipe: CaptureRecipe, mode: str, k: int) -> CaptureRecipe:
    """The same crew, phone, print and light over another floor, shot as the guide asks for such floors."""
    if mode in ("set", "spoiled"):
        return recipe
    if recipe.torch is not None:
        return _of_torch_mode(recipe, mode, k)
    near: dict[str, Any] = {"tilt_deg": (14.0, 16.0), "distance_mm": (300.0, 350.0)}
    if mode == "flat":
        process, sq_mm = "flat", 0.0
    elif mode == "faint":
        process, sq_mm = ("fractal", "ground")[k % 2], FAINT_MM[k // 2 % 2]
    else:
        process, sq_mm, near = "scarified", STEEP_MM, {"tilt_deg": (10.0, 16.0)}
    floor = replace(recipe.floor, process=process, sq_mm=sq_mm)
    return replace(recipe, name=f"{recipe.name.rsplit('-', 1)[0]}-{mode}", floor=floor, **near)


def _of_torch_mode(recipe: CaptureRecipe, mode: str, k: int) -> CaptureRecipe:
    """The same for a torch capture; what the modes ask for is Sq in 0.5-8 mm."""
    torch, process = recipe.torch, ("ground", "shot")[k % 2]
    assert torch is not None
    if mode == "flat":
        floor = replace(recipe.floor, process="flat", sq_mm=0.0, fine=0.0)
    elif mode == "share":
        floor = replace(recipe.floor, process=process, sq_mm=SHARE_SQ_MM, sealed=0.0)
        torch = replace(torch, share=SHARES[k // 2 % len(SHARES)])
    elif mode == "faint":
        floor = replace(recipe.floor, process=process, sq_mm=FAINT_MM[k // 2 % 2])
    else:
        process, level = ("fractal", "shot")[k % 2], TORCH_STEEP_MM[k // 2 % 2]
        floor = replace(recipe.floor, process=process, sq_mm=level, band_mm=TORCH_BANDS_MM[1])
        torch = replace(torch, elevation_deg=HIGH_DEG)
    parts = recipe.name.split("-")
    name = f"{'-'.join(parts[:2])}-{mode}-{parts[-1]}"
    return replace(recipe, name=name, floor=floor, torch=torch)


def judge(job: Job) -> Note:
    """Render, assess and score one capture; never raises."""
    plan = job.plan
    recipe = plan.recipe
    note: Note = {
        "capture": recipe.name, "mode": job.mode, "kind": recipe.kind, "process": recipe.floor.process,
        "light": recipe.light.kind, "fault": plan.fault, "expected": plan.expected, "asked_sq_mm": recipe.floor.sq_mm,
        "distance_mm": recipe.distance_mm, "tilt_deg": recipe.tilt_deg, "rows": [],
    }  # fmt: skip
    if recipe.torch is not None:
        note |= {"asked_share": recipe.torch.share, "asked_lights": recipe.torch.lights}
    try:
        return note | _judge(job)
    except Exception:
        return note | {"crashed": traceback.format_exc()}


def _judge(job: Job) -> Note:
    cv2.setNumThreads(1)
    start = time.process_time()
    capture = render_capture(job.plan.recipe)
    note: Note = {"rendered_s": time.process_time() - start}
    if capture.recipe.torch is not None:
        note["true_shadow"] = true_shadow(capture)
    rows = truth_of(capture)
    start = time.process_time()
    photos: list[Photo] = []
    try:
        photos = decode_all(capture)
        note["decode_s"] = time.process_time() - start
        result = assess(photos, job.plan, job.settings, clock=time.process_time)
    except AssessorError as error:
        said = [Estimate(refused=error.code) for _ in rows]
        note |= {"refused": str(error), "code": error.code, "photo_codes": photo_codes(error)}
    else:
        said = [read_estimate(result, row) for row in rows]
        note |= describe(result, capture)
    seconds = time.process_time() - start
    if job.plan.recipe.kind == "fused" and photos:
        note["apart"] = {kind: _alone(photos, job, kind) for kind in ALONE}
    scored = [ScoredRow(row, one, seconds) for row, one in zip(rows, said, strict=True)]
    return note | {"assess_s": seconds, "rows": [row.as_dict() for row in scored]}


def truth_of(capture: RenderedCapture) -> list[TruthRow]:
    """The true numbers of a rendered capture."""
    recipe = capture.recipe
    return [
        TruthRow(recipe.name, recipe.kind, recipe.floor.process, "tuned", True, r.quantity, r.unit, r.band_short_mm,
                 r.band_long_mm, r.value)
        for r in capture.truth()
    ]  # fmt: skip


def decode_all(capture: RenderedCapture) -> list[Photo]:
    """The capture's photos as the tool reads them."""
    return [decode_photo(data, name) for name, data in capture.photos.items()]


def assess(
    photos: Sequence[Photo],
    plan: Planned,
    settings: Settings,
    *,
    clock: Callable[[], float] = float,
    kind: Kind | None = None,
) -> CaptureResult:
    """Assess photos as the command line does, with the bars as the plan's crew measured them.

    kind: None lets the tool recognise it, as a crew would.
    """
    bands = MAIN_BANDS if plan.recipe.torch is None else TORCH_BANDS
    return assess_capture(
        photos, print_scale=scale_from_bars(*plan.measured_bars_mm), scale=load_scale("prior-10"),
        target=None, bands=bands, settings=settings, clock=clock, kind=kind,
    )  # fmt: skip


def _alone(photos: Sequence[Photo], job: Job, kind: Kind) -> Note:
    """Sq by band of one kind's photos of a fused capture alone, or the code of its refusal."""
    count = job.plan.recipe.photos
    own = photos[:count] if kind == "angles" else photos[count:]
    try:
        texture = assess(own, job.plan, job.settings, kind=kind).texture
    except AssessorError as error:
        return {"code": error.code}
    found = {band: texture.get("Sq", band) for band in TORCH_BANDS}
    return {str(band): q.value for band, q in found.items() if q is not None and q.bound == "value"}


def photo_codes(error: AssessorError) -> list[str]:
    """Codes of the photos that were refused before the capture was."""
    return [photo.code for photo in error.refused] if isinstance(error, CaptureError) else []


def describe(result: CaptureResult, capture: RenderedCapture) -> Note:
    """What is worth knowing about a result beside its numbers."""
    first, second = result.heights.halves or (result.heights.height_mm, result.heights.height_mm)
    stated = result.heights.transfer
    waves = np.array(WAVELENGTHS_MM)
    fine = capture.recipe.kind != "angles"
    note: Note = {
        "flags": result.flags, "kind_said": result.kind, "seconds": result.seconds,
        "agreement": result.heights.agreement,
        "valid": float(result.heights.valid.mean()), "rms_px": result.adjustment.rms_px,
        "px_per_mm": [s.px_per_mm for s in result.sightings],
        "edge_mm": [s.edge_width_mm for s in result.sightings],
        "noise_floor_mm": result.texture.noise_floor_mm,
        "half_difference_mm": float(np.std(first - second) / 2),
        "square_mm2": halves_square_mm2(result, TORCH_BANDS_MM[0] if fine else (2.5, 25.0)),
        "photo_codes": [getattr(e, "code", "?") for e in result.refused],
        "transfer": transfer(result, capture),
        "stated_transfer": [float(v) for v in stated.at(waves)],
        "u_transfer": [float(v) for v in stated.u_at(waves)],
    }  # fmt: skip
    return note | torch_note(result, capture) if fine else note


def halves_square_mm2(result: CaptureResult, band_mm: tuple[float, float] = (2.5, 25.0)) -> float | None:
    """Sq squared in the band from the halves' covariance, over the stated transfer; may be negative; None unsplit.

    The judge's own sum over cosine bins: what a result below its floor reports as "at most" keeps its sign here.
    """
    heights = result.heights
    if heights.halves is None:
        return None
    half = round(EVALUATION_MM / 2 * heights.px_per_mm)
    middle = [n // 2 for n in heights.height_mm.shape]
    cut = tuple(slice(m - half, m + half) for m in middle)
    one, two = (dctn(without_plane(part[cut]), norm="ortho") for part in heights.halves)
    y, x = (np.arange(n) * heights.px_per_mm / (2 * n) for n in one.shape)
    square = y[:, None] ** 2 + x**2
    low, high = (np.exp(-2 * np.pi**2 * (SIGMA_PER_CUTOFF * c) ** 2 * square) for c in band_mm)
    passed = heights.transfer.at(1 / np.sqrt(np.maximum(square, 1e-9)))
    gain = np.where(passed > 0.5, 1 / np.maximum(passed, 0.5), 1.0)
    return float((one * two * (low * (1 - high) * gain) ** 2).sum() / one.size)


def transfer(result: CaptureResult, capture: RenderedCapture) -> list[float]:
    """Estimated over true amplitude (in phase) about each of WAVELENGTHS_MM."""
    if capture.recipe.kind != "angles":
        return _in_phase(*truth_on_map(result, capture), result.heights.px_per_mm)
    true = evaluation_heights(capture.floor)
    factor = round(capture.floor.px_per_mm / result.heights.px_per_mm)
    n = true.shape[0] // factor
    true = cv2.resize(true, (n, n), interpolation=cv2.INTER_AREA)
    middle = result.heights.height_mm.shape[0] // 2
    said = result.heights.height_mm[
        middle - n // 2 : middle - n // 2 + n, middle - n // 2 : middle - n // 2 + n
    ]
    return _in_phase(said.astype(float), true, result.heights.px_per_mm)


def _in_phase(said: FloatArray, true: FloatArray, px_per_mm: float) -> list[float]:
    """Amplitude of one map over another's, in phase, about each of WAVELENGTHS_MM."""
    rows, cols = true.shape
    window = np.outer(np.hanning(rows), np.hanning(cols))
    spectra = [np.fft.rfft2((field - field.mean()) * window) for field in (said, true)]
    per_mm = np.hypot(np.fft.fftfreq(rows, 1 / px_per_mm)[:, None], np.fft.rfftfreq(cols, 1 / px_per_mm))
    curve = []
    for wavelength in WAVELENGTHS_MM:
        near = (per_mm > 1 / wavelength / 1.12) & (per_mm < 1.12 / wavelength)
        own = (np.abs(spectra[1][near]) ** 2).sum()
        curve.append(
            float((spectra[0][near] * spectra[1][near].conj()).real.sum() / own) if own > 0 else float("nan")
        )
    return curve


def run_all(
    work: Callable[[Task], Note],
    tasks: Sequence[Task],
    workers: int,
    lost: Callable[[Task], Note],
    *,
    seconds: float = math.inf,
) -> Iterator[Note]:
    """Notes of all tasks as they are done; `lost` makes the note of a task that killed its worker twice.

    seconds: nothing new is started after so many.
    """
    left, suspects, start = list(tasks), list[Task](), time.monotonic()
    while left and time.monotonic() - start < seconds:
        broken = False
        with ProcessPoolExecutor(min(workers, len(left))) as pool:
            # Only as many as there are workers: whoever is in flight when one dies is suspect, and nobody else.
            flying: dict[Future[Note], Task] = {}
            while (left and not broken) or flying:
                while left and not broken and len(flying) < workers and time.monotonic() - start < seconds:
                    try:
                        flying[pool.submit(work, left[0])] = left[0]
                        del left[0]
                    except BrokenProcessPool:
                        broken = True
                if not flying:
                    break
                for done in wait(flying, return_when=FIRST_COMPLETED).done:
                    task = flying.pop(done)
                    try:
                        yield done.result()
                    except BrokenProcessPool:
                        broken = True
                        suspects.append(task)
    for task in suspects:
        with ProcessPoolExecutor(1) as pool:
            try:
                yield pool.submit(work, task).result()
            except BrokenProcessPool:
                yield lost(task)


def lost_note(job: Job) -> Note:
    """The note of a capture whose worker died."""
    recipe = job.plan.recipe
    note = {"capture": job.name, "mode": job.mode, "kind": recipe.kind, "process": recipe.floor.process,
            "light": recipe.light.kind, "fault": job.plan.fault, "rows": [],
            "crashed": "the worker process died"}  # fmt: skip
    return note | {"form": "single" if recipe.photos else "pair"} if recipe.quick else note


class Record:
    """Notes with what was asked for, as one JSON file, rewritten whole so that it is always readable."""

    def __init__(self, path: Path | None, asked: Note) -> None:
        self.path, self.asked, self.notes = path, asked, list[Note]()
        self._written = -1e9

    def add(self, note: Note) -> None:
        """Add a note; the file follows within a few seconds."""
        self.notes.append(note)
        if time.monotonic() - self._written > 5:
            self.write()

    def write(self) -> None:
        """Write the file now."""
        if self.path is None:
            return
        part = self.path.with_name(self.path.name + ".part")
        part.write_text(json.dumps({"asked": self.asked, "notes": self.notes}))
        part.replace(self.path)
        self._written = time.monotonic()


def read_notes(paths: Sequence[Path]) -> list[Note]:
    """Notes of several files, each capture once (the first file wins)."""
    found: dict[tuple[str, str], Note] = {}
    for path in paths:
        for note in json.loads(path.read_text())["notes"]:
            found.setdefault((note["mode"], note["capture"]), note)
    return list(found.values())
