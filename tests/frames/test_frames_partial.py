"""A region decoded alone: the pixels of the whole picture, for every kind of file, or the whole picture; damage is noticed."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import simplejpeg
from frames_files import encode, exif_of, frame_of
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from frametally.errors import BadFrame
from frametally.frames import Picture, load, partial
from frametally.frames.partial import decode_part

DATA = Path(__file__).parent / "data"

SIZE = (331, 403)
REGION = (40, 150, 300, 190)
SHORT_CUTS: dict[str, dict[str, object]] = {
    "4:2:0": {"subsampling": 2},
    "4:2:2": {"subsampling": 1},
    "4:4:4": {"subsampling": 0},
    "optimised": {"subsampling": 2, "optimize": True},
    "restart at each row": {"restart_marker_rows": 1},
    "restart at every third row": {"restart_marker_rows": 3},
    "restart inside rows": {"restart_marker_blocks": 7},
    "4:4:4 with restarts": {"subsampling": 0, "restart_marker_rows": 1},
}


def photo(width: int = SIZE[0], height: int = SIZE[1], seed: int = 3) -> Image.Image:
    """Colourful and noisy all over, so that every row and its neighbours matter."""
    return Image.fromarray(np.random.default_rng(seed).integers(0, 255, (height, width, 3), dtype=np.uint8))


def put(folder: Path, data: bytes) -> Path:
    path = folder / "a.jpg"
    path.write_bytes(data)
    return path


def assert_part_of(part: Picture, whole: Picture, region: tuple[int, int, int, int]) -> None:
    """The whole picture is the plain decoder's; the part must show its pixels wherever it says that it knows them."""
    assert part.pixels.shape == whole.pixels.shape
    assert (part.bytes, part.sha256) == (whole.bytes, whole.sha256)
    height, width = whole.pixels.shape[:2]
    left, top, right, bottom = part.known or (0, 0, width, height)
    assert left <= region[0] < region[2] <= right
    assert top <= region[1] < region[3] <= bottom
    np.testing.assert_array_equal(part.pixels[top:bottom, left:right], whole.pixels[top:bottom, left:right])


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", SHORT_CUTS)
def test_a_region_has_the_pixels_of_the_whole(tmp_path: Path, kind: str, orientation: int) -> None:
    exif = exif_of(orientation=orientation).tobytes()
    frame = frame_of(put(tmp_path, encode(photo(), "JPEG", quality=92, exif=exif, **SHORT_CUTS[kind])))
    part, whole = load(frame, REGION), load(frame)

    assert whole.known is None
    assert part.known is not None
    assert_part_of(part, whole, REGION)


@pytest.mark.parametrize("kind", ["restart at each row", "4:4:4 with restarts"])
def test_rows_above_are_left_out_between_restart_markers(tmp_path: Path, kind: str) -> None:
    part = load(frame_of(put(tmp_path, encode(photo(), "JPEG", **SHORT_CUTS[kind]))), REGION)

    assert part.known is not None
    assert part.known[1] > 0
    assert not part.pixels[: part.known[1] - 16].any()


def test_a_lent_picture_is_that_of_the_last_photo_alone(tmp_path: Path) -> None:
    """One thread's pictures share their memory: nothing of the one before may be left in the next."""
    first = frame_of(put(tmp_path, encode(photo(), "JPEG")))
    low = load(first, REGION, lent=True)
    assert_part_of(low, load(first), REGION)

    (tmp_path / "other").mkdir()
    second, high = frame_of(put(tmp_path / "other", encode(photo(seed=4), "JPEG"))), (40, 20, 300, 60)
    part = load(second, high, lent=True)

    assert_part_of(part, load(second), high)
    assert np.shares_memory(part.pixels, low.pixels)
    assert part.known is not None
    assert not part.pixels[part.known[3] + 16 :].any()


