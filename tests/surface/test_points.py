"""Point counts: Wilson's interval against tables and scipy, area by points on known floors, the page and the sheet."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from scipy.stats import binomtest

from assessor.counting import PointsRequest, read_count, read_grid, write_points
from assessor.errors import BadCount, BadGrid, CardNotFound, NoPhotos, OutputNotWritable
from assessor.report.point_sheet import CHOICES
from assessor.report.words_points import compared_words, count_words
from assessor.simulate.stones import make_stones
from assessor.surface.points import (
    MARKS,
    compare_count,
    count_points,
    counted_fraction,
    point_grid,
    wilson,
)

ROOT = Path(__file__).parent.parent.parent
PHOTO = ROOT / "calibration_images/photos/bay16-flush-pair"


def test_wilson_is_what_the_tables_say() -> None:
    """domain.md, check value 28: 95 %, 40 of 100 and 30 of 30."""
    assert wilson(40, 100, 0.95) == pytest.approx((0.3094, 0.4980), abs=5e-5)
    assert wilson(30, 30, 0.95)[0] == pytest.approx(0.8865, abs=5e-5)
    assert wilson(30, 30, 0.95)[1] == 1.0
    assert wilson(0, 30)[0] == 0.0


@pytest.mark.parametrize("hits, points", [(0, 9), (1, 9), (17, 100), (50, 100), (399, 400), (400, 400)])
@pytest.mark.parametrize("level", [0.8, 0.9, 0.95, 0.99])
def test_wilson_is_what_scipy_says(hits: int, points: int, level: float) -> None:
    theirs = binomtest(hits, points).proportion_ci(level, method="wilson")
    assert wilson(hits, points, level) == pytest.approx((theirs.low, theirs.high), abs=1e-12)


def test_wilson_of_many_points_is_the_standard_error() -> None:
    """domain.md, check value 26: p 0.40, n 1350 has SE 0.01333; 0.65, 400 has 0.02385."""
    for hits, points, error in ((540, 1350, 0.01333), (260, 400, 0.02385)):
        low, high = wilson(hits, points, 0.95)
        assert (high - low) / 2 / 1.95996 == pytest.approx(error, rel=0.01)


def test_a_share_must_be_one() -> None:
    for hits, points in ((-1, 10), (11, 10), (0, 0)):
        with pytest.raises(ValueError, match="is no share"):
            wilson(hits, points)


def test_points_on_an_edge_count_one_half() -> None:
    count = count_points(
        ["coarse"] * 3 + ["coarse-edge"] * 2 + ["fine"] * 4 + ["fine-edge"] + ["paste"] * 10, 10.8
    )
    assert (count.coarse.hits, count.coarse.points) == (4.0, 20)
    assert count.visible is not None
    assert count.visible.hits == 8.5
    assert count.coarse.value == 0.2


def test_points_that_nobody_can_tell_widen_the_limits_both_ways() -> None:
    plain = count_points(["coarse"] * 30 + ["paste"] * 60)
    doubtful = count_points(["coarse"] * 30 + ["paste"] * 60 + ["unclear"] * 10)
    assert doubtful.coarse.value == plain.coarse.value
    assert doubtful.coarse.low90 <= wilson(30, 100)[0]
    assert doubtful.coarse.high90 == wilson(40, 100)[1]
    with pytest.raises(ValueError, match="no point could be told"):
        count_points(["unclear"] * 4)


def test_the_grid_is_regular_and_numbered_as_one_reads() -> None:
    grid = point_grid(10, 10)
    assert len(grid.points_mm) == 100
    assert grid.points_mm[0] == pytest.approx((-48.6, 48.6))
    assert grid.points_mm[1] == pytest.approx((-37.8, 48.6))
    assert grid.points_mm[99] == pytest.approx((48.6, -48.6))
    assert grid.spacing_mm == pytest.approx(10.8)


def count_on(labels: np.ndarray, n: int) -> tuple[int, int]:
    """Hits of an n x n grid of `point_grid` on a floor of 108 mm."""
    px_per_mm = labels.shape[0] / 108
    x, y = point_grid(n, n).points_mm.T
    rows, cols = ((54 - y) * px_per_mm).astype(int), ((x + 54) * px_per_mm).astype(int)
    return int((labels[rows, cols] > 0).sum()), n * n


def test_points_tell_area_and_wilson_holds_the_floor_where_points_are_far_apart() -> None:
    """Delesse: area fraction = point fraction. Stones of at most 9 mm, points 10.8 mm apart, cut from larger floors."""
    rng = np.random.default_rng(2)
    off, held_picture, held_floor = [], [], []
    for _ in range(15):
        whole = make_stones(648, 2.0, rng, fraction=0.3, largest_mm=9.0, standing=0.0).labels
        floor = (whole > 0).mean()
        for corner in ((0, 0), (0, 1), (1, 0), (1, 1)):
            at = tuple(slice(c * 324 + 54, c * 324 + 270) for c in corner)
            hits, points = count_on(whole[at], 10)
            low, high = wilson(hits, points)
            off.append(hits / points - (whole[at] > 0).mean())
            held_picture.append(low <= (whole[at] > 0).mean() <= high)
            held_floor.append(low <= floor <= high)
    assert abs(np.mean(off)) < 0.018  # 60 counts of 100: standard error 0.006
    assert np.mean(held_picture) >= 0.8
    assert np.mean(held_floor) >= 0.8  # 90 % of 60 scatters by 4 %


def test_points_nearer_than_stones_are_wide_narrow_the_limits_too_much() -> None:
    """A dense grid tells the picture better than Wilson says, and the floor around worse."""
    rng = np.random.default_rng(3)
    picture, floor = [], []
    for _ in range(60):
        whole = make_stones(432, 2.0, rng, fraction=0.3, largest_mm=30.0, standing=0.0).labels
        part = whole[108:324, 108:324]
        hits, points = count_on(part, 20)
        low, high = wilson(hits, points)
        picture.append(low <= (part > 0).mean() <= high)
        floor.append(low <= (whole > 0).mean() <= high)
    assert np.mean(picture) > 0.95
    assert np.mean(floor) < 0.75


def test_count_and_picture_are_compared_with_both_uncertainties() -> None:
    counted = counted_fraction(34, 100)
    assert compare_count(counted, (0.30, 0.22, 0.38)).agree
    assert not compare_count(counted, (0.10, 0.04, 0.16)).agree
    # Two equal symmetric halves join in quadrature.
    halves = compare_count(counted_fraction(50, 100), (0.5, *wilson(50, 100)))
    half = 0.5 - wilson(50, 100)[0]
    assert (halves.low90, halves.high90) == pytest.approx((-half * 2**0.5, half * 2**0.5))
    assert "DIFFER" in compared_words("coarse", (0.1, 0.04, 0.16), compare_count(counted, (0.10, 0.04, 0.16)))


@pytest.mark.parametrize("text", ["34/10", "1/0", "x", "3/x", "-1/5"])
def test_a_count_that_is_none_is_refused(text: str, tmp_path: Path) -> None:
    with pytest.raises(BadCount):
        read_count(text if "/" in text else str(tmp_path / text))


@pytest.mark.parametrize(
    "text, why", [("10", "no grid"), ("2x9", "3 to 20"), ("10x21", "3 to 20"), ("axb", "no grid")]
)
def test_a_grid_that_is_none_is_refused(text: str, why: str) -> None:
    with pytest.raises(BadGrid, match=why):
        read_grid(text)


def saved(**changed: object) -> str:
    """What the page saves."""
    base = {
        "kind": "point-count", "version": 1, "photo": "a.jpg", "photo_sha256": "00", "serial": 1, "rows": 3, "cols": 3,
        "spacing_mm": 36.0, "rendered": True, "marks": ["coarse"] * 3 + ["paste"] * 5 + [None],
    }  # fmt: skip
    return json.dumps(base | changed)


def test_a_saved_count_is_read(tmp_path: Path) -> None:
    file = tmp_path / "count.json"
    file.write_text(saved())
    report = read_count(str(file))
    assert (report.count.coarse.hits, report.count.coarse.points, report.unmarked) == (3, 8, 1)
    lines = count_words(report.count, unmarked=report.unmarked)
    assert "3 of 8 points = 0.38" in lines[0]
    assert any("1 points are not marked" in line for line in lines)


@pytest.mark.parametrize(
    "changed, why",
    [
        ({"kind": "x"}, "no saved count"),
        ({"marks": ["coarse"]}, "1 marks do not fit a grid of 3 x 3"),
        ({"marks": ["stone"] * 9}, "no saved count"),
        ({"marks": [None] * 9}, "no point of this count could be told"),
        ({"rows": 10**9}, "no saved count"),
    ],
)
def test_a_broken_saved_count_is_refused(tmp_path: Path, changed: dict[str, object], why: str) -> None:
    file = tmp_path / "count.json"
    file.write_text(saved(**changed))
    with pytest.raises(BadCount, match=why):
        read_count(str(file))
    file.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadCount, match="cannot be read as text"):
        read_count(str(file))


def test_the_page_stands_alone_and_holds_every_point_and_choice(tmp_path: Path) -> None:
    written = write_points(PointsRequest(PHOTO, tmp_path / "p.html", "6x5"))
    page = written.path.read_text(encoding="utf-8")
    given = json.loads(re.search(r'id="given">(.*?)</script>', page, re.DOTALL)[1])  # type: ignore[index]
    assert len(given["points"]) == 30
    assert [choice["mark"] for choice in given["choices"]] == list(MARKS) == [mark for mark, *_ in CHOICES]
    assert given["z"] == pytest.approx(1.644854, abs=1e-6)
    assert given["facts"]["rendered"] is True
    assert "RENDERED PHOTO" in page
    assert not re.search(r"""(src|href)\s*=\s*["']?(https?:)?//""", page)
    assert "data:image/jpeg;base64," in page
    # What the page saves is what `--counted` reads.
    facts = {"kind": "point-count", "version": 1, **given["facts"], "marks": ["coarse"] * 10 + ["paste"] * 20}
    (tmp_path / "c.json").write_text(json.dumps(facts))
    assert read_count(str(tmp_path / "c.json")).count.coarse.value == pytest.approx(1 / 3)


