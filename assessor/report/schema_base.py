"""The base of all stored records."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Record(BaseModel):
    """Base of all stored records: frozen, sentences under fields become descriptions."""

    model_config = ConfigDict(frozen=True, use_attribute_docstrings=True, allow_inf_nan=False)