def test_a_photo_unlike_the_one_before_has_its_own_pixels(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """So much of a file is looked at as the last photo took: more where that was too little, and never another picture."""
    tried: list[float] = []
    real = partial._left_after

    def left_after(data: bytes, stop: int, *rest: Any) -> int | None:
        tried.append(stop / len(data))
        return real(data, stop, *rest)

    monkeypatch.setattr(partial, "_left_after", left_after)
    monkeypatch.setattr(partial, "_USED", partial._Used())  # what other tests' photos took is not known here
    even = np.asarray(photo())
    below = np.arange(SIZE[1])[:, None, None] > REGION[3]
    busier = Image.fromarray(np.where(below, 110 + even // 8, even).astype(np.uint8))
    calmer = Image.fromarray(np.where(below, even, 110 + even // 8).astype(np.uint8))
    looks = []
    for number, picture in enumerate([photo(), photo(seed=4), busier, calmer, photo(), calmer]):
        (tmp_path / str(number)).mkdir()
        frame, before = frame_of(put(tmp_path / str(number), encode(picture, "JPEG", quality=92))), len(tried)
        part = load(frame, REGION)
        looks.append(tried[before:])
        assert part.known is not None
        assert_part_of(part, load(frame), REGION)

    first, like, more, less, even_again, less_again = looks
    assert first == [1]
    assert [len(stops) for stops in (like, more, less, even_again, less_again)] == [1, 2, 1, 1, 1]
    assert like[0] < 0.7
    assert more[0] < more[1] == 1
    assert even_again[0] < 1


def test_grey_files_have_the_short_cut_too(tmp_path: Path) -> None:
    frame = frame_of(put(tmp_path, encode(photo().convert("L"), "JPEG")))

    assert load(frame, REGION).known is not None
    assert_part_of(load(frame, REGION), load(frame), REGION)


@pytest.mark.parametrize("kind", ["progressive", "CMYK", "PNG", "TIFF", "WEBP"])
def test_other_files_are_decoded_whole(tmp_path: Path, kind: str) -> None:
    image, options = photo(), {}
    if kind == "progressive":
        kind, options = "JPEG", {"progressive": True}
    if kind == "CMYK":
        kind, image = "JPEG", image.convert("CMYK")
    frame = frame_of(put(tmp_path, encode(image, kind, **options)))

    assert load(frame, REGION).known is None
    assert_part_of(load(frame, REGION), load(frame), REGION)


def test_heic_is_decoded_whole() -> None:
    frame = frame_of(DATA / "quarters_6.heic")

    assert load(frame, (0, 0, 10, 10)).known is None
    assert_part_of(load(frame, (0, 0, 10, 10)), load(frame), (0, 0, 10, 10))


@pytest.mark.parametrize("region", [(0, 0, 331, 403), (0, 390, 331, 403), (0, 50, 331, 40), (0, -9, 331, 40), (0, 50, 331, 999)])
def test_regions_that_spare_nothing_give_the_whole(tmp_path: Path, region: tuple[int, int, int, int]) -> None:
    assert load(frame_of(put(tmp_path, encode(photo(), "JPEG"))), region).known is None


@given(
    st.integers(16, 120),
    st.integers(16, 120),
    st.sampled_from(sorted(SHORT_CUTS)),
    st.integers(1, 8),
    st.integers(0, 119),
    st.integers(1, 120),
)
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_region_of_any_size(
    tmp_path: Path, width: int, height: int, kind: str, orientation: int, start: int, length: int
) -> None:
    data = encode(photo(width, height), "JPEG", exif=exif_of(orientation=orientation).tobytes(), **SHORT_CUTS[kind])
    frame = frame_of(put(tmp_path, data))
    whole = load(frame)
    rows, columns = whole.pixels.shape[:2]
    top, left = start % rows, start % columns
    region = (left, top, min(columns, left + length), min(rows, top + length))

    assert_part_of(load(frame, region), whole, region)


# --- damage -----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", SHORT_CUTS)
@pytest.mark.parametrize("share", [0.1, 0.3, 0.45, 0.6, 0.8, 0.99])
def test_a_copy_that_broke_off_is_noticed(tmp_path: Path, kind: str, share: float) -> None:
    data = encode(photo(), "JPEG", quality=92, **SHORT_CUTS[kind])
    cut = int(len(data) * share)
    load(frame_of(put(tmp_path, data)), REGION)  # so much of the next is looked at as this one took
    for broken in (data[:cut], data[:cut] + bytes(len(data) - cut)):
        with pytest.raises(BadFrame, match="cut off or damaged"):
            load(frame_of(put(tmp_path, broken)), REGION)


@pytest.mark.parametrize("kind", SHORT_CUTS)
def test_an_end_mark_put_behind_half_a_file_is_noticed(tmp_path: Path, kind: str) -> None:
    data = encode(photo(), "JPEG", quality=92, **SHORT_CUTS[kind])
    with pytest.raises(BadFrame, match="cut off or damaged"):
        load(frame_of(put(tmp_path, data[: len(data) // 2] + b"\xff\xd9")), REGION)


@pytest.mark.parametrize("kind", SHORT_CUTS)
def test_what_the_decoder_complains_of_in_the_region_is_no_part(kind: str) -> None:
    """A marker where there should be bits, above the region's end: T.81, B.1.1.5."""
    data = bytearray(encode(photo(), "JPEG", quality=92, **SHORT_CUTS[kind]))
    start = data.rindex(b"\xff\xda")
    place = start + (len(data) - start) * 4 // 10
    data[place : place + 2] = b"\xff\xd9"

    assert decode_part(bytes(data), REGION) is None


def test_what_stands_behind_the_picture_is_of_no_matter(tmp_path: Path) -> None:
    """Phones put a second picture behind the first."""
    data = encode(photo(), "JPEG")
    frame = frame_of(put(tmp_path, data + encode(photo(seed=4), "JPEG")))

    assert load(frame, REGION).known is not None
    assert_part_of(load(frame, REGION), load(frame), REGION)


@given(st.sampled_from(sorted(SHORT_CUTS)), st.data())
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_damage_gives_a_picture_or_bad_frame(tmp_path: Path, kind: str, data: st.DataObject) -> None:
    body = bytearray(encode(photo(64, 96), "JPEG", **SHORT_CUTS[kind]))
    for _ in range(data.draw(st.integers(1, 4))):
        body[data.draw(st.integers(0, len(body) - 1))] = data.draw(st.integers(0, 255))
    try:
        found = load(frame_of(put(tmp_path, bytes(body))), (0, 20, 60, 40)).pixels
    except BadFrame:
        return  # any other exception fails the test
    assert found.dtype == np.uint8


def test_opencv_and_the_decoder_used_here_give_the_same_pixels(tmp_path: Path) -> None:
    """Outside reference: OpenCV's own decoder."""
    import cv2

    for options in SHORT_CUTS.values():
        data = encode(photo(), "JPEG", **options)
        expected = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
        part = load(frame_of(put(tmp_path, data)), REGION)
        assert part.known is not None
        rows = slice(part.known[1], part.known[3])
        np.testing.assert_array_equal(part.pixels[rows], expected[rows])
        np.testing.assert_array_equal(part.pixels[rows], simplejpeg.decode_jpeg(data, "BGR")[rows])
        assert Image.open(io.BytesIO(data)).size == part.pixels.shape[1::-1]
