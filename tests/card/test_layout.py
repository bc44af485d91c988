"""The card's geometry and its description in numbers, checked without any of the drawing code."""

from __future__ import annotations

import itertools
import json

import cv2
import numpy as np
import pytest

from assessor.card.describe import describe_card
from assessor.card.layout import PAPERS_MM, SERIAL_COUNT, CardLayout, Rectangle, card_layout
from assessor.card.raster import card_raster

SERIAL = 0xA53C  # unlike halves, so that a swap shows


def marker_box(marker) -> Rectangle:
    corners = marker.corners_mm()
    return Rectangle(*corners.min(axis=0), *corners.max(axis=0))


def tab_box(tab) -> Rectangle:
    points = np.array([*tab.base_mm, tab.tip_flat_mm])
    return Rectangle(*points.min(axis=0), *points.max(axis=0))


def parts(layout: CardLayout) -> list[tuple[str, Rectangle]]:
    """Everything printed or cut, as upright boxes."""
    return [
        ("window", layout.window),
        *((f"marker {n}", marker_box(m)) for n, m in enumerate(layout.markers)),
        *((f"step {n}", s.area) for n, s in enumerate(layout.steps)),
        *((t.name, tab_box(t)) for t in layout.tabs),
        *(
            (f"{bar.name} {n}", area)
            for bar in (layout.bar_along, layout.bar_across)
            for n, area in enumerate(bar.strokes())
        ),
    ]


def gap_mm(a: Rectangle, b: Rectangle) -> float:
    """Distance between two boxes, mm; negative where they overlap."""
    dx = max(a.x_min_mm, b.x_min_mm) - min(a.x_max_mm, b.x_max_mm)
    dy = max(a.y_min_mm, b.y_min_mm) - min(a.y_max_mm, b.y_max_mm)
    return max(dx, dy) if dx <= 0 or dy <= 0 else float(np.hypot(dx, dy))


def inside(inner: Rectangle, outer: Rectangle) -> bool:
    return (
        outer.x_min_mm <= inner.x_min_mm <= inner.x_max_mm <= outer.x_max_mm
        and outer.y_min_mm <= inner.y_min_mm <= inner.y_max_mm <= outer.y_max_mm
    )


def test_no_two_parts_touch() -> None:
    for (name_a, a), (name_b, b) in itertools.combinations(parts(card_layout(SERIAL)), 2):
        if name_a.split()[0] == name_b.split()[0] in {"along", "across"}:
            continue  # a bar joins its own ticks
        assert gap_mm(a, b) > 0.5, (name_a, name_b)


def test_markers_have_a_white_margin() -> None:
    everything = parts(card_layout(SERIAL))
    for name, area in everything:
        if name.startswith("marker"):
            nearest = min(gap_mm(area, other) for other_name, other in everything if other_name != name)
            assert nearest >= 1.84, name  # the bar across: 2 mm to its middle, half its width less


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
def test_everything_lies_in_the_extent_and_clear_of_the_paper_edge(paper: str) -> None:
    layout = card_layout(SERIAL)
    assert all(inside(area, layout.extent) for _, area in parts(layout))
    half_w, half_h = (side / 2 for side in PAPERS_MM[paper])
    printable = Rectangle(-half_w + 4.5, -half_h + 4.5, half_w - 4.5, half_h - 4.5)
    assert inside(layout.extent, printable)


def test_white_ring_round_the_window_is_empty() -> None:
    ring = [
        Rectangle(-73, 60.5, 73, 73),
        Rectangle(-73, -73, 73, -60.5),
        Rectangle(-73, -73, -60.5, 73),
        Rectangle(60.5, -73, 73, 73),
    ]
    for name, area in parts(card_layout(SERIAL)):
        if name != "window":
            assert all(gap_mm(area, side) >= 0 for side in ring), name


def test_bars_are_as_long_as_they_say() -> None:
    for bar in (card_layout().bar_along, card_layout().bar_across):
        assert np.hypot(*np.subtract(bar.end_mm, bar.start_mm)) == pytest.approx(bar.length_mm)
        _, start, end = bar.strokes()
        centres = [((t.x_min_mm + t.x_max_mm) / 2, (t.y_min_mm + t.y_max_mm) / 2) for t in (start, end)]
        assert np.hypot(*np.subtract(*centres)) == pytest.approx(bar.length_mm)


def test_folding_keeps_a_tab_its_length() -> None:
    for tab in card_layout().tabs:
        middle = np.mean(tab.base_mm, axis=0)
        assert tab.tip_mm[:2] == pytest.approx(middle)
        assert tab.tip_mm[2] == pytest.approx(np.hypot(*(np.array(tab.tip_flat_mm) - middle)))


@pytest.mark.parametrize("serial", [0, 1, 255, 256, 65535, SERIAL])
def test_serial_comes_back_from_the_ids_as_the_description_says(serial: int) -> None:
    markers = describe_card(card_layout(serial), "a4")["markers"]
    ids = {
        role: {m["id"] for m in markers if m["role"] == role}
        for role in ("serial-high", "serial-low", "ring", "large")
    }
    (high,), (low,) = ids["serial-high"], ids["serial-low"]
    assert 256 * (high - 300) + (low - 300) == serial
    assert ids["ring"] == set(range(24))
    assert ids["large"] == set(range(28, 36))


