"""Results to files: what independent readers see, and that nothing half-done is left."""

import json
import os
import stat
import subprocess
import sys
from pathlib import Path

import cv2
import exiv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from io_samples import exif_bytes, smooth_picture, write_frames, write_jpeg
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from merge.errors import ReadError, WriteError
from merge.metadata import own_content
from merge.model import DepthMap
from merge.read import find_frames, probe_frame, read_frame
from merge.write import (
    check_output,
    default_output,
    hash_file,
    write_depth,
    write_json,
    write_picture,
)
from merge.write import tiff as tiff_writer

SUFFIXES = (".tif", ".png", ".jpg")
PROVENANCE = {"version": "1.2", "frames": ["a.jpg", "Käfer.jpg"], "method": "auto"}


@pytest.fixture
def source(tmp_path):
    """Return a reference frame with full metadata and a profile, turned by its orientation."""
    exif = exif_bytes(
        orientation=6,
        main={271: "Invented", 272: "Invented One", 315: "A. Person", 33432: "free"},
        photo={33434: IFDRational(1, 250), 33437: IFDRational(56, 10), 34855: 400,
               37386: IFDRational(100, 1), 42036: "Macro 100 mm", 36867: "2024:07:01 10:00:05",
               37521: "25", 37382: IFDRational(3, 10), 40962: 64, 40963: 48,
               37500: b"maker note"},
        gps={1: "N", 2: (47.0, 30.0, 10.0), 3: "E", 4: (11.0, 20.0, 5.0), 6: 900.5},
    )  # fmt: skip
    folder = tmp_path / "card"
    folder.mkdir()
    profile = imagecodecs.cms_profile("adobergb")
    path = folder / "a.jpg"
    write_jpeg(path, smooth_picture(dtype=np.uint8), exif=exif, icc_profile=profile)
    return probe_frame(path)


@pytest.fixture
def pixels():
    return smooth_picture(70, 90, dtype=np.float32)


def exiv2_tags(path):
    picture = exiv2.ImageFactory.open(str(path))
    picture.readMetadata()
    exif = {d.key(): d.toString() for d in picture.exifData()}
    return exif, {d.key(): d.toString() for d in picture.xmpData()}


def files_in(folder):
    return sorted(p.name for p in folder.iterdir() if p.is_file())


# What stands in the files


def test_tiff_holds_the_pixels_by_three_readers(tmp_path, source, pixels):
    path = write_picture(tmp_path / "o.tif", pixels, source=source, provenance=PROVENANCE)
    expected = np.rint(pixels * 65535).astype(np.uint16)
    np.testing.assert_array_equal(tifffile.imread(path), expected)
    np.testing.assert_array_equal(cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[:, :, ::-1], expected)
    assert read_frame(probe_frame(path)).pixels == pytest.approx(pixels, abs=0.51 / 65535)


def test_png_and_jpeg_hold_the_pixels(tmp_path, source, pixels):
    png = write_picture(tmp_path / "o.png", pixels, source=source, provenance=PROVENANCE)
    jpeg = write_picture(tmp_path / "o.jpg", pixels, source=source, provenance=PROVENANCE)
    found = cv2.imread(str(png), cv2.IMREAD_UNCHANGED)[:, :, ::-1]
    np.testing.assert_array_equal(found, np.rint(pixels * 65535).astype(np.uint16))
    with Image.open(jpeg) as picture:
        assert np.asarray(picture) / 255 == pytest.approx(pixels, abs=0.04)
        assert [layer[1:3] for layer in picture.layer] == [(1, 1)] * 3, "full colour resolution"


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_grey_stays_grey(tmp_path, source, suffix):
    grey = smooth_picture(70, 90, 1, dtype=np.float32)[:, :, None]
    path = write_picture(tmp_path / f"o{suffix}", grey, source=source, provenance={})
    assert probe_frame(path).shape == (70, 90, 1)
    assert read_frame(probe_frame(path)).pixels == pytest.approx(grey, abs=0.02)


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_values_are_clipped_and_rounded_not_wrapped(tmp_path, source, suffix):
    flat = np.empty((16, 32, 3), np.float32)
    flat[:, :16], flat[:, 16:] = -0.7, 1.7
    path = write_picture(tmp_path / f"o{suffix}", flat, source=source, provenance={})
    found = read_frame(probe_frame(path)).pixels
    assert found[:, :16].max() <= 0.02
    assert found[:, 16:].min() >= 0.98


