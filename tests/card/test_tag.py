"""What a tag says, and that a damaged text is refused: every field there and back, the check against others' work."""

from __future__ import annotations

import string
import zlib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assessor.card.tag import ALPHABET, TEXT_LENGTH, Tag, parse_tag, tag_text
from assessor.errors import BadTag

# ISO/IEC 18004:2015, 7.4.4: the 45 characters of alphanumeric mode.
QR_ALPHANUMERIC = set(string.digits + string.ascii_uppercase + " $%*+-./:")
TAGS = st.builds(
    Tag,
    st.text(string.ascii_uppercase + string.digits, min_size=4, max_size=4),
    st.integers(1, 99),
    st.integers(1, 99),
    st.sampled_from(["before", "after"]),
    st.integers(1, 9),
)


@given(TAGS)
def test_every_tag_comes_back_from_its_text(tag: Tag) -> None:
    text = tag_text(tag)
    assert len(text) == TEXT_LENGTH
    assert set(text) <= QR_ALPHANUMERIC
    assert parse_tag(text) == tag


@given(TAGS, TAGS)
def test_two_tags_have_two_texts_and_names(one: Tag, other: Tag) -> None:
    assert (tag_text(one) == tag_text(other)) == (one == other)
    assert (one.name == other.name) == (replace(one, job_code="AAAA") == replace(other, job_code="AAAA"))


@given(TAGS, st.integers(0, TEXT_LENGTH - 1), st.sampled_from(string.ascii_uppercase + string.digits))
def test_one_wrong_character_is_never_taken(tag: Tag, at: int, wrong: str) -> None:
    text = tag_text(tag)
    if text[at] != wrong:
        with pytest.raises(BadTag, match="the code"):
            parse_tag(text[:at] + wrong + text[at + 1 :])


@given(TAGS, st.integers(0, TEXT_LENGTH - 2))
def test_two_swapped_characters_are_never_taken(tag: Tag, at: int) -> None:
    text = tag_text(tag)
    swapped = text[:at] + text[at + 1] + text[at] + text[at + 2 :]
    if swapped != text:
        with pytest.raises(BadTag):
            parse_tag(swapped)


@given(st.text(max_size=60))
def test_any_other_text_is_one_clear_error(text: str) -> None:
    with pytest.raises(BadTag, match=r"tags begin with T1 and have 15 characters|damaged"):
        parse_tag(text)


def test_the_check_is_the_crc_of_the_standards() -> None:
    """CRC-32 of "123456789" is CBF43926 (catalogue of CRC algorithms, CRC-32/ISO-HDLC)."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    low = 0xCBF43926 & 0x7FFF
    assert ALPHABET[low >> 10] + ALPHABET[low >> 5 & 31] + ALPHABET[low & 31] == "E96"
    body = "T1K7QX0307A1"
    low = zlib.crc32(body.encode()) & 0x7FFF
    assert tag_text(Tag("K7QX", 3, 7, "after")) == body + "".join(ALPHABET[low >> s & 31] for s in (10, 5, 0))


def test_what_is_wrong_is_said() -> None:
    with pytest.raises(BadTag, match=r"'https://example\.org/a' is no tag"):
        parse_tag("https://example.org/a")
    with pytest.raises(BadTag, match="of another version"):
        parse_tag("T9K7QX0307A1AAA")
    with pytest.raises(BadTag, match="damaged: its check"):
        parse_tag("T1K7QX0307A1AAA")
    with pytest.raises(BadTag, match="zone must be 1-99, not 0"):
        Tag("K7QX", 0, 1, "after")
    with pytest.raises(BadTag, match="round must be 1-9, not 10"):
        Tag("K7QX", 1, 1, "after", 10)
    with pytest.raises(BadTag, match="four capitals or digits, not 'k7qx'"):
        Tag("k7qx", 1, 1, "after")
    with pytest.raises(BadTag, match="before or after, not 'later'"):
        Tag("K7QX", 1, 1, "later")  # type: ignore[arg-type]
