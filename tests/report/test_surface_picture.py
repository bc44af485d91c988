"""Pictures of patches and aggregate: what is drawn where, in hatches and tones that need no colour."""

from __future__ import annotations

import itertools
from dataclasses import replace

import cv2
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from assessor.report import surface_marks
from assessor.report.record import assessed_record
from assessor.report.surface_marks import COLOURS, Tag, draw_outline, hatch_segments, place_tags
from assessor.report.surface_picture import (
    draw_aggregate,
    draw_patches,
    draw_review,
    particle_outlines,
    picture_names,
    pictures_of,
    shown_floor,
)
from assessor.report.words_surface import GROUPS, Group
from assessor.values import FloatArray, U8Array
from assessor.values.surface import Surface
from tests.fake_surface import (
    fake_aggregate,
    fake_image,
    fake_patch,
    fake_surface,
    ring,
    some_patches,
    square,
)
from tests.fakes import fake_head, fake_photo, fake_result
from tests.report.test_surface_record import record_of


def picture(data: bytes) -> U8Array:
    assert data[:3] == b"\xff\xd8\xff"  # JPEG
    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert image is not None
    return np.asarray(image, np.uint8)


def drawn(surface: Surface) -> U8Array:
    return picture(draw_patches(surface, record_of(surface)))


def test_every_capture_has_the_pictures_that_its_record_names() -> None:
    whole = fake_surface(aggregate=fake_aggregate())
    pictures = pictures_of(whole, record_of(whole))
    assert (
        tuple(pictures) == picture_names(record_of(whole)) == ("patches.jpg", "review.jpg", "aggregate.jpg")
    )
    sizes = [picture(data).shape for data in pictures.values()]
    assert {shape[1] for shape in sizes} == {1200}
    assert max(len(data) for data in pictures.values()) < 1_000_000
    bare = fake_surface(())
    assert picture_names(record_of(bare)) == ("patches.jpg",)
    silent = fake_surface((), aggregate=fake_aggregate(abstained=("few-valid",)))
    assert picture_names(record_of(silent)) == ("patches.jpg",)
    plain = assessed_record(fake_head(), fake_result())
    assert (picture_names(plain), pictures_of(None, plain)) == ((), {})
    with pytest.raises(ValueError, match="only a capture whose surface was judged"):
        draw_patches(bare, plain)
    with pytest.raises(ValueError, match="nothing is claimed of aggregate"):
        draw_aggregate(bare, record_of(bare))


def test_patches_are_drawn_where_they_lie_and_the_review_list_is_not() -> None:
    """A square of 40 mm at (20, 20) against the floor without it: changes lie in and round it, nowhere else."""
    floor = fake_image()
    found = fake_patch(square(20, 20, 40)), fake_patch(square(-40, -40, 10), sure=False)
    with_it = replace(fake_surface(found), image=floor)
    without = replace(fake_surface((fake_patch(square(500, 500, 9)),)), image=floor)
    off = np.abs(drawn(with_it).astype(int) - drawn(without).astype(int)).max(axis=2) > 90
    rows, cols = np.nonzero(off[140:-180])  # without head and legend
    px_per_mm = (1200 - 2 * 0.12 * 160) / 120
    x = (cols - 0.12 * 160) / px_per_mm - 60
    y = 60 - (rows + 140 - (0.62 + 0.34 + 0.12) * 160) / px_per_mm
    assert (x.min(), x.max()) == (pytest.approx(0, abs=1.2), pytest.approx(40, abs=1.2))
    assert y.min() == pytest.approx(0, abs=1.2)
    assert y.max() < 48  # the label stands above the square


def test_every_group_is_told_without_colour() -> None:
    """In grey, each outline has dark beside pale, and the marks of two groups never look alike."""
    looks = {}
    for group in GROUPS:
        figure = Figure(figsize=(2, 2), dpi=100)
        FigureCanvasAgg(figure)
        axes = figure.add_axes((0, 0, 1, 1), xlim=(0, 100), ylim=(0, 100), facecolor="#808080")
        draw_outline(axes, square(50, 50, 80), group, mm_per_point=100 / 144)
        figure.canvas.draw()
        grey = np.asarray(figure.canvas.buffer_rgba())[..., :3].mean(axis=2)  # type: ignore[attr-defined]
        edge = grey[100, :30]
        assert edge.min() < 60
        assert edge.max() > 230
        looks[group] = grey[40:160, 40:160]
    for one, other in itertools.combinations(GROUPS, 2):
        assert np.abs(looks[one] - looks[other]).mean() > 10, (one, other)
    assert len(set(COLOURS.values())) == 2


