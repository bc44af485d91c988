"""Quick captures under path-traced light, and the quick captures that lie in the path-traced calibration images."""

from __future__ import annotations

import time
import traceback
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from types import ModuleType
from typing import Any

import cv2
import numpy as np
from judging import Job, Note
from judging_quick import How, assess_quick, judge_quick

from assessor.card.bars import scale_from_bars
from assessor.card.decode import decode_photo
from assessor.evaluation import TruthRow
from assessor.simulate.capture import CaptureRecipe, plan_shots
from assessor.simulate.catalogue import MEASURED_SHAPES, Planned
from assessor.simulate.floors import make_floor
from assessor.simulate.light import LightRecipe, true_lights
from assessor.simulate.quick_catalogue import plan_pair, plan_single, tags_of
from assessor.simulate.truth import TruthRow as SimulatedRow
from assessor.simulate.truth import quick_rows
from assessor.values import FloatArray

SCRIPTS = Path(__file__).resolve().parent
PLANS = {"single": plan_single, "pair": plan_pair}
TRACED = "path tracer"


@dataclass(frozen=True, slots=True)
class TracedLight:
    """Lights floors by path tracing, with the arguments of `light_floor`; torch is loaded where it is needed."""

    paths: int
    device: str

    def __call__(self, *args: Any, **more: Any) -> FloatArray:
        from path_tracer import light_floor as traced  # noqa: PLC0415 - needs torch

        return traced(*args, paths=self.paths, device=self.device, **more)


def plan_traced(
    form: str, count: int, seed: int, *, data: Path | None, first: int = 0, small: bool = False
) -> list[Job]:
    """Captures `first` to `count` for the path tracer: measured albedo all, measured grit and rock every other one.

    The k-th depends on seed and data only. Without data the albedo is paste and no shape is measured.
    """
    kept: dict[bool, list[Planned]] = {True: [], False: []}
    plans = iter(PLANS[form](60 * count + 200, seed, data_dir=data, small=small))
    jobs = []
    for k in range(count):
        real = data is not None and k % 2 == 0
        while not kept[real]:
            plan = next(plans)
            if data is None or plan.recipe.floor.albedo != "paste":
                kept[plan.recipe.floor.process in MEASURED_SHAPES].append(plan)
        plan = kept[real].pop(0)
        if k >= first:
            jobs.append(Job(replace(plan, recipe=_white(plan.recipe, k)), "set", small))
    return jobs


def _white(recipe: CaptureRecipe, k: int) -> CaptureRecipe:
    """The path tracer leaves the colour of a sky or room out, so there is none."""
    start, _, process = recipe.name.split("-")
    return replace(recipe, name=f"x{start}-{k:03d}-{process}", light=_white_light(recipe.light))


def _white_light(light: LightRecipe) -> LightRecipe:
    room = None if light.room is None else _white_light(light.room)
    return replace(light, ambient_rgb=(1.0, 1.0, 1.0), room=room)


@dataclass(frozen=True, slots=True)
class BayTask:
    """Some photos of one calibration capture, by index, as a quick capture of their own."""

    recipe: CaptureRecipe
    bars_mm: tuple[float, float]
    split: str
    members: tuple[int, ...]
    folder: Path

    @property
    def name(self) -> str:
        """bay8-ground-torch+2+6 are its photos 2 and 6, counted from 0."""
        return "+".join([self.recipe.name, *map(str, self.members)])


Task = Job | BayTask


def plan_bays(folder: Path, *, splits: Sequence[str]) -> list[BayTask]:
    """Every lit photo of the calibration captures by itself, and every two with the torch on opposite sides.

    Only captures of these splits whose photos the folder holds. Nobody looks at `never-tuned` ones while tuning.
    """
    program = calibration_program()
    tasks = []
    for recipe, split in program.EVERY:
        if split not in splits or not (folder / "photos" / recipe.name).is_dir():
            continue
        lights = recipe.torch.lights if recipe.torch else 0
        members = [(k,) for k in range(lights or recipe.photos)]
        members += [(k, k + lights // 2) for k in range(lights // 2)]
        tasks += [BayTask(recipe, program.BARS_MM, split, own, folder) for own in members]
    return tasks


@cache
def calibration_program() -> ModuleType:
    """`render_calibration`, for the recipes of the calibration captures."""
    spec = spec_from_loader(
        "render_calibration", SourceFileLoader("render_calibration", str(SCRIPTS / "render_calibration"))
    )
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@cache
def rows_of_floor(recipe: CaptureRecipe) -> tuple[SimulatedRow, ...]:
    """What is true of the floor that a capture was rendered over, made anew from its recipe."""
    return tuple(quick_rows(make_floor(recipe.floor, np.random.default_rng([recipe.seed, 0]))))


def judge_traced(task: Task, how: How) -> Note:
    """Judge one capture, rendered here or of the calibration images; never raises."""
    if isinstance(task, Job):
        return judge_quick(task, how) | {"renderer": TRACED}
    note = {
        "capture": task.name, "mode": "set", "kind": "single" if len(task.members) == 1 else "torch",
        "form": "single" if len(task.members) == 1 else "pair", "process": task.recipe.floor.process,
        "light": task.recipe.light.kind, "fault": "none", "rows": [], "tags": dict(tags_of(task.recipe)),
        "renderer": "calibration images",
    }  # fmt: skip
    try:
        return note | _judge_bay(task, how)
    except Exception:
        return note | {"crashed": traceback.format_exc()}


def _judge_bay(task: BayTask, how: How) -> Note:
    cv2.setNumThreads(1)
    files = sorted((task.folder / "photos" / task.recipe.name).iterdir(), key=_number)
    shots = plan_shots(task.recipe, np.random.default_rng([task.recipe.seed, 2]))
    kind = "single" if len(task.members) == 1 else "torch"
    rows = [
        TruthRow(task.name, kind, task.recipe.floor.process, task.split, True, **asdict(row))
        for row in rows_of_floor(task.recipe)
    ]
    start = time.process_time()
    photos = [decode_photo(files[k].read_bytes(), files[k].name) for k in task.members]
    note: Note = {
        "decode_s": time.process_time() - start,
        "true_lights": [
            [
                [one.azimuth_deg, one.elevation_deg, one.share, one.half_angle_deg]
                for one in true_lights(light)
            ]
            for k in task.members
            for light in [shots[k][1].light or task.recipe.light]
        ],
    }
    return note | assess_quick(photos, scale_from_bars(*task.bars_mm), rows, how)


def _number(file: Path) -> int:
    return int(file.stem.rsplit("-", 1)[1])


def lost_task(task: Task) -> Note:
    """The note of a task whose worker died."""
    of = task.plan.recipe if isinstance(task, Job) else task.recipe
    return {"capture": task.name, "mode": "set", "kind": of.kind, "form": "single" if of.photos else "pair",
            "process": of.floor.process, "light": of.light.kind, "fault": "none", "rows": [], "tags": {},
            "crashed": "the worker process died"}  # fmt: skip
