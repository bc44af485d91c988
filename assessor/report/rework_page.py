"""The rework list as one page that is printed on one sheet in black and white, or mailed; no script, no colour."""

from __future__ import annotations

from collections.abc import Sequence

from assessor.job.rework import ReworkLine
from assessor.report import words_rework
from assessor.report.page import templates
from assessor.report.words_rework import SheetHead
from assessor.tables.rework import load_rework


def rework_page(lines: Sequence[ReworkLine], head: SheetHead) -> str:
    """HTML of the list: as `words_rework.rework_text`, with boxes to tick and places to sign."""
    environment = templates()
    environment.filters.update(title=words_rework.title_words, parts=words_rework.parts)
    return environment.get_template("rework.html").render(
        lines=lines,
        head=head,
        facts=words_rework.head_words(head)[1 + bool(head.loud) :],
        suspicions=words_rework.SUSPICIONS,
        nothing=words_rework.NOTHING,
        after_all=load_rework().after_all,
        cautions=words_rework.cautions_in_full(lines),
        defers=load_rework().defers,
        sources=words_rework.sources_words(lines),
    )
