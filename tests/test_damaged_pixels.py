"""Files whose pixels would be read wrong without a word: each is refused with one line."""

import io
import struct
import zlib
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from io_samples import (
    exif_bytes,
    mosaic_of,
    smooth_picture,
    write_dng,
    write_jpeg,
    write_png,
    write_tiff,
)
from PIL import Image

from merge.errors import ReadError
from merge.read import probe_frame, read_frame
from merge.read.orientation import apply_orientation

PICTURE = smooth_picture(96, 128, 3, np.uint8)


def read(path):
    return read_frame(probe_frame(path)).pixels


def change_tag(path, code, value, *, page=0):
    """Overwrite a TIFF tag's only value, whatever stands there."""
    with tifffile.TiffFile(path) as file:
        tag = file.pages[page].tags[code]
        at, kind = tag.offset + 8, int(tag.dtype)
    data = bytearray(path.read_bytes())
    struct.pack_into("<H" if kind == 3 else "<I", data, at, value)
    path.write_bytes(data)


def cut_strip_table(path, code_counts=(273, 279)):
    """Make the tables of strips one entry shorter."""
    with tifffile.TiffFile(path) as file:
        places = [file.pages[0].tags[code] for code in code_counts]
        changes = [(tag.offset + 4, tag.count - 1) for tag in places]
    data = bytearray(path.read_bytes())
    for at, count in changes:
        struct.pack_into("<I", data, at, count)
    path.write_bytes(data)


@pytest.mark.parametrize("compression", [None, "deflate", "lzw", "zstd", "packbits"])
@pytest.mark.parametrize("rows", [17, 30, 20000])
def test_tiff_with_a_wrong_number_of_rows_in_a_strip_is_refused(tmp_path, compression, rows):
    path = write_tiff(tmp_path / "a.tif", PICTURE, rowsperstrip=20, compression=compression)
    read(path)
    change_tag(path, 278, rows)
    with pytest.raises(ReadError, match=r"strip|a\.tif: cut off"):
        read(path)


def test_tiff_with_as_many_strips_but_other_rows_is_refused(tmp_path):
    """96 rows: 5 strips of 20, or of 23; the number of strips tells nothing."""
    for compression in (None, "deflate"):
        path = write_tiff(tmp_path / "a.tif", PICTURE, rowsperstrip=23, compression=compression)
        change_tag(path, 278, 20)
        with pytest.raises(ReadError, match="strip 1 has"):
            read(path)


@pytest.mark.parametrize("options", [{"rowsperstrip": 16}, {"tile": (32, 32)}])
@pytest.mark.parametrize("compression", [None, "deflate"])
def test_tiff_with_too_few_segments_is_refused(tmp_path, options, compression):
    path = write_tiff(tmp_path / "a.tif", PICTURE, compression=compression, **options)
    read(path)
    cut_strip_table(path, (324, 325) if "tile" in options else (273, 279))
    with pytest.raises(ReadError, match="where its size takes"):
        read(path)


def test_tiff_with_a_larger_size_than_its_data_is_refused(tmp_path):
    path = write_tiff(tmp_path / "a.tif", PICTURE, rowsperstrip=96)
    change_tag(path, 257, 120)
    with pytest.raises(ReadError, match="takes 2"):
        read(path)


@pytest.mark.parametrize("compression", [None, "deflate", "lzw", "zstd"])
def test_a_tiff_of_terabytes_is_refused_before_memory_is_taken(tmp_path, compression):
    path = write_tiff(tmp_path / "a.tif", PICTURE, rowsperstrip=96, compression=compression)
    for size in (30_000, 2_000_000):
        for code in (256, 257, 278):
            change_tag(path, code, min(size, 65535) if code == 278 else size)
        with pytest.raises(ReadError, match=r"a\.tif: "):
            read(path)


def test_a_png_of_terabytes_is_refused_before_memory_is_taken(tmp_path):
    path = write_png(tmp_path / "a.png", PICTURE)
    data = bytearray(path.read_bytes())
    for size in (30_000, 2_000_000_000):
        struct.pack_into(">II", data, 16, size, size)
        struct.pack_into(">I", data, 29, zlib.crc32(data[12:29]))
        path.write_bytes(data)
        with pytest.raises(ReadError, match=r"cannot lie in its|expected at most"):
            read(path)


@pytest.mark.parametrize("progressive", [False, True])
def test_a_jpeg_without_its_tail_is_refused_although_an_end_marker_stands_there(
    tmp_path, progressive
):
    path = write_jpeg(tmp_path / "a.jpg", PICTURE, progressive=progressive)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) - 200] + b"\xff\xd9")
    with pytest.raises(ReadError, match="damaged"):
        read(path)


@pytest.mark.parametrize(("at", "value"), [(5, 200), (5, 50), (7, 300), (7, 60)])
def test_a_jpeg_with_a_wrong_height_or_width_is_refused(tmp_path, at, value):
    path = write_jpeg(tmp_path / "a.jpg", PICTURE)
    data = bytearray(path.read_bytes())
    struct.pack_into(">H", data, data.index(b"\xff\xc0") + at, value)
    path.write_bytes(data)
    with pytest.raises(ReadError, match="damaged"):
        read(path)


