"""The record of water drops: the example reads, counts are the standard's, mistakes are told with their row."""

import pytest

from assessor.errors import BadDrops
from assessor.surface.drop_record import drops_needed, example_record, parse_record
from assessor.tables.counts import M2_PER_FT2

EXAMPLE = example_record()


def test_the_example_reads_and_says_it_is_invented():
    record = parse_record(EXAMPLE, file="example.toml")
    assert "invented" in record.job
    assert record.spots == ("A1", "A2", "A3")
    assert sum(drop.control for drop in record.drop) == 2
    assert record.temperature_c == 16.0


@pytest.mark.parametrize(
    ("area_ft2", "needed"),
    [
        # ASTM F3191 as told in trade literature: 3 in the first 2,000 ft2, then 1 in each 3,000 ft2.
        (10, 3), (2000, 3), (2001, 4), (5000, 4), (5001, 5), (10_000, 6), (26_000, 11),
    ],
)  # fmt: skip
def test_counts_per_area(area_ft2, needed):
    assert drops_needed(area_ft2 * M2_PER_FT2) == needed


def test_no_area_has_no_count():
    with pytest.raises(ValueError, match="positive"):
        drops_needed(0)


def test_fahrenheit_is_read():
    text = EXAMPLE.replace("slab_temperature_c = 16.0", "slab_temperature_f = 50.0")
    assert parse_record(text, file="a").temperature_c == pytest.approx(10.0)


BAD = {
    r"row 1 of \[\[drop\]\]: 'A1' needs seconds_to_absorb or": ("seconds_to_absorb = 25.0\n", ""),
    r"row 3 of \[\[drop\]\]: 'A2' needs": (
        "not_absorbed_after_s = 60.0",
        "not_absorbed_after_s = 60.0\nseconds_to_absorb = 3",
    ),
    r"row 1 of \[\[drop\]\]: seconds_to_absorb: input should be greater than 0": ("= 25.0", "= -25.0"),
    "was seen as both bead and film": ('seen = ["bead"]', 'seen = ["bead", "film"]'),
    "seen.0: input should be 'bead', 'film'": ('seen = ["bead"]', 'seen = ["clean"]'),
    "there are 2 drops 'A1 control'": ('spot = "A2"\ncontrol', 'spot = "A1"\ncontrol'),
    "'A2' says at or photo_before but names no photo": ('# at = "left" ', 'at = "left" '),
    "two photos before are named for 'p.jpg'": (
        "seconds_to_absorb = 25.0",
        'seconds_to_absorb = 25.0\nphoto = "p.jpg"\nphoto_before = "q.jpg"\n[[drop]]\nspot = "Z"\nphoto = "p.jpg"\n'
        'photo_before = "r.jpg"\nseconds_to_absorb = 2',
    ),
    "drop_volume_ml: input should be less than or equal to 2": ("_ml = 0.05", "_ml = 50"),
    "not valid TOML": ("version = 1", "version = "),
    "both": ("slab_temperature_c = 16.0", "slab_temperature_c = 16.0\nslab_temperature_f = 50.0"),
    "volume: unexpected": ("drop_volume_ml", "volume"),
    "when: input should be a valid datetime": ("when = 2026-03-02T10:30:00", 'when = "yesterday"'),
    "drop: field required": (EXAMPLE[EXAMPLE.index("[[drop]]") :], ""),
}


@pytest.mark.parametrize("sentence", BAD)
def test_mistakes_are_told_with_file_and_row(sentence):
    text = EXAMPLE.replace(*BAD[sentence], 1)
    assert text != EXAMPLE
    with pytest.raises(BadDrops, match=sentence) as caught:
        parse_record(text, file="mine.toml")
    assert str(caught.value).startswith("mine.toml: ")
    assert "--example" in str(caught.value)
