"""Exif: blocks written by PIL, corners of the standard, and noise."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from assessor.card.photo_exif import parse_exif
from assessor.values import Exif

EXIF_IFD = 34665


def block(base: dict[int, object], inner: dict[int, object]) -> bytes:
    """Outside writer: PIL's Exif."""
    exif = Image.Exif()
    for tag, value in base.items():
        exif[tag] = value
    exif.get_ifd(EXIF_IFD).update(inner)
    return exif.tobytes()


FULL = block(
    {271: "Make A", 272: "Model B", 274: 6, 305: "Camera app 3.1"},
    {
        33434: IFDRational(1, 120),
        33437: IFDRational(178, 100),
        34855: 80,
        36867: "2026:05:04 10:11:12",
        37521: "123",
        37385: 0x19,
        37386: IFDRational(6765, 1000),
        41988: IFDRational(3, 2),
        40962: 3024,
        40963: 4032,
        41985: 7,
        41989: 24,
        42036: "Main camera 6.765mm f/1.78",
    },
)


def test_all_fields_are_read() -> None:
    exif, orientation = parse_exif(FULL)
    assert orientation == 6
    assert exif == Exif(
        make="Make A",
        model="Model B",
        lens_model="Main camera 6.765mm f/1.78",
        focal_mm=6.765,
        focal_35mm=24.0,
        digital_zoom_ratio=1.5,
        exposure_s=1 / 120,
        iso=80.0,
        f_number=1.78,
        flash_fired=True,
        taken_at="2026-05-04T10:11:12.123",
        software="Camera app 3.1",
        custom_rendered=7,
        size_px=(4032, 3024),
    )


def test_both_byte_orders_read_alike() -> None:
    """TIFF 6.0: II is little-endian, MM big-endian; the same two tags written by hand in both."""
    for order, mark in (("<", b"II"), (">", b"MM")):
        entries = struct.pack(order + "HHLHH", 274, 3, 1, 8, 0) + struct.pack(
            order + "HHLL", EXIF_IFD, 4, 1, 38
        )
        head = mark + struct.pack(order + "HL", 42, 8)
        inner = struct.pack(order + "HHHLHHL", 1, 34855, 3, 1, 200, 0, 0)
        tiff = head + struct.pack(order + "H", 2) + entries + struct.pack(order + "L", 0) + inner
        assert parse_exif(tiff) == (Exif(iso=200.0), 8)


def test_file_source_is_one_byte_without_a_type() -> None:
    """Exif 2.32, 4.6.5: FileSource has type UNDEFINED (7) and count 1; PIL writes no valid type for it."""
    entry = struct.pack(">HHLB3x", 41728, 7, 1, 2)
    tiff = b"MM\0*" + struct.pack(">LH", 8, 1) + entry + bytes(4)
    assert parse_exif(tiff)[0] == Exif(file_source=2)


@pytest.mark.parametrize(
    ("inner", "expected"),
    [
        ({41988: IFDRational(0, 1)}, Exif(digital_zoom_ratio=1.0)),  # Exif 2.32, 4.6.5: 0 = not used
        ({41989: 0}, Exif()),  # Exif 2.32, 4.6.5: 0 = unknown
        ({41989: 48388}, Exif()),  # nonsense that some cameras write
        ({37385: 0x18}, Exif(flash_fired=False)),  # bit 0 is "fired"; the others tell the mode
        ({34855: 65535}, Exif()),  # Exif 2.32, 4.6.5: 65535 stands for more than the tag holds
        ({37386: IFDRational(5, 0)}, Exif()),
        ({40962: 4000}, Exif()),  # a size needs both sides
        ({40962: 4000, 40963: 0}, Exif()),
        ({41985: 0}, Exif(custom_rendered=0)),
        ({36867: "0000:00:00 00:00:00"}, Exif()),
        ({36867: "    :  :     :  :  "}, Exif()),
        ({36867: "2026:02:03 04:05:06"}, Exif(taken_at="2026-02-03T04:05:06")),
        ({36867: "2026:02:03 04:05:06", 37521: "5"}, Exif(taken_at="2026-02-03T04:05:06.500")),
        ({36867: "2026:02:03 04:05:06", 37521: "x"}, Exif(taken_at="2026-02-03T04:05:06")),
        ({42036: "a\x1b[31m b\n "}, Exif(lens_model="a[31m b")),
    ],
)
def test_corners_of_the_standard(inner: dict[int, object], expected: Exif) -> None:
    assert parse_exif(block({}, inner))[0] == expected


@pytest.mark.parametrize("value", [0, 9, 255])
def test_orientations_outside_the_table_mean_upright(value: int) -> None:
    assert parse_exif(block({274: value}, {}))[1] == 1


@given(st.binary(max_size=200), st.integers(0, len(FULL)), st.integers(0, len(FULL)))
def test_noise_never_fails(noise: bytes, start: int, cut: int) -> None:
    for data in (
        noise,
        b"II*\0" + noise,
        b"Exif\0\0MM\0*" + noise,
        FULL[:start] + noise + FULL[start:],
        FULL[:cut],
    ):
        exif, orientation = parse_exif(data)
        assert 1 <= orientation <= 8
        assert exif.focal_mm is None or 0.1 <= exif.focal_mm <= 2000