def test_undefined_values_are_a_programming_error(tmp_path, source, pixels):
    pixels[3, 4, 1] = np.nan
    with pytest.raises(ValueError, match="NaN"):
        write_picture(tmp_path / "o.tif", pixels, source=source, provenance={})
    assert files_in(tmp_path) == []


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_true_metadata_is_carried_and_the_rest_is_dropped(tmp_path, source, pixels, suffix):
    path = write_picture(tmp_path / f"o{suffix}", pixels, source=source, provenance=PROVENANCE)
    exif, xmp = exiv2_tags(path)
    expected = {
        "Exif.Image.Make": "Invented",
        "Exif.Image.Model": "Invented One",
        "Exif.Image.Orientation": "1",
        "Exif.Image.Artist": "A. Person",
        "Exif.Image.Copyright": "free",
        "Exif.Image.Software": "depthweld 1.2",
        "Exif.Photo.ExposureTime": "1/250",
        "Exif.Photo.FNumber": "28/5",
        "Exif.Photo.ISOSpeedRatings": "400",
        "Exif.Photo.FocalLength": "100/1",
        "Exif.Photo.LensModel": "Macro 100 mm",
        "Exif.Photo.DateTimeOriginal": "2024:07:01 10:00:05",
        "Exif.Photo.SubSecTimeOriginal": "25",
        "Exif.GPSInfo.GPSLatitude": "47/1 30/1 10/1",
        "Exif.GPSInfo.GPSAltitude": "1801/2",
    }
    assert {key: exif.get(key) for key in expected} == expected
    left_out = ("MakerNote", "Thumbnail", "PixelXDimension", "SubjectDistance")
    assert not [key for key in exif if any(word in key for word in left_out)]
    assert "1.2" in xmp.values()
    assert any("Käfer.jpg" in value for value in xmp.values())
    again = probe_frame(path)
    assert again.settings.camera == source.settings.camera
    assert again.settings.captured_at == source.settings.captured_at
    assert again.icc_profile == source.icc_profile
    assert (again.transfer, again.orientation) == (source.transfer, 1)


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_pillow_reads_profile_and_settings(tmp_path, source, pixels, suffix):
    path = write_picture(tmp_path / f"o{suffix}", pixels[:, :, :1], source=source, provenance={})
    if suffix == ".tif":
        with tifffile.TiffFile(path) as file:
            assert file.pages.first.iccprofile == source.icc_profile
            assert file.pages.first.tags[34665].value["FNumber"] == (28, 5)
            assert file.pages.first.tags[34853].value["GPSLatitudeRef"] == "N"
    with Image.open(path) as picture:
        assert picture.info["icc_profile"] == source.icc_profile
        assert picture.getexif().get_ifd(0x8769)[33437] == pytest.approx(5.6)
        assert picture.getexif().get_ifd(0x8825)[1] == "N"


def test_bigtiff_is_read_by_tifffile_with_its_metadata(tmp_path, source, pixels, monkeypatch):
    monkeypatch.setattr(tiff_writer, "CLASSIC_LIMIT_BYTES", 1000)
    path = write_picture(tmp_path / "o.tif", pixels, source=source, provenance=PROVENANCE)
    with tifffile.TiffFile(path) as file:
        assert file.is_bigtiff
        tags = file.pages.first.tags
        assert [tag.code for tag in tags] == sorted(tag.code for tag in tags)
        assert tags[34665].value["FNumber"] == (28, 5)
        assert tags[34665].value["DateTimeOriginal"] == "2024:07:01 10:00:05"
        assert tags[34853].value["GPSLatitude"] == (47, 1, 30, 1, 10, 1)
    with Image.open(path) as picture:
        assert picture.getexif().get_ifd(0x8769)[33437] == pytest.approx(5.6)
    assert read_frame(probe_frame(path)).pixels == pytest.approx(pixels, abs=0.51 / 65535)


def test_picture_without_settings_or_profile_is_written(tmp_path, pixels):
    bare = find_frames(write_frames(tmp_path / "in", 1)).sources[0]
    for suffix in SUFFIXES:
        path = write_picture(tmp_path / f"o{suffix}", pixels, source=bare, provenance={})
        assert probe_frame(path).icc_profile is None


def test_jpeg_holds_the_provenance_of_thousands_of_frames(tmp_path, source, pixels):
    frames = [f"a rather long frame name {i:05d}.tif" for i in range(3000)]
    path = tmp_path / "o.jpg"
    write_picture(path, pixels, source=source, provenance={"frames": frames})
    assert any(frames[-1] in value for value in exiv2_tags(path)[1].values())


# Whole or not at all


@pytest.mark.parametrize("suffix", [*SUFFIXES, ".json", ".depth.tif"])
def test_existing_output_stays_unless_overwriting_is_allowed(tmp_path, source, pixels, suffix):
    path = tmp_path / f"o{suffix}"
    depth = DepthMap(pixels[:, :, 0], pixels[:, :, 1])

    def write(**options):
        if suffix == ".json":
            write_json(path, {"a": 1}, **options)
        elif suffix == ".depth.tif":
            write_depth(path, depth, **options)
        else:
            write_picture(path, pixels, source=source, provenance={}, **options)

    path.write_bytes(b"precious")
    with pytest.raises(WriteError, match="exists already; choose another name"):
        write()
    assert path.read_bytes() == b"precious"
    write(overwrite=True)
    assert path.stat().st_size > 8
    assert files_in(tmp_path) == [path.name]


