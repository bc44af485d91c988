"""HTML pages: one for the batch, one per capture, each a single file that can be mailed.

Made for a phone in sunlight: large dark type on white, no colour that means anything, no script.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from functools import cache
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from assessor.report import words, words_surface
from assessor.report.charts import grade_bars_svg, transfer_svg
from assessor.report.schema import CaptureRecord
from assessor.tables.separating import load_tests

CAPTURE_PAGE = "page.html"


def index_page(
    records: Sequence[CaptureRecord], thumbnails: Mapping[str, bytes], *, others: Sequence[str] = ()
) -> str:
    """The batch page: what was not assessed first, then every capture with its suggestion.

    thumbnails: small JPEG by capture. others: captures of earlier runs that lie in the same folder.
    """
    assessed = [record for record in records if record.status == "assessed"]
    return (
        environment()
        .get_template("index.html")
        .render(
            assessed=assessed,
            not_assessed=[record for record in records if record.status != "assessed"],
            thumbnails={name: data_uri("image/jpeg", data) for name, data in thumbnails.items()},
            others=sorted(others),
            any_rendered=any(record.origin != "camera" for record in records),
            any_prior=any(record.scale.is_prior for record in records),
            any_estimated=any(record.estimate is not None for record in assessed),
            any_unchecked=any(not record.print.checked for record in assessed),
            any_surface=any(record.surface is not None for record in assessed),
            todo=words_surface.actions(assessed),
        )
    )


def capture_page(
    record: CaptureRecord, picture_png: bytes | None, surface_jpegs: Mapping[str, bytes] | None = None
) -> str:
    """The page of one capture: its pictures and everything that stands in its record.

    surface_jpegs: pictures of patches and aggregate by name (see `surface_picture`).
    """
    picture = data_uri("image/png", picture_png) if picture_png else None
    pictures = {name: data_uri("image/jpeg", data) for name, data in (surface_jpegs or {}).items()}
    page = environment().get_template("capture.html")
    return page.render(record=record, picture=picture, pictures=pictures)


def data_uri(kind: str, data: bytes) -> Markup:
    """The data as an address that stands for itself."""
    return Markup(f"data:{kind};base64,{base64.b64encode(data).decode()}")


def templates() -> Environment:
    """The templates, without any filter of ours."""
    return Environment(
        loader=PackageLoader("assessor.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@cache
def environment() -> Environment:
    """Templates and filters of all pages, made once."""
    environment = templates()
    environment.filters.update(
        quantity=words.quantity_words,
        interval=words.interval_words,
        estimate=words.estimate_words,
        call=words.call_words,
        light=words.light_words,
        silent=words.is_silent,
        band=words.band_words,
        percent=words.percent,
        headline=words.headline,
        origin=words.origin_words,
        lay=words.direction_words,
        torch=words.torch_words,
        clock=words.clock_words,
        verdict=words.verdict_words,
        scale=words.scale_words,
        patches=words_surface.surface_words,
        gloss=words_surface.gloss_line,
        patch_title=words_surface.title_words,
        patch_verdict=words_surface.verdict_line,
        patch_causes=words_surface.causes_words,
        patch_contrast=words_surface.contrast_words,
        patch_place=words_surface.place_words,
        fraction=words_surface.fraction_words,
        around=words_surface.around_words,
        even=words_surface.even_words,
        sieve=words_surface.sieve_words,
        bars=lambda suggestion: Markup(grade_bars_svg(suggestion)),
        transfer=lambda transfer: Markup(transfer_svg(transfer)),
        path=quote,
    )
    environment.globals.update(
        notice=words.NOTICE,
        interval_note=words.INTERVAL_NOTE,
        names=words.NAMES,
        kinds=words.KINDS,
        status=words.STATUS,
        page_name=CAPTURE_PAGE,
        nothing_seen=words_surface.NOTHING_SEEN,
        not_clean=words_surface.NOT_CLEAN,
        floors=words_surface.FLOORS,
        implausible=words_surface.IMPLAUSIBLE,
        water_drop=load_tests().get("water-drop"),
        defers=load_tests().defers,
    )
    return environment
