"""Pixels: upright once, whole or not at all, the same as an outside decoder's, and BadFrame for everything else."""

from __future__ import annotations

import hashlib
import io
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import pytest
from frames_files import encode, exif_of, frame_of, picture, traces
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps

from frametally.errors import BadFrame
from frametally.frames import Picture, decode, fingerprint, load, open_night, size_of

DATA = Path(__file__).parent / "data"

KINDS: dict[str, tuple[str, dict[str, object]]] = {
    "jpeg": ("JPEG", {"quality": 90}),
    "jpeg 4:4:4": ("JPEG", {"quality": 90, "subsampling": 0}),
    "progressive jpeg": ("JPEG", {"quality": 90, "progressive": True}),
    "jpeg with restarts": ("JPEG", {"quality": 90, "restart_marker_rows": 1}),
    "png": ("PNG", {}),
    "webp": ("WEBP", {"quality": 90}),
    "lossless webp": ("WEBP", {"lossless": True}),
    "tiff": ("TIFF", {}),
    "lzw tiff": ("TIFF", {"compression": "tiff_lzw"}),
    "deflate tiff": ("TIFF", {"compression": "tiff_adobe_deflate"}),
    "jpeg tiff": ("TIFF", {"compression": "jpeg"}),
}


def coded(kind: str, size: tuple[int, int] = (80, 56), **more: object) -> bytes:
    name, options = KINDS[kind]
    return encode(picture(*size), name, **options, **more)


def load_bytes(folder: Path, data: bytes, name: str = "a.jpg") -> Picture:
    (folder / name).write_bytes(data)
    return load(frame_of(folder / name))


def as_bgr(image: Image.Image) -> np.ndarray:
    return np.asarray(image.convert("RGB"))[:, :, ::-1]


# --- the right pixels -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_pixels_are_those_of_pillow(tmp_path: Path, kind: str) -> None:
    """Outside reference: Pillow's decoding of the same file (its own libjpeg-turbo, libwebp, libtiff)."""
    data = coded(kind)
    found = load_bytes(tmp_path, data, "wrong suffix.png")  # what is inside counts

    expected = as_bgr(Image.open(io.BytesIO(data)))
    np.testing.assert_array_equal(found.pixels, expected)
    assert found.pixels.dtype == np.uint8
    assert found.pixels.flags.c_contiguous
    assert found.bytes == len(data)
    assert found.sha256 == hashlib.sha256(data).hexdigest()
    assert fingerprint(frame_of(tmp_path / "wrong suffix.png")) == (found.bytes, found.sha256)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["jpeg", "png", "lossless webp", "tiff", "lzw tiff"])
def test_rotation_is_applied_once(tmp_path: Path, kind: str, orientation: int) -> None:
    """Outside reference: ImageOps.exif_transpose of Pillow on the decoded pixels (CIPA DC-008, Orientation)."""
    data = coded(kind, exif=exif_of(orientation=orientation))
    plain = Image.open(io.BytesIO(coded(kind)))
    tagged = Image.frombytes("RGB", plain.size, plain.convert("RGB").tobytes())
    tagged.getexif()[0x0112] = orientation
    found = load_bytes(tmp_path, data)

    np.testing.assert_array_equal(found.pixels, as_bgr(ImageOps.exif_transpose(tagged)))
    assert found.pixels.flags.c_contiguous
    assert size_of(frame_of(tmp_path / "a.jpg")) == found.pixels.shape[1::-1]


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_an_invalid_rotation_is_as_is(tmp_path: Path, orientation: int) -> None:
    plain = load_bytes(tmp_path, coded("jpeg"))
    found = load_bytes(tmp_path, coded("jpeg", exif=exif_of(orientation=orientation)))

    np.testing.assert_array_equal(found.pixels, plain.pixels)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_rotation_of_heic_is_applied_once(orientation: int) -> None:
    """The file holds four flat quarters (red, green / blue, yellow), written by libheif with rotation in box and EXIF."""
    stored = np.zeros((48, 64, 3), np.uint8)
    stored[:24, :32], stored[:24, 32:], stored[24:, :32], stored[24:, 32:] = (
        (200, 40, 40),
        (40, 180, 40),
        (40, 40, 200),
        (210, 200, 40),
    )
    tagged = Image.fromarray(stored)
    tagged.getexif()[0x0112] = orientation
    expected = as_bgr(ImageOps.exif_transpose(tagged))
    frame = frame_of(DATA / f"quarters_{orientation}.heic")
    found = load(frame).pixels

    assert found.shape == expected.shape
    assert size_of(frame) == expected.shape[1::-1]
    for row, column in ((6, 6), (6, -6), (-6, 6), (-6, -6)):
        assert np.abs(found[row, column].astype(int) - expected[row, column]).max() <= 4  # lossy coding


