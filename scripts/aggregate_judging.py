"""What is made of a cut floor by the model and by what anybody would try first, and how far each is off.

A note is one floor: its truth and, per estimator, what it said. Estimators: `model` (the packaged network and
`measure_aggregate`), `otsu` (distance of colour from the paste's, cut by Otsu's rule) and `kmeans` (four clusters of
colour, the largest is paste), both at 0.4 mm a sample; `mean` is the mean truth of the other floors.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

import cv2
import numpy as np
from aggregate_floors import COARSE_MM, EVALUATION_MM, SMALLEST_MM, Cut, area_median, sections
from skimage.filters import threshold_otsu

from assessor.surface.aggregate import AggregateSettings, evaluation_area, measure_aggregate
from assessor.surface.particles import find_particles
from assessor.values import Aggregate, FloatArray, FloorImage, Segments

Note = dict[str, Any]
BASELINES = ("otsu", "kmeans")
QUANTITIES = ("coarse", "visible")
ROUGH_MM = 0.4  # a sample of the baselines, as in the study


def note_of(cut: Cut, segments: Segments | None, settings: AggregateSettings, *, baselines: bool) -> Note:
    """One floor judged."""
    truth = {"coarse": cut.coarse, "visible": cut.visible, "median_mm": cut.median_mm}
    truth["passing"] = passing(cut.sizes_mm, cut.mass, settings.sieves_mm)
    note: Note = {"name": cut.image.name, "family": cut.family, "truth": truth}
    if segments is not None:
        said = measure_aggregate(segments, cut.image, settings)
        assert said is not None
        note["model"] = said_by(said, segments, cut.image)
    if baselines:
        note |= {name: by_colour(cut.image, name) for name in BASELINES}
    return note


def said_by(said: Aggregate, segments: Segments, image: FloorImage) -> Note:
    """What `measure_aggregate` says, as plain values; doubt is the mean variance of a sample's yes or no."""
    area = evaluation_area(image, EVALUATION_MM)
    note: Note = {
        "flags": [*said.flags, *said.abstained],
        "median_mm": median_of(said.labels, said.px_per_mm),
    }
    for name, quantity, map_, around in (
        ("coarse", said.coarse, segments.coarse, said.coarse_around90),
        ("visible", said.visible, segments.visible, said.visible_around90),
    ):
        assert map_ is not None
        note[name] = quantity.value
        note[f"{name}_90"] = [quantity.low90, quantity.high90]
        note[f"{name}_around"] = list(around)
        note[f"{name}_doubt"] = float((map_ * (1 - map_))[area].mean())
    note["passing"] = [[row.passing, row.low90, row.high90] for row in said.sizes]
    return note


def passing(sizes_mm: FloatArray, mass: FloatArray, sieves_mm: Sequence[float]) -> list[float]:
    """Share of the area of whole sections under each sieve; empty without sections."""
    return [float(mass[sizes_mm < sieve].sum() / mass.sum()) for sieve in sieves_mm] if len(sizes_mm) else []


def median_of(labels: np.ndarray, px_per_mm: float) -> float | None:
    """Median diameter by area of the whole particles, mm."""
    sizes, mass = sections(labels, px_per_mm)
    return area_median(sizes, mass) if len(sizes) else None


def by_colour(image: FloorImage, how: str) -> Note:
    """Stones as what differs in colour from the paste, without any model."""
    factor = 1 / (ROUGH_MM * image.px_per_mm)
    rows, cols = (max(round(n * factor), 8) for n in image.valid.shape)
    way = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    small = cv2.resize(np.asarray(image.reflectance), (cols, rows), interpolation=way)
    colour = np.log(np.clip(small, 0.005, 4)).reshape(-1, 3).astype(np.float32)
    stone = (_otsu(colour) if how == "otsu" else _clusters(colour)).reshape(rows, cols)
    valid = cv2.resize(image.valid.astype(np.uint8), (cols, rows), interpolation=cv2.INTER_NEAREST) > 0
    found = find_particles(stone.astype(float), None, valid, 1 / ROUGH_MM, smallest_mm=SMALLEST_MM)
    diameter = np.concatenate([[0.0], found.diameter_mm])[found.labels]
    grid = FloorImage(image.name, small, valid, 1 / ROUGH_MM, image.x_min_mm, image.y_max_mm)
    area = evaluation_area(grid, EVALUATION_MM) & valid
    return {
        "coarse": float((diameter > COARSE_MM)[area].mean()),
        "visible": float((diameter >= SMALLEST_MM)[area].mean()),
        "median_mm": median_of(found.labels, 1 / ROUGH_MM),
    }


