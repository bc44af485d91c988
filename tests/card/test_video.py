"""A sweep video becomes photos, evenly round and upright, or one sentence says why not.

The videos are coded by PyAV (libx264, libx265), colours by the formulas of BT.601 and BT.709 in `video_files`.
"""

from __future__ import annotations

import io
from itertools import pairwise
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from assessor.card.find import find_card
from assessor.card.photo_origin import VIDEO_FRAME
from assessor.card.video import SweepSettings, is_video, read_sweep
from assessor.card.video_frames import decode_frames
from assessor.card.video_header import read_video_header
from assessor.card.video_light import LookSettings, look_at_frame
from assessor.errors import UnreadableVideo, VideoUnsuitable
from assessor.values import Photo, U8Array
from tests.card.photo_files import jpeg, scene
from tests.card.photos import camera_of
from tests.card.video_files import (
    CARD,
    FPS,
    SIZE,
    Walk,
    boxes,
    colour_video,
    index_first,
    sweep_file,
    torch_light,
    walk_frames,
    write_video,
)

WALK = Walk()


def time_of(photo: Photo) -> float:
    return float(photo.name.rpartition("@")[2].removesuffix("s"))


def widest_gap_deg(azimuths: list[float]) -> float:
    order = sorted(a % 360 for a in azimuths)
    return max(b - a for a, b in pairwise([*order, order[0] + 360]))


@pytest.mark.parametrize("codec", ["h264", "hevc"])
def test_frames_are_spread_evenly_round_the_card_and_the_dark_one_comes_last(codec: str) -> None:
    torches = read_sweep(sweep_file(WALK, codec), "sweep.mp4")
    dark = torches[-1]
    torches = torches[:-1]
    assert len(torches) == LookSettings().frames
    times = [time_of(photo) for photo in torches]
    assert times == sorted(times) and times[-1] < WALK.seconds - WALK.dark_s <= time_of(dark)
    assert widest_gap_deg([WALK.azimuth_at(t) for t in times]) < 45.0
    for photo in (*torches, dark):
        assert photo.name.startswith("sweep.mp4@") and photo.size_px == SIZE
        assert photo.file.marks == (VIDEO_FRAME,)
        assert photo.exif.taken_at is None and photo.exif.exposure_s is None and photo.exif.make is None
    assert len({photo.sha256 for photo in (*torches, dark)}) == len(torches) + 1
    assert dark.rgb_u8.mean() < 0.7 * torches[0].rgb_u8.mean()


def test_a_chosen_frame_is_the_frame_that_was_filmed() -> None:
    photo = read_sweep(sweep_file(WALK), "sweep.mp4")[3]
    filmed = torch_light(WALK, WALK.azimuth_at(round(time_of(photo) * FPS) / FPS))
    # libx264 at crf 18 leaves about 1.5 bytes rms; the neighbour's light differs by more.
    assert np.sqrt(np.mean((photo.rgb_u8[..., 1].astype(float) - filmed) ** 2)) < 2.0
    # OpenCV cuts 0.5 byte off plain grey in the limited range; given back are 0.75.
    assert abs((photo.rgb_u8[::2, ::2, 1].astype(float) - filmed[::2, ::2]).mean()) < 0.7
    assert abs((photo.rgb_u8[..., 1].astype(float) - filmed).mean()) < 0.35
    other = torch_light(WALK, WALK.azimuth_at(round(time_of(photo) * FPS + 1) / FPS))
    assert np.sqrt(np.mean((photo.rgb_u8[..., 1].astype(float) - other) ** 2)) > 3.0
    # The card of a 1080p frame is found where it lies.
    sighting = find_card(photo)
    middle = camera_of(CARD).project(np.zeros(3))
    seen = sighting.px_from_mm @ [0.0, 0.0, 1.0]
    assert np.linalg.norm(seen[:2] / seen[2] - middle) < 0.5