@pytest.mark.parametrize("name", ["quarters_deep.heic", "quarters_alpha.heic"])
def test_heic_with_ten_bits_or_alpha(name: str) -> None:
    found = load(frame_of(DATA / name)).pixels
    plain = load(frame_of(DATA / "quarters_1.heic")).pixels

    assert found.shape == (48, 64, 3)
    assert np.abs(found[6, 6].astype(int) - plain[6, 6]).max() <= 4
    assert found.dtype == np.uint8


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA"])
def test_other_modes_become_bgr(tmp_path: Path, kind: str, mode: str) -> None:
    image = picture().convert(mode)

    np.testing.assert_array_equal(load_bytes(tmp_path, encode(image, kind)).pixels, as_bgr(image))


@pytest.mark.parametrize("suffix", [".png", ".tiff"])
@pytest.mark.parametrize("channels", [1, 3])
def test_sixteen_bits_become_eight(tmp_path: Path, suffix: str, channels: int) -> None:
    """The high byte is the 8-bit value: each value v is stored as 257 v. Outside reference: written by OpenCV."""
    eight = as_bgr(picture())[:, :, 0] if channels == 1 else as_bgr(picture())
    done, coded_image = cv2.imencode(suffix, eight.astype(np.uint16) * 257)
    assert done
    found = load_bytes(tmp_path, coded_image.tobytes()).pixels

    np.testing.assert_array_equal(found, np.dstack([eight] * 3) if channels == 1 else eight)


@pytest.mark.parametrize("mode", ["L", "CMYK"])
def test_grey_and_print_colours_in_jpeg(tmp_path: Path, mode: str) -> None:
    data = encode(picture().convert(mode), "JPEG", quality=95, exif=exif_of(orientation=8).tobytes())
    expected = as_bgr(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))

    np.testing.assert_array_equal(load_bytes(tmp_path, data).pixels, expected)


def test_numbers_that_are_no_brightness_are_refused(tmp_path: Path) -> None:
    for mode in ("F", "I"):
        with pytest.raises(BadFrame, match="32-bit"):
            load_bytes(tmp_path, encode(Image.new(mode, (8, 8)), "TIFF"))


def test_many_threads_give_the_same(tmp_path: Path) -> None:
    for at, kind in enumerate(KINDS):
        (tmp_path / f"{at}.jpg").write_bytes(coded(kind, exif=exif_of(orientation=1 + at % 8)))
    (tmp_path / "h.heic").write_bytes((DATA / "quarters_6.heic").read_bytes())
    frames = open_night(tmp_path).frames * 8
    one = [load(frame).pixels.tobytes() for frame in frames]
    with ThreadPoolExecutor(8) as pool:
        many = [picture.pixels.tobytes() for picture in pool.map(load, frames)]

    assert many == one


# --- whole or not at all ----------------------------------------------------------------------------------------------


def test_the_cut_photo_of_the_demo_night(sample_frames: Path) -> None:
    with pytest.raises(BadFrame, match="cut off or damaged"):
        load(frame_of(sample_frames / "cabin_0127.jpg"))


