"""What a tag says: job, zone, spot, before or after, round; and its text, which can check itself.

A tag is a small printed square beside the card. Its text is 15 characters of QR's alphanumeric set:

    T1 JJJJ ZZ SS P R CCC
    |  |    |  |  | | check: CRC-32 of what stands before it (zlib's, ISO 3309), its low 15 bits in Crockford's base 32
    |  |    |  |  | round 1-9: 1 the first time, 2 after the first rework
    |  |    |  |  phase: B before the work, A after it
    |  |    |  spot 01-99
    |  |    zone 01-99
    |  the job's code
    version

The QR code mends its own damage (Reed-Solomon, level Q); the check behind it catches a mending that went wrong and
codes that are not ours. A text that does not check is refused, never mended by a guess.
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass
from typing import Literal

from assessor.errors import BadTag

Phase = Literal["before", "after"]
VERSION = "T1"
TEXT_LENGTH = 15
# Crockford's base 32: no I, L, O and U, which read like others.
ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_LETTER_OF: dict[Phase, str] = {"before": "B", "after": "A"}
_PHASE_OF: dict[str, Phase] = {letter: phase for phase, letter in _LETTER_OF.items()}
_TEXT = re.compile(r"T1([A-Z0-9]{4})([0-9]{2})([0-9]{2})([BA])([1-9])([0-9A-HJKMNP-TV-Z]{3})")


@dataclass(frozen=True, slots=True)
class Tag:
    """Where a photo belongs. job_code: four capitals or digits; zone and spot 1-99; round 1-9 (BadTag outside)."""

    job_code: str
    zone: int
    spot: int
    phase: Phase
    round: int = 1

    def __post_init__(self) -> None:
        if not re.fullmatch(r"[A-Z0-9]{4}", self.job_code):
            raise BadTag(f"a job's code is four capitals or digits, not {self.job_code!r}")
        for name, value, most in (("zone", self.zone, 99), ("spot", self.spot, 99), ("round", self.round, 9)):
            if not 1 <= value <= most:
                raise BadTag(f"a tag's {name} must be 1-{most}, not {value}")
        if self.phase not in _LETTER_OF:
            raise BadTag(f"a tag says before or after, not {self.phase!r}")

    @property
    def name(self) -> str:
        """Name for files and lists, such as Z03-S07-after-r1."""
        return f"Z{self.zone:02d}-S{self.spot:02d}-{self.phase}-r{self.round}"


def tag_text(tag: Tag) -> str:
    """The text that stands in the tag's code, 15 characters."""
    body = f"{VERSION}{tag.job_code}{tag.zone:02d}{tag.spot:02d}{_LETTER_OF[tag.phase]}{tag.round}"
    return body + _check(body)


def parse_tag(text: str) -> Tag:
    """The tag that a text names; BadTag where it is damaged or no tag of ours."""
    found = _TEXT.fullmatch(text)
    if found is None:
        short = text if len(text) <= 40 else text[:37] + "..."
        what = (
            "of another version"
            if re.fullmatch(r"T[0-9][A-Z0-9]{8,}", text) and text[:2] != VERSION
            else "no tag"
        )
        raise BadTag(
            f"the code {short!r} is {what}; tags begin with {VERSION} and have {TEXT_LENGTH} characters"
        )
    job, zone, spot, phase, turn, check = found.groups()
    if _check(text[:-3]) != check:
        raise BadTag(f"the code {text!r} is damaged: its check {check} does not go with the rest")
    return Tag(job, int(zone), int(spot), _PHASE_OF[phase], int(turn))


def _check(body: str) -> str:
    return _base32(zlib.crc32(body.encode("ascii")), 3)


def _base32(number: int, length: int) -> str:
    return "".join(ALPHABET[number >> 5 * k & 31] for k in reversed(range(length)))