@pytest.mark.parametrize("azimuth_deg", [15.0, 100.0, 200.0, 290.0])
def test_the_paper_tells_the_torch_within_ten_degrees(azimuth_deg: float) -> None:
    grey = torch_light(WALK, azimuth_deg)
    view = look_at_frame(np.dstack([grey] * 3), 0, 0.0, LookSettings())
    assert view.rise is not None
    told = np.degrees(np.arctan2(view.rise[1], view.rise[0]))
    assert abs((told - azimuth_deg + 180) % 360 - 180) < 10.0
    # Irradiance ~ r^-3 on the level paper: at the middle it grows by 3 cos(elevation) / distance.
    growth = 3 * np.cos(np.radians(WALK.elevation_deg)) / WALK.distance_mm * 100 * WALK.share
    assert np.linalg.norm(view.rise) / view.level == pytest.approx(growth, rel=0.15)


def test_a_weak_torch_beside_a_window_is_followed_by_the_dark_stretch() -> None:
    walk = Walk(share=0.3, ambient_tilt=0.3, dark_first=True)
    *torches, dark = read_sweep(sweep_file(walk), "sweep.mp4")
    assert time_of(dark) < walk.dark_s
    assert widest_gap_deg([walk.azimuth_at(time_of(photo)) for photo in torches]) < 45.0


def test_without_a_dark_stretch_there_are_only_torch_frames() -> None:
    walk = Walk(dark_s=0.0)
    photos = read_sweep(sweep_file(walk), "sweep.mp4")
    assert len(photos) == LookSettings().frames
    assert photos[-1].rgb_u8.mean() > 0.8 * photos[0].rgb_u8.mean()


def test_frames_smeared_by_motion_are_left_out() -> None:
    smeared = tuple(k for k in range(WALK.n_lit) if k % 4 in (1, 2))
    walk = Walk(smeared=smeared)
    photos = read_sweep(sweep_file(walk), "sweep.mp4")[:-1]
    assert len(photos) >= LookSettings().min_frames
    assert not {round(time_of(photo) * FPS) for photo in photos} & set(smeared)


def test_the_same_file_gives_the_same_photos() -> None:
    first, second = (read_sweep(sweep_file(WALK), "sweep.mp4") for _ in range(2))
    assert [p.sha256 for p in first] == [p.sha256 for p in second]
    assert all((a.rgb_u8 == b.rgb_u8).all() for a, b in zip(first, second, strict=True))


@pytest.mark.parametrize("turned_deg", [90, 180, 270])
def test_a_turned_video_comes_upright(turned_deg: int) -> None:
    """The track's matrix says how far the picture has to be turned (ISO/IEC 14496-12, 8.3.2)."""
    stored = scene(*SIZE[::-1])
    data = write_video([stored] * 3, turned_deg=turned_deg)
    # Against PyAV: FFmpeg's own account of the side data, counter-clockwise degrees.
    with av.open(io.BytesIO(data)) as container:
        turn = next(container.decode(video=0)).rotation
    (_, _, bgr), *_ = decode_frames(data, lambda _: True)
    upright = np.rot90(stored, round(turn / 90) % 4)
    assert bgr is not None and bgr.shape == upright.shape and turn % 360 != 0
    assert np.abs(bgr[::40, ::40, ::-1].astype(int) - upright[::40, ::40]).mean() < 4.0


COLOURS = ((255, 255, 255), (128, 128, 128), (20, 20, 20), (200, 60, 50), (40, 160, 70), (60, 70, 190))