def test_input_frames_are_never_replaced_by_any_name(tmp_path, source, pixels):
    other = tmp_path / "b.tif"
    write_frames(tmp_path, 1)[0].rename(other)
    before = {path: hash_file(path) for path in (source.path, other)}
    (tmp_path / "soft.tif").symlink_to(other)
    os.link(other, tmp_path / "hard.tif")
    (tmp_path / "reference.jpg").symlink_to(source.path)
    for name in ("b.tif", "soft.tif", "hard.tif", "reference.jpg", "card/a.jpg", "card/../b.tif"):
        with pytest.raises(WriteError, match="source files are never changed"):
            write_picture(
                tmp_path / name, pixels, source=source, provenance={}, overwrite=True,
                inputs=[other],
            )  # fmt: skip
    with pytest.raises(WriteError, match="never changed"):
        write_json(tmp_path / "hard.tif", {}, overwrite=True, inputs=[other])
    assert {path: hash_file(path) for path in before} == before


@pytest.mark.parametrize("suffix", SUFFIXES)
@pytest.mark.parametrize("error", [KeyboardInterrupt, MemoryError, OSError(28, "No space left")])
def test_nothing_is_left_when_writing_breaks_off(
    tmp_path, source, pixels, suffix, error, monkeypatch
):
    path = tmp_path / f"o{suffix}"
    path.write_bytes(b"precious")

    def break_off(_number):
        assert len(files_in(tmp_path)) == 2, "a partial file stands beside the target"
        raise error

    monkeypatch.setattr(os, "fsync", break_off)
    expected = WriteError if isinstance(error, OSError) else error
    with pytest.raises(expected) as caught:
        write_picture(path, pixels, source=source, provenance={}, overwrite=True)
    if expected is WriteError:
        assert "No space left" in str(caught.value)
    assert path.read_bytes() == b"precious"
    assert files_in(tmp_path) == [path.name]


FULL_DISK = """
import resource, signal, sys
from pathlib import Path
import numpy as np
from merge.errors import WriteError
from merge.read import probe_frame
from merge.write import write_picture
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
source = probe_frame(sys.argv[1])
pixels = np.random.default_rng(0).random((300, 400, 3), np.float32)
for name in sys.argv[2:]:
    try:
        write_picture(name, pixels, source=source, provenance={})
    except WriteError as exc:
        print(exc)
"""


def test_disk_that_takes_no_more_gives_one_line_and_no_file(tmp_path, source):
    """The system itself refuses to let a file grow beyond 100 kB."""
    folder = tmp_path / "out"
    folder.mkdir()
    names = [str(folder / f"o{suffix}") for suffix in SUFFIXES]
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(source.path), *names],
        capture_output=True, text=True, check=True, cwd=Path(__file__).parents[1],
    )  # fmt: skip
    lines = done.stdout.splitlines()
    assert len(lines) == len(SUFFIXES)
    assert all(f"{n}: cannot be written (" in x for n, x in zip(names, lines, strict=True))
    assert files_in(folder) == []


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_file_that_reads_back_differently_is_refused(tmp_path, source, pixels, suffix, monkeypatch):
    """A disk that returns other bytes than it was given."""
    if suffix == ".tif":
        open_tiff = tifffile.TiffFile

        def open_spoilt(file, **options):
            file.seek(3000)
            file.write(b"spoilt!!")
            file.seek(0)
            return open_tiff(file, **options)

        monkeypatch.setattr(tifffile, "TiffFile", open_spoilt)
    else:
        name = "png_decode" if suffix == ".png" else "jpeg8_decode"
        monkeypatch.setattr(imagecodecs, name, lambda _data: 255 - (pixels * 255).astype(np.uint8))
    with pytest.raises(WriteError, match="does not hold what was written"):
        write_picture(tmp_path / f"o{suffix}", pixels, source=source, provenance={})
    assert files_in(tmp_path) == []


def test_output_is_checked_before_the_work(tmp_path, source):
    check_output(tmp_path / "o.tif", inputs=[source.path])
    (tmp_path / "o.png").write_bytes(b"precious")
    check_output(tmp_path / "o.png", overwrite=True)
    cases = {
        "o.png": "exists already",
        "o.gif": "expected .tif",
        "missing/o.tif": "does not exist",
        "card/a.jpg": "source files are never changed",
    }
    for name, words in cases.items():
        with pytest.raises(WriteError, match=words):
            check_output(tmp_path / name, inputs=[source.path])