@pytest.mark.parametrize("serial", [-1, SERIAL_COUNT])
def test_serial_out_of_range_is_refused(serial: int) -> None:
    with pytest.raises(ValueError, match="serial must be 0-65535"):
        card_layout(serial)


def test_description_is_plain_json_with_stated_corners() -> None:
    layout = card_layout(SERIAL)
    card = json.loads(json.dumps(describe_card(layout, "letter")))
    assert card["schema"] == "assessor-card/1"
    assert card["paper"]["page_origin_mm"] == [107.95, 139.7]
    assert card["corner_order"] == ["top left", "top right", "bottom right", "bottom left"]
    assert len(card["markers"]) == len(layout.markers) == 36
    for row, marker in zip(card["markers"], layout.markers, strict=True):
        (x0, y0), (x1, y1) = row["corners_mm"][0], row["corners_mm"][2]
        assert (x1 - x0, y0 - y1) == (row["side_mm"], row["side_mm"])
        np.testing.assert_array_equal(row["corners_mm"], marker.corners_mm())


def test_description_refuses_an_unknown_paper() -> None:
    with pytest.raises(ValueError, match="paper must be one of a4, letter, not 'a5'"):
        describe_card(card_layout(), "a5")


# The AprilTag 36h11 family as published (AprilTag 2, tag36h11.c, codes 0-11, row by row from the top left).
# OpenCV draws the same tags turned by half.
PUBLISHED_36H11 = (
    0xD5D628584, 0xD97F18B49, 0xDD280910E, 0xE479E9C98, 0xEBCBCA822, 0xF31DAB3AC,
    0x056A5D085, 0x10652E1D4, 0x22B1DFEAD, 0x265AD0472, 0x34FE91B86, 0x3FF962CD5,
)  # fmt: skip


def test_bits_are_those_of_the_published_family() -> None:
    by_id = {m["id"]: np.array(m["bits"]) for m in describe_card(card_layout(), "a4")["markers"]}
    for marker_id, code in enumerate(PUBLISHED_36H11):
        inner = np.rot90(by_id[marker_id][1:7, 1:7], 2).ravel()
        assert int("".join(map(str, inner)), 2) == code
    for bits in by_id.values():
        assert bits.sum() == bits[1:7, 1:7].sum(), "the border is black"


def stranger_draws(card: dict, px_per_mm: float) -> np.ndarray:
    """A renderer that knows nothing but the JSON: markers, steps, bars on white, 4 x 4 samples a pixel."""
    fine = px_per_mm * 4
    width, height = (round(card["paper"][side] * px_per_mm) * 4 for side in ("width_mm", "height_mm"))
    x = (np.arange(width) + 0.5 - width / 2) / fine
    y = (height / 2 - np.arange(height) - 0.5) / fine
    image = np.full((height, width), 255, np.uint8)

    def paint(area: dict, byte: int) -> None:
        cols = np.flatnonzero((x > area["x_min_mm"]) & (x < area["x_max_mm"]))
        rows = np.flatnonzero((y > area["y_min_mm"]) & (y < area["y_max_mm"]))
        image[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1] = byte

    for marker in card["markers"]:
        (left, top), (right, bottom) = marker["corners_mm"][0], marker["corners_mm"][2]
        cols = np.flatnonzero((x > left) & (x < right))
        rows = np.flatnonzero((y < top) & (y > bottom))
        col_cell = np.floor((x[cols] - left) / (right - left) * 8).astype(int)
        row_cell = np.floor((top - y[rows]) / (top - bottom) * 8).astype(int)
        image[np.ix_(rows, cols)] = np.array(marker["bits"])[np.ix_(row_cell, col_cell)] * 255
    for step in card["steps"]:
        paint(step["area"], step["srgb_byte"])
    for bar in card["check_bars"]:
        for area in bar["rectangles"]:
            paint(area, 0)
    return cv2.resize(image, (width // 4, height // 4), interpolation=cv2.INTER_AREA)


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
def test_a_stranger_draws_the_card_from_the_json_alone(paper: str) -> None:
    layout, px_per_mm = card_layout(SERIAL), 5.0
    drawn = stranger_draws(json.loads(json.dumps(describe_card(layout, paper))), px_per_mm).astype(float)
    ours = card_raster(layout, px_per_mm, PAPERS_MM[paper]).astype(float)
    assert drawn.shape == ours.shape
    # Edges may round to the next quarter pixel, nothing may differ by more
    assert np.abs(drawn - ours).max() <= 255 * (1 - 0.75**2) + 1
    assert np.abs(drawn - ours).mean() < 0.5
    found = detect_ids(drawn.astype(np.uint8))
    assert found == sorted(m.id for m in layout.markers)


def detect_ids(image: np.ndarray) -> list[int]:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    _, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(image)
    return sorted(int(i) for i in np.ravel(ids))