def decoded_colours(data: bytes) -> U8Array:
    (_, _, bgr), *_ = decode_frames(data, lambda k: k == 0)
    assert bgr is not None
    at = ((np.arange(len(COLOURS)) + 0.5) * SIZE[0] / len(COLOURS)).astype(int)
    return np.asarray(bgr[SIZE[1] // 2, at, ::-1])


@pytest.mark.parametrize("codec", ["h264", "hevc"])
@pytest.mark.parametrize("matrix", ["601", "709"])
@pytest.mark.parametrize("full", [False, True])
def test_colours_come_back_by_the_matrix_and_range_that_the_file_names(
    codec: str, matrix: str, full: bool
) -> None:
    """Y'CbCr by BT.601-7 and BT.709-6 (2.5.1, 3.4); full range by H.273, 8.3."""
    off = (
        decoded_colours(colour_video(COLOURS, matrix, full=full, codec=codec, tag=True)).astype(int) - COLOURS
    )
    assert np.abs(off[:3]).max() <= 1 and np.abs(off).max() <= 3


def test_without_a_named_matrix_greys_stay_right() -> None:
    off = (
        decoded_colours(colour_video(COLOURS, "709", full=False, codec="h264", tag=False)).astype(int)
        - COLOURS
    )
    assert np.abs(off[:3]).max() <= 1
    assert 10 < np.abs(off[3:]).max() <= 20  # read as BT.601: said in the module


def test_an_index_before_the_pictures_is_read_alike() -> None:
    data = sweep_file(WALK)
    photos = read_sweep(index_first(data), "sweep.mp4")
    assert [p.name for p in photos] == [p.name for p in read_sweep(data, "sweep.mp4")]


def test_frames_of_a_rendered_video_say_so() -> None:
    """The artist's note as FFmpeg writes it (`\\xa9ART`): rendered and real stay apart."""
    photos = read_sweep(write_video(walk_frames(WALK), artist="Rendered"), "a.mp4")
    assert {photo.exif.make for photo in photos} == {"Rendered"}


def test_sound_is_ignored() -> None:
    silent = sweep_file(WALK)
    loud = write_video(walk_frames(WALK), sound=True)
    assert b"mp4a" in loud
    assert [p.name for p in read_sweep(loud, "a.mp4")] == [p.name for p in read_sweep(silent, "a.mp4")]


def test_videos_are_told_by_name_or_by_their_first_bytes() -> None:
    assert all(is_video(Path(name)) for name in ("a.mp4", "B.MOV", "c.M4v"))
    assert not any(is_video(Path(name)) for name in ("a.jpg", "mp4", "a.heic"))
    head = sweep_file(WALK)[:32]
    assert is_video(Path("renamed.jpg"), head) and not is_video(Path("photo.mp4"), jpeg(scene())[:32])
    assert not is_video(Path("photo.mov"), b"\0\0\0\x18ftypheic\0\0\0\0mif1heic")


def test_nothing_is_written_to_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("TMPDIR", "TEMP", "TMP"):
        monkeypatch.setenv(name, str(tmp_path))
    monkeypatch.chdir(tmp_path)
    read_sweep(sweep_file(WALK), "sweep.mp4")
    assert not list(tmp_path.iterdir())


def test_frames_are_held_one_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first pass keeps no pixels: what `look_at_frame` returns holds a handful of numbers."""
    view = look_at_frame(np.dstack([torch_light(WALK, 30.0)] * 3), 0, 0.0, LookSettings())
    arrays = [v for name in view.__dataclass_fields__ if isinstance(v := getattr(view, name), np.ndarray)]
    assert sum(a.size if a.base is None else a.base.size for a in arrays) < 100


# --- What is refused -------------------------------------------------------------------------------------------------


def patched(data: bytes, old: bytes, new: bytes) -> bytes:
    assert data.count(old) >= 1 and len(old) == len(new)
    return data.replace(old, new)


def plain_video(n: int = 3, size: tuple[int, int] = SIZE, **more: object) -> bytes:
    return write_video([scene(size[1], size[0])] * n, **more)  # type: ignore[arg-type]


def hole(data: bytes) -> bytes:
    start, end = boxes(data)[b"mdat"]
    middle = (start + end) // 2
    return data[:middle] + bytes(400_000) + data[middle + 400_000 :]


UNREADABLE = {
    "empty": (lambda: b"", r"the file is empty \(0 bytes\)"),
    "text": (lambda: b"hello, this is no video at all, only words", "no MP4 or MOV video"),
    "photo": (lambda: jpeg(scene()), "no MP4 or MOV video"),
    "cut": (lambda: sweep_file(WALK)[:200_000], "lacks its index"),
    "cut, index first": (
        lambda: index_first(plain_video())[:-3000],
        "ends before the video does",
    ),
    "index cut": (
        lambda: (d := index_first(plain_video()))[: boxes(d)[b"moov"][0] + 60],
        "ends before the video does",
    ),
    "hole": (lambda: hole(sweep_file(WALK)), "has a hole"),
    "noise": (
        lambda: (
            (d := sweep_file(WALK))[: boxes(d)[b"mdat"][0] + 8]
            + np.random.default_rng(1).bytes(boxes(d)[b"mdat"][1] - boxes(d)[b"mdat"][0] - 8)
            + d[boxes(d)[b"mdat"][1] :]
        ),
        "can be decoded|cannot be decoded",
    ),
    "other codec": (lambda: patched(plain_video(), b"avc1", b"av01"), "coded as 'av01', only H.264 and HEVC"),
    "sound only": (lambda: patched(sweep_file(WALK), b"vide", b"soun"), "no pictures"),
    "small": (lambda: plain_video(size=(1280, 720)), "has 1280 x 720 px, 1080p to 4K"),
    "PQ": (lambda: plain_video(codec="hevc", deep=True, transfer=16), r"HDR screens \(PQ\)"),
    "HLG": (lambda: plain_video(codec="hevc", deep=True, transfer=18), r"HDR screens \(HLG\)"),
}


@pytest.mark.parametrize("case", UNREADABLE)
def test_what_is_no_whole_plain_video_is_refused(case: str) -> None:
    make, sentence = UNREADABLE[case]
    with pytest.raises(UnreadableVideo, match=sentence) as caught:
        read_sweep(make(), "clip.mp4")
    assert caught.value.file == "clip.mp4" and "\n" not in str(caught.value)


def test_ten_bits_of_ordinary_light_are_read() -> None:
    data = plain_video(codec="hevc", deep=True)
    assert (header := read_video_header(data)).bits == 10 and header.cicp == (1, 1) and not header.full_range
    with pytest.raises(VideoUnsuitable, match="lasts 0"):
        read_sweep(data, "clip.mp4")


UNSUITABLE = {
    "short": (Walk(seconds=3.0), "lasts 2.9 s, at least 4 s"),
    "half round": (Walk(azimuths_deg=(20.0, 200.0)), r"goes 1[678]\d degrees round the card, at least 270"),
    "torch at rest": (Walk(azimuths_deg=(20.0, 20.0)), r"goes \d degrees round the card"),
    "no torch": (Walk(share=0.02, dark_s=0.0), "no torch is seen"),
    "smeared": (Walk(smeared=tuple(range(24))), "degrees round the card|sharp frames"),
}


@pytest.mark.parametrize("case", UNSUITABLE)
def test_what_is_no_sweep_is_refused(case: str) -> None:
    walk, sentence = UNSUITABLE[case]
    with pytest.raises(VideoUnsuitable, match=sentence) as caught:
        read_sweep(sweep_file(walk), "clip.mp4")
    assert caught.value.file == "clip.mp4" and "\n" not in str(caught.value)


def test_a_video_without_the_card_is_refused() -> None:
    rng = np.random.default_rng(1)
    floor = cv2.GaussianBlur(rng.integers(60, 200, (SIZE[1], SIZE[0], 3)).astype(np.uint8), (0, 0), 3)
    with pytest.raises(VideoUnsuitable, match="found in 0 of the 5"):
        read_sweep(write_video([floor] * 52), "clip.mp4")


def test_size_and_length_have_limits() -> None:
    data = sweep_file(WALK)
    with pytest.raises(VideoUnsuitable, match=r"5 MB, more than the 1 MB"):
        read_sweep(data, "clip.mp4", SweepSettings(max_bytes=1_000_000))
    with pytest.raises(VideoUnsuitable, match=r"longer than the 4\.1 s"):
        read_sweep(data, "clip.mp4", SweepSettings(max_seconds=4.1))