@pytest.mark.parametrize("group", list(GROUPS))
@pytest.mark.parametrize("size", [0.3, 20.0])
def test_every_patch_however_small_holds_a_mark(group: Group, size: float) -> None:
    segments, width = hatch_segments(group, (10.0, 5.0, 10.0 + size, 5.0 + size), 3.0)
    middle = np.array([10.0 + size / 2, 5.0 + size / 2])
    nearest = min(float(np.abs(piece.mean(axis=0) - middle).max()) for piece in segments)
    assert nearest < 1e-9
    assert width > 0


def boxes_of(outlines: list[FloatArray], monkeypatch: pytest.MonkeyPatch) -> list[Bbox]:
    """Where labels were put."""
    kept: list[Bbox] = []
    best = surface_marks._best_place

    def keep(*arguments: object) -> Bbox:
        kept.append(best(*arguments))  # type: ignore[arg-type]
        return kept[-1]

    monkeypatch.setattr(surface_marks, "_best_place", keep)
    figure = Figure(figsize=(7.5, 7.5), dpi=100)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0, 0, 1, 1), xlim=(-60, 60), ylim=(-60, 60))
    place_tags(axes, [Tag(n, "oil or damp?", outline) for n, outline in enumerate(outlines, start=1)])
    figure.canvas.draw()
    return kept


def test_labels_stay_in_the_picture_and_off_each_other(monkeypatch: pytest.MonkeyPatch) -> None:
    places = [(-55, 55), (55, 55), (55, -55), (0, 0), (9, 2), (2, 12), (-30, -20)]
    found = boxes_of([ring(x, y, 9, 9) for x, y in places], monkeypatch)
    assert len(found) == len(places)
    for one, other in itertools.combinations(found, 2):
        assert not one.overlaps(other)
    assert all(box.x0 >= 0 and box.x1 <= 750 and box.y0 >= 0 and box.y1 <= 750 for box in found)


def test_particles_are_outlined_by_their_own_size() -> None:
    """Discs of 4 and 6 mm diameter: one under 4.75 mm, one over; each outline round its own centre."""
    px_per_mm = 10.0
    rows, cols = np.mgrid[0:300, 0:400]
    labels = np.zeros((300, 400), np.int32)
    labels[np.hypot(rows - 99.5, cols - 99.5) < 20] = 1
    labels[np.hypot(rows - 199.5, cols - 299.5) < 30] = 2
    coarse, small = particle_outlines(
        fake_aggregate(labels=labels, px_per_mm=px_per_mm, x_min_mm=-20.0, y_max_mm=15.0)
    )
    assert (len(coarse), len(small)) == (1, 1)
    assert small[0][:-1].mean(0) == pytest.approx((-10, 5), abs=0.1)
    assert coarse[0][:-1].mean(0) == pytest.approx((10, -5), abs=0.1)
    assert np.ptp(coarse[0], axis=0) == pytest.approx((5.9, 5.9), abs=0.2)


def test_a_dark_floor_is_brightened_and_what_was_not_seen_is_white() -> None:
    image = fake_image()
    dark = replace(
        image, reflectance=np.asarray(image.reflectance) * np.float32(0.2), valid=np.tri(230, 240, dtype=bool)
    )
    shown = shown_floor(dark)
    assert shown.shape == (230, 240, 3)
    assert (shown[0, 100:] == 255).all()
    seen = shown[200, :100].mean()
    assert 90 < seen < 230
    nothing = replace(image, valid=np.zeros((230, 240), bool))
    assert (shown_floor(nothing) == 255).all()


def test_real_photos_carry_no_word_of_rendering_and_pictures_stay_as_wide() -> None:
    surface = fake_surface()
    camera = fake_photo(make="Acme")
    result = replace(fake_result((camera,)), surface=surface)
    real = picture(draw_patches(surface, assessed_record(fake_head((camera,)), result)))
    assert real.shape[0] == pytest.approx(drawn(surface).shape[0] - 0.34 * 160, abs=2)


@pytest.mark.parametrize("shape", [(60, 600), (900, 100)])
def test_long_and_narrow_floors_are_drawn(shape: tuple[int, int]) -> None:
    flat = replace(
        fake_image(),
        reflectance=np.full((*shape, 3), 0.3, np.float32),
        valid=np.ones(shape, bool),
        px_per_mm=0.5,
    )
    surface = replace(fake_surface(some_patches()), image=flat)
    assert drawn(surface).shape[1] == 1200
    assert picture(draw_review(surface, record_of(surface))).shape[1] == 1200
