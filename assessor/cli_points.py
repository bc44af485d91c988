"""The command `points`: a sheet to count stones on by eye, and what a count says."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from assessor import counting
from assessor.counting import CountReport, PointsRequest
from assessor.report.words_points import compared_words, count_words

_POINTS = PointsRequest(source=Path())


def points(
    source: Annotated[
        Path | None,
        typer.Argument(help="A photo with the card, or the folder of one spot.", show_default=False),
    ] = None,
    *,
    out: Annotated[
        Path, typer.Option(help="File to write: .html to tap on a phone, .pdf to print.")
    ] = _POINTS.out,
    grid: Annotated[str, typer.Option(help="Points as rows x columns.")] = _POINTS.grid,
    measured_bars: Annotated[
        tuple[float, float] | None,
        typer.Option(help="Tape readings of the check bars in mm: along, then across (249.1 179.6)."),
    ] = _POINTS.measured_bars,
    counted: Annotated[
        str | None,
        typer.Option(help="A count made: the JSON that the page saved, or coarse/points such as 34/100."),
    ] = None,
    assessment: Annotated[
        Path | None,
        typer.Option(help="With --counted: an assessment.json (or its folder) to hold it against."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of words.")] = False,
) -> None:
    """Check exposed aggregate by eye: draw a grid of points over the window, or say what a count of them means.

    With a photo: writes a page or a sheet to count on. With --counted: prints the fraction with its 90 % interval and,
    with --assessment, whether count and picture agree. Neither is a grade.
    """
    if (source is None) == (counted is None):
        raise typer.BadParameter("give a photo to count on, or a count with --counted, one of the two")
    if source is not None:
        written = counting.write_points(PointsRequest(source, out, grid, measured_bars))
        if as_json:
            print(json.dumps({"file": str(written.path), "photo": written.photo_name}))
            return
        spacing = written.grid.spacing_mm
        print(
            f"{written.path}: {len(written.grid.points_mm)} points on {written.photo_name}, {spacing:.1f} mm apart"
        )
        print(
            f"Where stones are wider than {spacing:.0f} mm, the limits are too narrow for the floor around."
        )
        return
    assert counted is not None
    report = counting.read_count(counted, assessment)
    if as_json:
        print(json.dumps(_plain(report), allow_nan=False))
    else:
        print("\n".join(_words(report)))


def _words(report: CountReport) -> list[str]:
    """The report in sentences."""
    lines = [f"counted on {report.source}"] if report.source else []
    if report.rendered:
        lines.append("RENDERED PHOTO: made by a computer, no real floor")
    lines += count_words(report.count, unmarked=report.unmarked)
    for name, (told, how) in report.compared.items():
        lines.append(compared_words(name, (told.value, told.low90, told.high90), how))
    if report.why_not:
        lines.append(f"Not compared: {report.why_not}.")
    return lines


def _plain(report: CountReport) -> dict[str, object]:
    """The report as plain values."""
    visible = report.count.visible
    return {
        "photo": report.source,
        "rendered": report.rendered,
        "unclear": report.count.unclear,
        "unmarked": report.unmarked,
        "spacing_mm": report.count.spacing_mm,
        "coarse": asdict(report.count.coarse),
        "visible": asdict(visible) if visible else None,
        "compared": {
            name: {"picture": asdict(told), "difference": asdict(how), "agree": how.agree}
            for name, (told, how) in report.compared.items()
        },
        "why_not_compared": report.why_not,
    }
