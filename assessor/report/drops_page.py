"""The page of a round of water drops: one file that can be mailed, as the other pages are."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from jinja2 import Environment

from assessor.report.page import data_uri, templates
from assessor.report.schema_drops import DropsRecord
from assessor.report.words_drops import POROSITY, REPELS, SHAPE, drop_name, time_words, width_words


def drops_page(record: DropsRecord, pictures: Mapping[str, bytes]) -> str:
    """HTML of the round; pictures: PNG by photo file."""
    uris = {name: data_uri("image/png", data) for name, data in pictures.items()}
    return _environment().get_template("drops.html").render(record=record, pictures=uris)


@cache
def _environment() -> Environment:
    environment = templates()
    environment.filters.update(drop_name=drop_name, time=time_words, width=width_words)
    environment.globals.update(porosity=POROSITY, shapes=SHAPE, repels=REPELS)
    return environment
