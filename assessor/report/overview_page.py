"""The page of a zone: one file that can be mailed, made for a phone in sunlight, no script."""

from __future__ import annotations

from collections.abc import Mapping

from assessor.report import words_overview
from assessor.report.page import data_uri, environment
from assessor.report.schema_overview import OverviewRecord
from assessor.report.words import MIXED, RENDERED


def overview_page(
    record: OverviewRecord, pictures: Mapping[str, bytes], corner_mm: tuple[float, float]
) -> str:
    """The page with all pictures in it; corner_mm: the zone's corner in the frame of the outlines."""
    env = environment().overlay()
    env.filters.update(strip_words=words_overview.strip_words, gap_words=words_overview.gap_words)
    even = record.evenness
    return env.get_template("overview.html").render(
        record=record,
        pictures={name: data_uri("image/jpeg", data) for name, data in pictures.items()},
        loud={"rendered": RENDERED, "mixed": MIXED}.get(record.origin_of_photos, ""),
        headline=words_overview.headline(record),
        no_height=words_overview.NO_HEIGHT,
        no_strip=words_overview.NO_STRIP,
        patches=words_overview.patches_words(record),
        coverage=words_overview.coverage_words(record),
        texture_spread=words_overview.spread_words(even.contrast, "Texture"),
        level_spread=words_overview.spread_words(even.level, "Brightness"),
        lay=words_overview.lay_words(record),
        corner=corner_mm,
        from_where="the zone's corner" if record.zone_size_m else f"the middle of sheet {record.origin}",
        u_place=max((sheet.u_mm for sheet in record.sheets), default=0.0),
    )