def test_wrong_targets_get_one_clear_line(tmp_path, source, pixels):
    (tmp_path / "folder.tif").mkdir()
    cases = {
        "o.bmp": "ending '.bmp', expected .tif, .png or .jpg",
        "o": "no ending",
        "folder.tif": "a folder, expected a file name",
        "missing/o.tif": "does not exist; make it first",
        "x" * 300 + ".tif": "cannot be written",
    }
    for name, words in cases.items():
        with pytest.raises(WriteError, match=words) as caught:
            write_picture(tmp_path / name, pixels, source=source, provenance={})
        assert "\n" not in str(caught.value)


def test_folder_without_permission_gives_one_clear_line(tmp_path, source, pixels, monkeypatch):
    def refuse(*_args, **_options):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("os.open", refuse)
    with pytest.raises(WriteError, match="no permission to write there"):
        write_picture(tmp_path / "o.tif", pixels, source=source, provenance={})


@pytest.mark.skipif(os.name != "posix", reason="file modes of POSIX")
@pytest.mark.parametrize("mask", [0o022, 0o077])
def test_mode_follows_the_umask(tmp_path, source, pixels, mask):
    before = os.umask(mask)
    try:
        path = write_picture(tmp_path / "o.tif", pixels, source=source, provenance={})
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o666 & ~mask


# Depth maps, JSON, names


def test_depth_map_keeps_positions_and_is_never_a_frame(tmp_path):
    position = np.linspace(0.25, 17.5, 48 * 64, dtype=np.float32).reshape(48, 64)
    path = write_depth(tmp_path / "d.tif", DepthMap(position, np.ones_like(position)))
    with tifffile.TiffFile(path) as file:
        page = file.pages.first
        ends = json.loads(page.description)
        stored = page.asarray()
        assert own_content(page.tags[700].value) == "depth map"
    assert (stored.dtype, ends["unit"]) == (np.uint16, "frames")
    found = ends["first"] + stored / 65535 * (ends["last"] - ends["first"])
    assert found == pytest.approx(position, abs=(17.5 - 0.25) / 65535)
    frames = write_frames(tmp_path, 2)
    stack = find_frames(tmp_path)
    assert [s.path for s in stack.sources] == frames
    assert stack.skipped == ("d.tif: a depth map, not a frame",)
    with pytest.raises(ReadError, match="depth map"):
        find_frames([path])


def test_flat_depth_map_is_written(tmp_path):
    flat = np.full((8, 8), 3.0, np.float32)
    path = write_depth(tmp_path / "d.tif", DepthMap(flat, flat))
    assert tifffile.imread(path).max() == 0
    with pytest.raises(WriteError, match=r"written as \.tif"):
        write_depth(tmp_path / "d.png", DepthMap(flat, flat))


def test_json_is_readable_and_ends_with_a_line_break(tmp_path):
    path = write_json(tmp_path / "o.json", {"Käfer": [1, None]})
    assert json.loads(path.read_text(encoding="utf-8")) == {"Käfer": [1, None]}
    assert path.read_bytes().endswith(b"}\n")


def test_hash_is_the_published_sha_256(tmp_path):
    """FIPS 180-2 (2002), appendix B.1: the message "abc"; and a file longer than one block."""
    (tmp_path / "a").write_bytes(b"abc")
    published = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert hash_file(tmp_path / "a") == published
    (tmp_path / "b").write_bytes(b"a" * 1_000_000)  # appendix B.3
    published = "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"
    assert hash_file(tmp_path / "b") == published


def test_default_output_stands_beside_the_frames(tmp_path):
    stack = find_frames(write_frames(tmp_path / "card", 3))
    assert default_output(stack) == tmp_path / "card" / "frame_1-frame_3-merged.tif"


def test_memory_of_writing_a_tiff_is_far_below_a_second_picture(tmp_path, source):
    """In a process of its own: 12 megapixels are 144 MB of floats, 72 MB of integers."""
    script = """
import sys
import numpy as np
sys.path.insert(0, "tests/benchmarks")
from bench_helpers import peak_bytes
from merge.read import probe_frame
from merge.write import write_picture
pixels = np.full((3000, 4000, 3), 0.5, np.float32)
source = probe_frame(sys.argv[1])
write_picture(sys.argv[3], pixels[:64], source=source, provenance={})
before = peak_bytes()
write_picture(sys.argv[2], pixels, source=source, provenance={})
print((peak_bytes() - before) / 2**20)
"""
    done = subprocess.run(
        [sys.executable, "-c", script, str(source.path), str(tmp_path / "o.tif"),
         str(tmp_path / "warm.tif")],
        capture_output=True, text=True, check=True, cwd=Path(__file__).parents[1],
    )  # fmt: skip
    assert float(done.stdout) < 40