@pytest.mark.parametrize("kind", [*KINDS, "heic"])
def test_a_cut_file_is_never_a_picture(tmp_path: Path, kind: str) -> None:
    data = (DATA / "quarters_6.heic").read_bytes() if kind == "heic" else coded(kind)
    cuts = sorted({*range(0, len(data), max(len(data) // 60, 1)), *range(max(len(data) - 24, 0), len(data)), len(data) * 6 // 10})
    for cut in cuts:
        with pytest.raises(BadFrame):
            load_bytes(tmp_path, data[:cut])


@given(st.sampled_from(sorted(KINDS)), st.data())
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_cut_is_noticed(tmp_path: Path, kind: str, data: st.DataObject) -> None:
    whole = coded(kind, (40, 24))
    with pytest.raises(BadFrame):
        load_bytes(tmp_path, whole[: data.draw(st.integers(0, len(whole) - 1))])


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "tiff"])
@pytest.mark.parametrize("share", [0.2, 0.6, 0.9])
def test_a_copy_that_ends_in_zeros_is_noticed(tmp_path: Path, kind: str, share: float) -> None:
    """Full length, but the end never arrived. An uncompressed TIFF cannot tell this from black."""
    data = coded(kind, (320, 240))
    cut = min(int(len(data) * share), len(data) - 512)  # a disk's block at least
    with pytest.raises(BadFrame):
        load_bytes(tmp_path, data[:cut] + bytes(len(data) - cut))


def test_a_heic_that_ends_in_zeros_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = (DATA / "quarters_6.heic").read_bytes()
    monkeypatch.setattr(decode, "_ZERO_TAIL", 64)
    with pytest.raises(BadFrame, match="zeros"):
        load_bytes(tmp_path, data[:-64] + bytes(64))


def test_a_heic_with_an_item_that_has_no_proper_name_is_noticed(tmp_path: Path) -> None:
    """Such a file ends the whole process in the decoder."""
    data = (DATA / "quarters_6.heic").read_bytes()
    place = data.index(b"Exif")
    with pytest.raises(BadFrame, match="no proper name"):
        load_bytes(tmp_path, data[:place] + b"\xff" + data[place + 1 :])


def test_a_cut_jpeg_with_an_end_mark_put_behind_is_noticed(tmp_path: Path) -> None:
    for kind in ("jpeg", "progressive jpeg", "jpeg with restarts"):
        data = coded(kind)
        with pytest.raises(BadFrame):
            load_bytes(tmp_path, data[: len(data) * 6 // 10] + b"\xff\xd9")


def test_what_stands_behind_the_picture_is_of_no_matter(tmp_path: Path) -> None:
    data = coded("jpeg")

    np.testing.assert_array_equal(load_bytes(tmp_path, data + b"maker's notes" * 9).pixels, load_bytes(tmp_path, data).pixels)


@given(st.sampled_from([*sorted(KINDS), "heic"]), st.data())
@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_damage_gives_a_picture_or_bad_frame(tmp_path: Path, kind: str, data: st.DataObject) -> None:
    body = bytearray((DATA / "quarters_6.heic").read_bytes() if kind == "heic" else coded(kind, (40, 24)))
    for _ in range(data.draw(st.integers(1, 4))):
        body[data.draw(st.integers(0, len(body) - 1))] = data.draw(st.integers(0, 255))
    try:
        found = load_bytes(tmp_path, bytes(body)).pixels
    except BadFrame:
        return  # any other exception fails the test
    assert found.ndim == 3
    assert found.dtype == np.uint8


# --- files that are no photos -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "empty"),
        (b"Dear diary,\n", "but text"),
        (b"\0\1\2\3" * 99, "something else"),
        (b"\xff\xd8\xff\xe0", "names no size"),
        (b"GIF89a\1\0\1\0\0\0\0;", "no JPEG, PNG, TIFF, WebP or HEIC"),
    ],
)
def test_files_that_are_no_photos(tmp_path: Path, data: bytes, reason: str) -> None:
    with pytest.raises(BadFrame, match=reason):
        load_bytes(tmp_path, data)
    with pytest.raises(BadFrame):
        size_of(frame_of(tmp_path / "a.jpg"))


def test_missing_files_and_folders(tmp_path: Path) -> None:
    for ask in (load, size_of, fingerprint):
        with pytest.raises(BadFrame, match="cannot be read"):
            ask(frame_of(tmp_path / "gone.jpg"))
    (tmp_path / "folder.jpg").mkdir()
    with pytest.raises(BadFrame, match="folder"):
        load(frame_of(tmp_path / "folder.jpg"))


def test_a_very_wide_picture_works(tmp_path: Path) -> None:
    found = load_bytes(tmp_path, encode(Image.new("RGB", (30_000, 40), (9, 8, 7)), "PNG"))

    assert found.pixels.shape == (40, 30_000, 3)
    assert found.pixels[20, 29_999].tolist() == [7, 8, 9]
    assert size_of(frame_of(tmp_path / "a.jpg")) == (30_000, 40)


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP", "JPEG"])
def test_too_many_pixels_are_refused_by_the_head(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    monkeypatch.setattr(decode, "MOST_PIXELS", 40 * 24 - 1)
    monkeypatch.setattr(decode, "_DECODERS", {})
    with pytest.raises(BadFrame, match="40 x 24 pixels"):
        load_bytes(tmp_path, encode(picture(), kind))


def test_a_bomb_is_refused_before_memory_is_taken(tmp_path: Path) -> None:
    """A PNG head (third edition, 11.2.1) that claims 100,000 x 100,000 pixels."""
    bomb = bytearray(encode(Image.new("1", (8, 8)), "PNG"))
    bomb[16:24] = (100_000).to_bytes(4, "big") * 2
    with pytest.raises(BadFrame, match="400 million"):
        load_bytes(tmp_path, bytes(bomb))


def test_heic_with_too_many_pixels_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decode, "MOST_PIXELS", 64 * 48 - 1)
    with pytest.raises(BadFrame, match="64 x 48 pixels"):
        load(frame_of(DATA / "quarters_1.heic"))


def test_a_very_large_file_is_refused_unread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decode, "MOST_BYTES", 100)
    with pytest.raises(BadFrame, match="more than a photo can have"):
        load_bytes(tmp_path, coded("jpeg"))


def test_decoding_leaves_the_files_alone(tmp_path: Path) -> None:
    for at, kind in enumerate(KINDS):
        (tmp_path / f"{at}.jpg").write_bytes(coded(kind))
    before = traces(tmp_path)
    for at in range(len(KINDS)):
        load(frame_of(tmp_path / f"{at}.jpg"))
        size_of(frame_of(tmp_path / f"{at}.jpg"))

    assert traces(tmp_path) == before
