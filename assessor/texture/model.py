"""The packaged models of the estimate, read once like a table: ONNX weights, what they expect, how they are calibrated.

`models/<name>/` holds weights.onnx, config.json, calibration.json, metrics.json and card.md. In a checkout that folder
lies beside the package; installed, under share/assessor of the environment.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal, TypeVar

import cv2
import numpy as np
import onnxruntime

from assessor.errors import ModelUnusable
from assessor.values import Band, FloatArray

PLACES = (Path(__file__).resolve().parents[2] / "models", Path(sys.prefix) / "share" / "assessor" / "models")
LightState = Literal["lit", "unseen", "unread"]  # a light was read, the tabs show none, nothing could be read


@dataclass(frozen=True, slots=True)
class Calibration:
    """How a model's own standard deviation becomes a 90 % half-width, by what is known of the light.

    half90 = factor x sqrt(sd^2 + floor^2) x (1 + slope x (strangeness - knee) above the knee), octaves. strange_limit:
    squared distance at which nothing is claimed. lay_limit: least strength at which a lay is named, lay_u_deg its
    standard uncertainty there.
    """

    factor: dict[str, float]
    floor: float
    knee: float
    slope: float
    strange_limit: float
    lay_limit: float
    lay_u_deg: float

    def half90(self, sd: float, light: LightState, strangeness: float) -> float:
        """Calibrated 90 % half-width, octaves."""
        return self.factor[light] * float(self.spread(np.array(sd), np.array(strangeness)))

    def spread(self, sd: FloatArray, strangeness: FloatArray) -> FloatArray:
        """What the factor stretches, octaves; any shape."""
        wider = 1 + self.slope * np.maximum(strangeness - self.knee, 0.0)
        return np.asarray(np.hypot(sd, self.floor) * wider)


@dataclass(frozen=True, slots=True)
class Said:
    """What the weights say of a window: log2 Sq with their standard deviation, lay as a vector, squared distance."""

    log2_sq: float
    sd: float
    lay: tuple[float, float]
    distance: float


@dataclass(frozen=True, eq=False)
class Model:
    """One packaged model; title: name and the digest of its weights."""

    title: str
    form: str
    band: Band
    calibration: Calibration
    session: Any

    def ask(self, image: FloatArray, light: FloatArray, photo: FloatArray) -> Said:
        """image (channels, 540, 540), light and photo numbers as `look` makes them."""
        given = {"image": image[None], "light": light[None], "photo": photo[None]}
        normal, lay, distance = self.session.run(["normal", "lay", "distance"], given)
        mean, sd = (float(v) for v in normal[0])
        return Said(mean, sd, (float(lay[0, 0]), float(lay[0, 1])), float(distance[0]))


@dataclass(frozen=True, eq=False)
class Package:
    """A model's files as read: title is its name and the digest of its weights."""

    title: str
    config: dict[str, Any]
    calibration: dict[str, Any]
    session: Any


Made = TypeVar("Made")


def read_package(name: str, make: Callable[[Package], Made]) -> Made:
    """Read a packaged model and make something of it; ModelUnusable where it is missing or broken."""
    folder = next((place / name for place in PLACES if (place / name).is_dir()), None)
    if folder is None:
        raise ModelUnusable(f"there is no model '{name}'", file=str(PLACES[0] / name))
    try:
        config = json.loads((folder / "config.json").read_text(encoding="utf-8"))
        calibration = json.loads((folder / "calibration.json").read_text(encoding="utf-8"))
        weights = (folder / "weights.onnx").read_bytes()
        session = onnxruntime.InferenceSession(weights, _options(), providers=["CPUExecutionProvider"])
        title = f"{name} {hashlib.sha256(weights).hexdigest()[:8]}"
        return make(Package(title, config, calibration, session))
    except (OSError, ValueError, KeyError, TypeError, RuntimeError) as error:
        raise ModelUnusable(f"the model cannot be used ({type(error).__name__})", file=str(folder)) from error


@cache
def load_model(name: str) -> Model:
    """Read a packaged model of the estimate, once a process; ModelUnusable where it is missing or broken."""
    return read_package(name, _model)


def _model(package: Package) -> Model:
    config = package.config
    calibration = Calibration(**package.calibration)
    return Model(package.title, str(config["form"]), Band(*config["band_mm"]), calibration, package.session)


def _options() -> Any:
    """As many threads as OpenCV takes, so that side by side work is not slowed by more threads than cores."""
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = max(cv2.getNumThreads(), 1)
    options.inter_op_num_threads = 1
    options.log_severity_level = 3
    return options
