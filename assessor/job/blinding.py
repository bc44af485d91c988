"""What of a zone may be told to somebody who still reads chips: nothing that the tool suggests, no disputed reading.

A second reader must know neither the suggestion nor the first reading, and learns either as well from what follows of
them: that a spot "failed", or why a zone was reopened.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from assessor.job.acceptance import Missing, ZoneStanding
from assessor.job.spots import SpotState

DISPUTED = "what was read and suggested does not agree: get a second reader who knows neither"


def blind_sentence(missing: Missing) -> str:
    """What is missing, without what was read or suggested at a disputed spot."""
    if missing.code == "spot-contradicted":
        return f"{missing.sentence.partition(':')[0]}: {DISPUTED}."
    return missing.sentence


def blinded(standing: ZoneStanding) -> ZoneStanding:
    """The zone without suggestions and without the readings of spots that are contradicted."""
    disputed = disputed_spots(standing)
    missing = tuple(
        replace(each, sentence=blind_sentence(each))
        for each in standing.missing
        if not (each.code == "spot-not-fenced" and each.spot in disputed)
    )
    told = {each.sentence: blind_sentence(each) for each in standing.missing}
    reopened = standing.reopened_by
    return replace(
        standing,
        spots=tuple(_spot(state) for state in standing.spots),
        missing=missing,
        reopened_by=None if reopened is None else told.get(reopened, reopened),
    )


def disputed_spots(standing: ZoneStanding) -> Collection[int]:
    """The spots whose readings are not told."""
    return frozenset(state.spot for state in standing.spots if state.status == "contradicted")


def _spot(state: SpotState) -> SpotState:
    if state.status != "contradicted":
        return replace(state, tool=None)
    return replace(state, tool=None, stands=None, contradiction=DISPUTED, failed_in_round=())