def test_the_sheet_prints_every_point_and_box(tmp_path: Path) -> None:
    written = write_points(PointsRequest(PHOTO, tmp_path / "p.pdf", "7x7"))
    document = pypdfium2.PdfDocument(written.path.read_bytes())
    first, second = (page.get_textpage().get_text_range() for page in document)
    for text in (first, second):
        numbers = set(re.findall(r"\b\d+\b", text))
        assert {str(k) for k in range(1, 50)} <= numbers
    assert "RENDERED" in first
    assert "(C + half of C/) over n" in second
    low, high = wilson(round(49 * 0.35), 49)
    assert f"{low:.2f}" in second
    assert f"{high:.2f}" in second


def test_what_cannot_be_counted_on_is_refused(tmp_path: Path) -> None:
    with pytest.raises(OutputNotWritable, match=r"\.pdf or an \.html"):
        write_points(PointsRequest(PHOTO, tmp_path / "p.png"))
    with pytest.raises(NoPhotos):
        write_points(PointsRequest(tmp_path / "none.jpg", tmp_path / "p.pdf"))
    from PIL import Image  # noqa: PLC0415

    Image.new("RGB", (900, 700), "grey").save(tmp_path / "grey.jpg")
    with pytest.raises(CardNotFound, match=r"grey\.jpg"):
        write_points(PointsRequest(tmp_path / "grey.jpg", tmp_path / "p.pdf"))