def test_a_whole_jpeg_that_a_camera_filled_up_is_read(tmp_path):
    """Zero bytes between the last block and the end marker: seen in cameras' files, no source."""
    path = write_jpeg(tmp_path / "a.jpg", PICTURE)
    expected = read(path)
    path.write_bytes(path.read_bytes()[:-2] + bytes(100) + b"\xff\xd9")
    assert np.array_equal(read(path), expected)


def test_jpeg_pixels_are_those_of_a_second_decoder(tmp_path):
    """Pillow's own build of libjpeg."""
    for options in ({}, {"progressive": True}, {"subsampling": 2}, {"restart_marker_rows": 1}):
        buffer = io.BytesIO()
        Image.fromarray(PICTURE).save(buffer, "JPEG", **({"quality": 90} | options))
        path = tmp_path / "a.jpg"
        path.write_bytes(buffer.getvalue())
        assert np.array_equal(np.rint(read(path) * 255), np.asarray(Image.open(path)))


@pytest.mark.parametrize("place", ["checksum", "cut", "more", "missing end"])
def test_a_png_whose_stream_is_broken_is_refused(tmp_path, place):
    """The decoder stops at the last row and never looks at the checksum (RFC 1950, 2.2)."""
    path = write_png(tmp_path / "a.png", PICTURE)
    data = path.read_bytes()
    at = data.index(b"IDAT") - 4
    size = int.from_bytes(data[at : at + 4], "big")
    body, behind = data[at + 8 : at + 8 + size], data[at + 12 + size :]
    if place == "checksum":
        body = body[:-1] + bytes([body[-1] ^ 1])
    elif place == "cut":
        body = body[:-6]
    elif place == "more":
        body = zlib.compress(zlib.decompress(body) + b"\0" * 400)
    else:
        behind = b""
    chunk = len(body).to_bytes(4, "big") + b"IDAT" + body
    chunk += zlib.crc32(b"IDAT" + body).to_bytes(4, "big")
    path.write_bytes(data[:at] + chunk + behind)
    with pytest.raises(ReadError, match=r"damaged|cut off|do not fit"):
        read(path)


def dng(path):
    return write_dng(path, mosaic_of(smooth_picture(96, 128, dtype="f8")))


def test_a_dng_whose_strip_lies_at_the_end_of_the_file_is_refused(tmp_path):
    path = dng(tmp_path / "a.dng")
    read(path)
    change_tag(path, 273, path.stat().st_size)
    with pytest.raises(ReadError, match="cut off"):
        read(path)


@pytest.mark.parametrize(("code", "value"), [(50717, 100), (50717, 0), (50717, 1 << 20)])
def test_a_dng_with_a_white_level_that_cannot_be_is_refused(tmp_path, code, value):
    path = dng(tmp_path / "a.dng")
    change_tag(path, code, value)
    with pytest.raises(ReadError, match="level"):
        read(path)


def test_a_dng_with_a_black_level_that_cannot_be_is_refused(tmp_path):
    path = dng(tmp_path / "a.dng")
    with tifffile.TiffFile(path) as file:
        at = file.pages[0].tags[50714].valueoffset
    data = bytearray(path.read_bytes())
    for value in (60000, 15360):
        struct.pack_into("<II", data, at, value, 1)
        path.write_bytes(data)
        with pytest.raises(ReadError, match="level"):
            read(path)


def test_a_dark_and_a_burnt_dng_are_read(tmp_path):
    for name, value in (("dark", 0.0), ("burnt", 1.0)):
        picture = np.full((96, 128, 3), value)
        read(write_dng(tmp_path / f"{name}.dng", mosaic_of(picture)))


def raw_profile(block, *, packed, name=b"exif"):
    """Return a text chunk as converters without the eXIf chunk write it."""
    digits = block.hex().encode()
    lines = b"\n".join(digits[i : i + 72] for i in range(0, len(digits), 72))
    text = b"\n" + name + b"\n%8d\n" % len(block) + lines + b"\n"
    key = b"Raw profile type " + name + b"\0"
    kind, body = (b"zTXt", key + b"\0" + zlib.compress(text)) if packed else (b"tEXt", key + text)
    checksum = zlib.crc32(kind + body).to_bytes(4, "big")
    return len(body).to_bytes(4, "big") + kind + body + checksum


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("behind", [False, True])
@pytest.mark.parametrize("name", [b"exif", b"APP1"])
def test_the_orientation_in_a_raw_text_profile_is_applied(tmp_path, packed, behind, name):
    block = exif_bytes(orientation=6)
    assert block.startswith(b"Exif\0\0")
    data = imagecodecs.png_encode(PICTURE)
    at = len(data) - 12 if behind else 33
    path: Path = tmp_path / "a.png"
    path.write_bytes(data[:at] + raw_profile(block, packed=packed, name=name) + data[at:])
    assert probe_frame(path).orientation == 6
    assert np.array_equal(np.rint(read(path) * 255), apply_orientation(PICTURE, 6))