def _otsu(colour: FloatArray) -> np.ndarray:
    """Distance from the modal colour over Otsu's threshold."""
    grey = colour.mean(1)
    counts, edges = np.histogram(grey, 48)
    k = int(counts.argmax())
    paste = np.median(colour[(grey >= edges[k]) & (grey <= edges[k + 1])], axis=0)
    distance = np.linalg.norm(colour - paste, axis=1)
    return np.asarray(distance > threshold_otsu(distance))


def _clusters(colour: FloatArray) -> np.ndarray:
    """Everything but the largest of four clusters."""
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 1e-3)
    cv2.setRNGSeed(1)
    _, of, _ = cv2.kmeans(colour, 4, None, stop, 2, cv2.KMEANS_PP_CENTERS)
    of = of.ravel()
    return np.asarray(of != np.bincount(of).argmax())


def with_mean(notes: Sequence[Note]) -> list[Note]:
    """The notes with what predicting the mean of the other floors gives."""
    made = []
    for k, note in enumerate(notes):
        rest = [other["truth"] for n, other in enumerate(notes) if n != k]
        mean = {q: float(np.mean([t[q] for t in rest])) if rest else 0.0 for q in QUANTITIES}
        made.append(note | {"mean": mean | {"median_mm": None}})
    return made


def errors(notes: Iterable[Note], who: str, quantity: str) -> FloatArray:
    """Said less true."""
    return np.array([note[who][quantity] - note["truth"][quantity] for note in notes if who in note])


def figures(notes: Sequence[Note], who: str, quantity: str) -> str:
    """MAE with 95 % limits by bootstrap over floors, bias, 90th percentile and, of the model, coverage and width."""
    off = errors(notes, who, quantity)
    if not len(off):
        return "-"
    low, high = limits(np.abs(off))
    words = f"MAE {np.abs(off).mean():.3f} ({low:.3f}-{high:.3f})  bias {off.mean():+.3f}"
    words += f"  p90 {np.quantile(np.abs(off), 0.9):.3f}"
    if who == "model":
        held = [note[who][f"{quantity}_90"] for note in notes]
        truth = [note["truth"][quantity] for note in notes]
        inside = np.mean([a <= t <= b for (a, b), t in zip(held, truth, strict=True)])
        words += (
            f"  90 % interval holds {inside:.3f}, half-width {np.median([(b - a) / 2 for a, b in held]):.3f}"
        )
    return words


def limits(values: FloatArray, how: Callable[..., Any] = np.mean) -> tuple[float, float]:
    """95 % limits of a mean by bootstrap."""
    rng = np.random.default_rng(0)
    drawn = how(values[rng.integers(len(values), size=(2000, len(values)))], axis=1)
    low, high = np.quantile(drawn, [0.025, 0.975])
    return float(low), float(high)


def fit_terms(notes: Sequence[Note], quantity: str) -> tuple[float, float, float]:
    """u_model and doubt factor whose normal 90 % interval holds 90 % of the floors; last: the log likelihood a floor.

    Of all such pairs the likeliest, so that the width goes where the errors are.
    """
    off = errors(notes, "model", quantity)
    doubt = np.array([note["model"][f"{quantity}_doubt"] for note in notes])
    best = (0.0, 0.0, -np.inf)
    for angle in np.linspace(0, 1, 21):
        shape = np.hypot((1 - angle) * 0.05, angle * 0.7 * doubt)
        scale = float(np.quantile(np.abs(off) / shape, 0.9)) / 1.6449
        u = scale * shape
        told = float(np.mean(-0.5 * (off / u) ** 2 - np.log(u)))
        if told > best[2]:
            best = (float(scale * (1 - angle) * 0.05), float(scale * angle * 0.7), told)
    return best


def fit_passing(notes: Sequence[Note], sieves_mm: Sequence[float]) -> float:
    """Standard uncertainty of a sieve's passing share from outlines that are wrong: 90 % of the errors, normal."""
    off = [
        abs(said[0] - true)
        for note in notes
        if note["model"]["passing"] and note["truth"]["passing"]
        for said, true in zip(note["model"]["passing"], note["truth"]["passing"], strict=True)
        if 0 < true < 1
    ]
    return float(np.quantile(off, 0.9)) / 1.6449 if off else 0.0
