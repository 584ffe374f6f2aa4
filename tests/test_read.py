"""Files to frames: every format, every lying decoder, every refusal."""

import io
import os
import resource
import shutil
import zlib

import cv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from io_samples import (
    camera_colours,
    exif_bytes,
    mosaic_of,
    smooth_picture,
    write_dng,
    write_frames,
    write_grey_dng,
    write_jpeg,
    write_png,
    write_tiff,
)
from PIL import Image
from skimage.color import rgb2xyz

from merge.encoding import linearize
from merge.errors import FrameMismatchError, ReadError
from merge.read import (
    check_stack,
    find_frames,
    probe_frame,
    read_frame,
    read_luminance,
    read_preview,
    read_samples,
)
from merge.write import write_picture

BIG_ENDIAN = {"byteorder": ">"}
TIFF_LAYOUTS = {
    "plain": {},
    "big endian": BIG_ENDIAN,
    "BigTIFF": {"bigtiff": True},
    "planar": {"planarconfig": "separate"},
    "planar deflate": {"planarconfig": "separate", "compression": "zlib", "predictor": True},
    "tiled": {"tile": (16, 32)},
    "planar tiled": {"planarconfig": "separate", "tile": (16, 32)},
    "strips": {"rowsperstrip": 7},
    "deflate": {"compression": "zlib", "predictor": True},
    "LZW": {"compression": "lzw", "predictor": True},
    "LZW big endian": {"compression": "lzw", "predictor": True, **BIG_ENDIAN},
    "PackBits": {"compression": "packbits"},
    "LZMA": {"compression": "lzma"},
    "zstd": {"compression": "zstd", "predictor": True},
    "JPEG 2000": {"compression": "jpeg2000"},
}


def pixels_of(path):
    return read_frame(probe_frame(path)).pixels


def upside(pixels, orientation):
    """Return pixels as a viewer shows them, by Pillow's own turning."""
    picture = Image.fromarray(pixels)
    picture.getexif()[274] = orientation
    buffer = io.BytesIO()
    picture.save(buffer, "TIFF", exif=picture.getexif(), compression="raw")
    from PIL import ImageOps

    return np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(buffer.getvalue()))))


# Formats


@pytest.mark.parametrize("layout", TIFF_LAYOUTS)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_tiff_gives_exact_pixels_in_every_layout(tmp_path, layout, dtype):
    stored = smooth_picture(dtype=dtype)
    path = write_tiff(tmp_path / "a.tif", stored, **TIFF_LAYOUTS[layout])
    source = probe_frame(path)
    assert (source.kind, source.shape) == ("tiff", (48, 64, 3))
    assert source.bit_depth == np.iinfo(dtype).bits
    expected = stored / np.float64(np.iinfo(dtype).max)
    assert pixels_of(path) == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize("dtype", [np.float16, np.float32])
@pytest.mark.parametrize("layout", ["plain", "big endian", "planar", "tiled", "deflate"])
def test_float_tiff_keeps_its_values_as_linear_light(tmp_path, dtype, layout):
    options = dict(TIFF_LAYOUTS[layout])
    if dtype is np.float16:
        options.pop("predictor", None)
    stored = smooth_picture(dtype=dtype)
    source = probe_frame(write_tiff(tmp_path / "a.tif", stored, **options))
    assert (source.transfer, source.bit_depth) == ("linear", 32)
    np.testing.assert_array_equal(read_frame(source).pixels, stored.astype(np.float32))
    samples, _ = read_samples(source)
    assert samples.dtype == np.float32


def test_twelve_bit_tiff_is_scaled_by_its_own_white(tmp_path):
    stored = smooth_picture(dtype=np.uint16) >> 4
    try:
        path = write_tiff(tmp_path / "a.tif", stored, bitspersample=12)
    except NotImplementedError:
        pytest.skip("this release of the writer packs no 12 bits")
    assert pixels_of(path) == pytest.approx(stored / 4095, abs=1e-7)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_grey_pictures_stay_grey(tmp_path, dtype):
    stored = smooth_picture(channels=1, dtype=dtype)
    expected = stored[:, :, None] / np.float64(np.iinfo(dtype).max)
    for path in (
        write_tiff(tmp_path / "a.tif", stored),
        write_tiff(tmp_path / "w.tif", np.iinfo(dtype).max - stored, photometric="miniswhite"),
        write_png(tmp_path / "a.png", stored),
    ):
        assert probe_frame(path).shape == (48, 64, 1)
        assert pixels_of(path) == pytest.approx(expected, abs=1e-7)


def test_grey_jpeg_stays_grey(tmp_path):
    stored = smooth_picture(channels=1, dtype=np.uint8)
    path = write_jpeg(tmp_path / "a.jpg", stored)
    assert pixels_of(path).shape == (48, 64, 1)
    assert pixels_of(path)[:, :, 0] == pytest.approx(stored / 255, abs=0.02)


def test_jpeg_inside_tiff_is_decoded_to_rgb(tmp_path):
    """Against Pillow, for both colour spaces that such a file may name."""
    stored = smooth_picture(dtype=np.uint8)
    Image.fromarray(stored).save(tmp_path / "rgb.tif", compression="jpeg")
    write_tiff(tmp_path / "ycc.tif", stored, photometric="ycbcr", compression="jpeg")
    for name in ("rgb.tif", "ycc.tif"):
        expected = np.asarray(Image.open(tmp_path / name).convert("RGB")) / 255
        assert pixels_of(tmp_path / name) == pytest.approx(expected, abs=2 / 255)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_png_keeps_its_bit_depth(tmp_path, dtype):
    stored = smooth_picture(dtype=dtype)
    source = probe_frame(write_png(tmp_path / "a.png", stored))
    assert (source.kind, source.bit_depth) == ("png", np.iinfo(dtype).bits)
    expected = stored / np.float64(np.iinfo(dtype).max)
    assert read_frame(source).pixels == pytest.approx(expected, abs=1e-7)


def test_kind_comes_from_content_whatever_the_name(tmp_path):
    stored = smooth_picture(dtype=np.uint8)
    names = {"tiff": "a.jpg", "png": "b.tif", "jpeg": "c.png"}
    write_tiff(tmp_path / names["tiff"], stored)
    write_png(tmp_path / names["png"], stored)
    write_jpeg(tmp_path / "x.jpg", stored).rename(tmp_path / names["jpeg"])
    for kind, name in names.items():
        assert probe_frame(tmp_path / name).kind == kind


def test_names_outside_ascii_work(tmp_path):
    folder = tmp_path / "Käfer 甲虫"
    folder.mkdir()
    stored = smooth_picture(dtype=np.uint8)
    write_tiff(folder / "ä1.tif", stored)
    write_png(folder / "ä2.png", stored)
    write_jpeg(folder / "ä3.jpg", stored)
    write_dng(folder / "ä4.dng", np.full((32, 32), 4000, np.uint16))
    for source in find_frames(folder).sources:
        assert read_frame(source).pixels.shape == source.shape


def test_heif_pixels_are_upright_and_near_the_original(tmp_path):
    pillow_heif = pytest.importorskip("pillow_heif")
    stored = smooth_picture(dtype=np.uint8)
    file = pillow_heif.from_bytes("RGB", (64, 48), stored.tobytes())
    file.save(tmp_path / "a.heic", quality=95, exif=exif_bytes(photo={33434: 0.004}))
    source = probe_frame(tmp_path / "a.heic")
    assert (source.kind, source.shape) == ("heif", (48, 64, 3))
    assert source.settings.exposure_time_s == pytest.approx(0.004, rel=1e-6)
    assert read_frame(source).pixels == pytest.approx(stored / 255, abs=0.08)


@pytest.mark.parametrize("orientation", [3, 6, 8])
def test_heif_is_turned_once(tmp_path, orientation):
    pillow_heif = pytest.importorskip("pillow_heif")
    stored = smooth_picture(dtype=np.uint8)
    file = pillow_heif.from_bytes("RGB", (64, 48), stored.tobytes())
    file.save(tmp_path / "a.heic", quality=95, exif=exif_bytes(orientation=orientation))
    source = probe_frame(tmp_path / "a.heic")
    expected = upside(stored, orientation)
    assert source.shape == expected.shape
    assert read_frame(source).pixels == pytest.approx(expected / 255, abs=0.08)


def test_heif_without_its_library_names_the_extra(tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "pillow_heif", None)
    (tmp_path / "a.heic").write_bytes(b"\0\0\0\x18ftypheic" + b"\0" * 60)
    with pytest.raises(ReadError, match=r"a\.heic: HEIF needs .*depthweld\[heif\]"):
        probe_frame(tmp_path / "a.heic")


# Orientation


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_applied_once_in_every_format(tmp_path, orientation):
    """The expected turn is Pillow's."""
    stored = smooth_picture(dtype=np.uint8)
    exif = exif_bytes(orientation=orientation)
    expected = upside(stored, orientation)
    png = io.BytesIO()
    Image.fromarray(stored).save(png, "PNG", exif=exif)
    (tmp_path / "a.png").write_bytes(png.getvalue())
    write_tiff(tmp_path / "a.tif", stored, extratags=[(274, 3, 1, orientation, True)])
    write_jpeg(tmp_path / "a.jpg", stored, exif=exif)
    for name, tolerance in (("a.png", 0), ("a.tif", 0), ("a.jpg", 10)):
        source = probe_frame(tmp_path / name)
        assert source.orientation == orientation
        assert source.shape == expected.shape
        found = read_frame(source).pixels * 255
        assert found == pytest.approx(expected, abs=tolerance + 1e-3)
        grey = cv2.cvtColor(read_frame(source).pixels, cv2.COLOR_RGB2GRAY)
        assert read_luminance(source) == pytest.approx(grey, abs=0.012)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_raw_orientation_is_applied_once_to_pixels_luminance_and_preview(tmp_path, orientation):
    native = np.dstack([smooth_picture(96, 128, 1, dtype=np.float64) * 0.8] * 3)
    preview = np.rint(255 * native[::2, ::2] ** (1 / 2.2)).astype(np.uint8)
    path = write_dng(
        tmp_path / "a.dng", mosaic_of(native), orientation=orientation, preview=preview,
        neutral=np.ones(3),
    )  # fmt: skip
    source = probe_frame(path)
    upright = upside(np.rint(255 * native).astype(np.uint8), orientation)
    assert (source.orientation, source.shape) == (orientation, upright.shape)
    expected = cv2.cvtColor(upright, cv2.COLOR_RGB2GRAY).astype(np.float64)
    for found in (
        cv2.cvtColor(read_frame(source).pixels, cv2.COLOR_RGB2GRAY),
        read_luminance(source),
    ):
        assert np.corrcoef(found.ravel(), expected.ravel())[0, 1] > 0.97
    small, scale = read_preview(source, min_long_side_px=64)
    assert scale == 2
    halved = cv2.resize(expected, small.shape[::-1], interpolation=cv2.INTER_AREA)
    assert np.corrcoef(small.ravel(), halved.ravel())[0, 1] > 0.97


# Luminance and previews


@pytest.mark.parametrize("reduction", [1, 2, 3, 4, 7])
@pytest.mark.parametrize("orientation", [1, 3, 6])
def test_luminance_averages_whole_blocks_from_the_upper_left(tmp_path, reduction, orientation):
    """Against numpy's own mean over blocks; 50 x 66 px leave rests for most factors."""
    stored = smooth_picture(50, 66)
    tags = [(274, 3, 1, orientation, True)]
    source = probe_frame(write_tiff(tmp_path / "a.tif", stored, extratags=tags))
    full = read_frame(source).pixels.astype(np.float64) @ [0.299, 0.587, 0.114]
    height, width = full.shape[0] // reduction, full.shape[1] // reduction
    blocks = full[: height * reduction, : width * reduction]
    expected = blocks.reshape(height, reduction, width, reduction).mean(axis=(1, 3))
    found = read_luminance(source, reduction=reduction)
    assert found.dtype == np.float32
    assert found == pytest.approx(expected, abs=2e-6)


def test_jpeg_luminance_is_that_of_its_pixels(tmp_path):
    stored = smooth_picture(50, 66, dtype=np.uint8)
    source = probe_frame(write_jpeg(tmp_path / "a.jpg", stored))
    full = read_frame(source).pixels @ np.array([0.299, 0.587, 0.114], np.float32)
    assert read_luminance(source) == pytest.approx(full, abs=1.5 / 255)
    blocks = full[:48, :64].reshape(12, 4, 16, 4).mean(axis=(1, 3))
    assert read_luminance(source, reduction=4) == pytest.approx(blocks, abs=1 / 255)


def test_raw_luminance_from_half_size_lies_where_the_full_picture_has_it(tmp_path):
    """A grey ramp: a slip by one pixel would show as -1 or 1.

    Red and blue samples sit in opposite corners of a 2 x 2 cell, which leaves the stated 0.2 px.
    """
    ramp = np.linspace(0.1, 0.9, 128)[None, :, None] ** 2.2 * np.ones((64, 1, 3))
    neutral = np.ones(3)
    source = probe_frame(write_dng(tmp_path / "a.dng", mosaic_of(ramp), neutral=neutral))
    full = read_frame(source).pixels @ np.array([0.299, 0.587, 0.114], np.float32)
    for reduction in (2, 4):
        small = read_luminance(source, reduction=reduction)
        height, width = 64 // reduction, 128 // reduction
        blocks = full.reshape(height, reduction, width, reduction).mean(axis=(1, 3))
        step = np.diff(blocks[5]).mean()
        shift_px = (small - blocks)[2:-2, 2:-2].mean() / step * reduction
        assert shift_px == pytest.approx(0, abs=0.2)


def test_reduction_outside_the_picture_is_refused(tmp_path):
    source = probe_frame(write_png(tmp_path / "a.png", smooth_picture()))
    for reduction in (0, 49):
        with pytest.raises(ValueError, match="reduction"):
            read_luminance(source, reduction=reduction)


def test_preview_is_at_least_as_long_as_asked(tmp_path):
    path = write_jpeg(tmp_path / "a.jpg", smooth_picture(200, 300, dtype=np.uint8))
    small, scale = read_preview(path, min_long_side_px=100)
    assert (small.shape, scale) == ((66, 100), 3.0)
    whole, scale = read_preview(path, min_long_side_px=4000)
    assert (whole.shape, scale) == ((200, 300), 1.0)


def test_preview_of_another_crop_is_not_used(tmp_path):
    native = smooth_picture(96, 128, dtype=np.float64)
    square = np.zeros((64, 64, 3), np.uint8)
    path = write_dng(tmp_path / "a.dng", mosaic_of(native), preview=square)
    small, _ = read_preview(path, min_long_side_px=64)
    assert small.shape == (48, 64)
    assert small.max() > 0.3


# Raw


def test_raw_colours_are_those_of_the_scene(tmp_path):
    """Through a colour-management library: our profile to sRGB, against the sRGB put in.

    XYZ by scikit-image. The camera is invented, the chain from XYZ to its colours known.
    """
    patches = np.array([[0.2, 0.4, 0.6], [0.8, 0.3, 0.2], [0.5, 0.5, 0.5],
                        [0.1, 0.6, 0.2], [1.0, 1.0, 1.0], [0.9, 0.8, 0.1]])  # fmt: skip
    scene = patches.reshape(2, 3, 3).repeat(40, 0).repeat(40, 1)
    source = probe_frame(write_dng(tmp_path / "a.dng", mosaic_of(camera_colours(rgb2xyz(scene)))))
    srgb = imagecodecs.cms_profile("srgb")
    found = imagecodecs.cms_transform(
        read_frame(source).pixels, source.icc_profile, srgb,
        colorspace="rgb", outcolorspace="rgb", outdtype="f4",
    )[20::40, 20::40].reshape(-1, 3)  # fmt: skip
    light, expected = linearize(found, "srgb"), linearize(patches, "srgb")
    assert light / light[4] == pytest.approx(expected / expected[4], abs=0.004)


def test_raw_from_a_plain_demosaic_shows_the_same_in_16_bits(tmp_path):
    native = np.dstack([smooth_picture(96, 128, 1, dtype=np.float64) * 0.8] * 3)
    path = write_dng(tmp_path / "a.dng", mosaic_of(native), neutral=np.ones(3))
    (best, white), (plain, same) = (
        read_samples(probe_frame(path), plain=plain) for plain in (False, True)
    )
    assert best.dtype == plain.dtype == np.uint16
    assert white == same == 65535
    inner = np.s_[4:-4, 4:-4]
    np.testing.assert_allclose(plain[inner] / white, best[inner] / white, atol=0.02)


def test_raw_brightness_does_not_depend_on_the_brightest_pixel(tmp_path):
    """A decoder's default scales every frame by its own peak."""
    values = []
    for i, peak in enumerate((0.5, 0.8, 0.99)):
        native = np.full((64, 64, 3), 0.4)
        native[40:48, 40:48] = peak
        path = write_dng(tmp_path / f"{i}.dng", mosaic_of(native), neutral=np.ones(3))
        values.append(read_frame(probe_frame(path)).pixels[10, 10])
    assert values[1] == pytest.approx(values[0], abs=1e-5)
    assert values[2] == pytest.approx(values[0], abs=1e-5)
    assert linearize(values[0], "srgb").mean() == pytest.approx(0.4, abs=0.02)


def test_raw_stack_has_one_white_balance(tmp_path):
    native = np.full((64, 64, 3), 0.3)
    for i, red in enumerate((0.6, 0.9)):
        neutral = np.array([red, 1.0, 0.7])
        write_dng(tmp_path / f"{i}.dng", mosaic_of(native), neutral=neutral)
    stack = find_frames(tmp_path)
    assert stack.white_balance[:3] == pytest.approx(
        np.array([1 / 0.6, 1, 1 / 0.7]) * stack.white_balance[1], rel=1e-4
    )
    own = [read_frame(s).pixels[9, 9] for s in stack.sources]
    shared = [read_frame(s, white_balance=stack.white_balance).pixels[9, 9] for s in stack.sources]
    assert abs(own[0] - own[1]).max() > 0.02
    np.testing.assert_allclose(shared[0], shared[1], atol=1e-6)
    grey = [
        read_luminance(s, reduction=2, white_balance=stack.white_balance) for s in stack.sources
    ]
    np.testing.assert_allclose(grey[0], grey[1], atol=1e-6)


def test_raw_of_a_sensor_without_colour_filters_gives_grey_frames(tmp_path):
    native = smooth_picture(64, 96, 1, dtype=np.float64) * 0.8
    source = probe_frame(write_grey_dng(tmp_path / "a.dng", native))
    assert (source.kind, source.shape, source.icc_profile) == ("raw", (64, 96, 1), None)
    found = linearize(read_frame(source).pixels[:, :, 0], source.transfer)
    assert found == pytest.approx(native, abs=0.002)
    blocks = found.reshape(32, 2, 48, 2).mean(axis=(1, 3))
    small = linearize(read_luminance(source, reduction=2), source.transfer)
    assert small == pytest.approx(blocks, abs=0.005)


def test_plain_grey_16_bit_tiff_is_not_taken_for_raw(tmp_path):
    path = write_tiff(
        tmp_path / "a.tif", smooth_picture(channels=1), extratags=[(271, 2, 0, "Invented", True)]
    )
    assert probe_frame(path).kind == "tiff"


# Decoders that lie, and damage


@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.9, 0.999])
def test_cut_off_files_are_refused_by_name(tmp_path, share):
    stored = smooth_picture(200, 300, dtype=np.uint8)
    write_jpeg(tmp_path / "a.jpg", stored)
    write_jpeg(tmp_path / "b.jpg", stored, progressive=True)
    write_png(tmp_path / "a.png", stored)
    write_tiff(tmp_path / "a.tif", stored, rowsperstrip=20)
    write_tiff(tmp_path / "b.tif", stored, tile=(64, 64), compression="zlib")
    write_dng(tmp_path / "a.dng", smooth_picture(200, 300, 1))
    for path in sorted(tmp_path.iterdir()):
        whole = path.read_bytes()
        path.write_bytes(whole[: int(share * len(whole))])
        with pytest.raises(ReadError, match=rf"{path.name}: .*(cut off|damaged)"):
            read_frame(probe_frame(path))
        with pytest.raises(ReadError, match=path.name):
            read_luminance(probe_frame(path), reduction=2)


def test_damage_inside_a_jpeg_is_noticed(tmp_path):
    """Random bytes over one card sector; a decoder goes on without a word."""
    path = write_jpeg(tmp_path / "a.jpg", smooth_picture(400, 600, dtype=np.uint8))
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 512] = np.random.default_rng(3).bytes(512)
    path.write_bytes(data)
    assert cv2.imread(str(path)).shape == (400, 600, 3)
    with pytest.raises(ReadError, match=r"a\.jpg: the picture is damaged"):
        read_frame(probe_frame(path))


def test_lost_restart_interval_in_a_jpeg_is_noticed(tmp_path):
    stored = smooth_picture(400, 600, dtype=np.uint8)
    path = tmp_path / "a.jpg"
    cv2.imwrite(str(path), stored, [cv2.IMWRITE_JPEG_RST_INTERVAL, 16])
    read_frame(probe_frame(path))
    data = path.read_bytes()
    cut = data.index(b"\xff\xd3", len(data) // 2)
    path.write_bytes(data[:cut] + data[data.index(b"\xff\xd5", cut) :])
    with pytest.raises(ReadError, match="damaged"):
        read_frame(probe_frame(path))


@pytest.mark.parametrize("compression", ["zlib", "lzw"])
def test_damage_inside_a_compressed_tiff_is_noticed(tmp_path, compression):
    path = write_tiff(tmp_path / "a.tif", smooth_picture(300, 400), compression=compression)
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 512] = np.random.default_rng(4).bytes(512)
    path.write_bytes(data)
    with pytest.raises(ReadError, match=r"a\.tif: .*damaged"):
        read_frame(probe_frame(path))


def test_damage_inside_a_png_is_noticed(tmp_path):
    path = write_png(tmp_path / "a.png", smooth_picture(300, 400))
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0x55
    path.write_bytes(data)
    with pytest.raises(ReadError, match=r"a\.png: .*damaged"):
        read_frame(probe_frame(path))


def test_tiff_with_a_missing_strip_is_not_read_as_black(tmp_path):
    path = write_tiff(tmp_path / "a.tif", smooth_picture(48, 64), rowsperstrip=8)
    with tifffile.TiffFile(path, mode="r+") as file:
        tag = file.pages[0].tags["StripByteCounts"]
        tag.overwrite((0, *tag.value[1:]))
    with pytest.raises(ReadError, match="cut off"):
        read_frame(probe_frame(path))


def test_jpeg_whose_size_is_damaged_is_refused_before_memory_is_filled(tmp_path):
    path = write_jpeg(tmp_path / "a.jpg", smooth_picture(dtype=np.uint8))
    data = bytearray(path.read_bytes())
    size_at = data.index(b"\xff\xc0") + 5
    data[size_at : size_at + 4] = b"\x7f\xff\x7f\xff"
    path.write_bytes(data)
    with pytest.raises(ReadError, match="32767 x 32767 px in only"):
        read_frame(probe_frame(path))


def test_jpeg_with_data_behind_its_end_is_read(tmp_path):
    """Cameras append a second preview, phones a film."""
    path = write_jpeg(tmp_path / "a.jpg", smooth_picture(dtype=np.uint8))
    whole = pixels_of(path)
    path.write_bytes(path.read_bytes() + path.read_bytes()[:900])
    np.testing.assert_array_equal(pixels_of(path), whole)


# Refusals


def save(folder, name, mode, **options):
    Image.fromarray(smooth_picture(dtype=np.uint8)).convert(mode).save(folder / name, **options)
    return folder / name


def test_colour_models_other_than_grey_and_rgb_are_refused(tmp_path):
    cases = {
        save(tmp_path, "cmyk.jpg", "CMYK"): "CMYK",
        save(tmp_path, "cmyk.tif", "CMYK"): "CMYK",
        save(tmp_path, "lab.tif", "LAB"): "Lab",
        save(tmp_path, "ycbcr.tif", "YCbCr"): "in YCbCr",
        save(tmp_path, "table.tif", "P"): "colour table",
        save(tmp_path, "table.png", "P"): "colour table",
        save(tmp_path, "bits.png", "1"): "1 bits",
        save(tmp_path, "bits.tif", "1"): "1-bit",
        write_tiff(tmp_path / "int32.tif", smooth_picture().astype(np.int32)): "32-bit signed",
        write_tiff(tmp_path / "wide.tif", smooth_picture().astype(np.uint32)): "32-bit",
        write_tiff(tmp_path / "double.tif", smooth_picture(dtype=np.float64)): "64-bit",
    }
    for path, words in cases.items():
        with pytest.raises(ReadError, match=rf"{path.name}: .*{words}.*expected.*; "):
            probe_frame(path)


def test_jpegs_of_processes_that_no_decoder_here_knows_are_refused(tmp_path):
    stored = smooth_picture(dtype=np.uint8)
    for name, data in {
        "lossless.jpg": imagecodecs.jpeg8_encode(stored, lossless=True),
        "ls.jpg": imagecodecs.jpegls_encode(stored),
    }.items():
        (tmp_path / name).write_bytes(data)
        with pytest.raises(ReadError, match=rf"{name}: a lossless .* expected .*; export"):
            probe_frame(tmp_path / name)


@pytest.mark.parametrize(
    ("kind", "body", "words"),
    [
        (b"gAMA", (45455).to_bytes(4, "big"), None),
        (b"sRGB", b"\0", None),
        (b"cICP", bytes([1, 13, 0, 1]), None),
        (b"gAMA", (100000).to_bytes(4, "big"), "gamma 1 and no colour profile"),
        (b"cICP", bytes([9, 16, 0, 1]), "colours by code 9-16-0-1"),
        (b"cICP", bytes([12, 13, 0, 1]), "colours by code 12-13-0-1"),
    ],
)
def test_colours_that_only_a_png_tells_are_not_read_as_srgb(tmp_path, kind, body, words):
    """PNG, third edition (2025), 11.3.2: gamma 1, BT.2100 PQ and Display P3 are no sRGB."""
    plain = write_png(tmp_path / "plain.png", smooth_picture()).read_bytes()
    chunk = len(body).to_bytes(4, "big") + kind + body
    chunk += zlib.crc32(kind + body).to_bytes(4, "big")
    path = tmp_path / "told.png"
    path.write_bytes(plain[:33] + chunk + plain[33:])
    if words is None:
        assert probe_frame(path).transfer == "srgb"
    else:
        with pytest.raises(ReadError, match=f"told.png: .*{words}, expected .*; export"):
            probe_frame(path)


def test_files_that_are_no_picture_are_refused_in_one_line(tmp_path):
    (tmp_path / "empty.jpg").write_bytes(b"")
    (tmp_path / "zeros.jpg").write_bytes(bytes(5000))
    (tmp_path / "text.jpg").write_text("not a picture at all")
    (tmp_path / "folder.jpg").mkdir()
    save(tmp_path, "moving.gif", "P")
    save(tmp_path, "web.webp", "RGB")
    words = {
        "empty.jpg": "0 bytes",
        "zeros.jpg": "nothing but zero bytes",
        "text.jpg": "not a picture",
        "folder.jpg": "folder",
        "moving.gif": "a GIF",
        "web.webp": "a WebP picture",
        "missing.jpg": "no such file",
    }
    for name, word in words.items():
        with pytest.raises(ReadError, match=rf"{name}: .*{word}") as caught:
            probe_frame(tmp_path / name)
        assert "\n" not in str(caught.value)


def test_animated_png_is_refused(tmp_path):
    frames = [Image.new("RGB", (20, 20), colour) for colour in ("red", "blue")]
    frames[0].save(tmp_path / "a.png", save_all=True, append_images=frames[1:])
    with pytest.raises(ReadError, match=r"a\.png: an animated PNG"):
        probe_frame(tmp_path / "a.png")


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may read everything")
def test_file_without_permission_is_refused(tmp_path):
    path = write_png(tmp_path / "a.png", smooth_picture())
    path.chmod(0)
    with pytest.raises(ReadError, match="permission"):
        probe_frame(path)


def test_permission_error_of_the_system_becomes_one_line(tmp_path, monkeypatch):
    path = write_png(tmp_path / "a.png", smooth_picture())

    def refuse(*_args, **_options):
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr("pathlib.Path.open", refuse)
    with pytest.raises(ReadError, match=r"a\.png: no permission"):
        probe_frame(path)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_opaque_alpha_is_dropped_and_transparency_refused(tmp_path, dtype):
    stored = smooth_picture(dtype=dtype)
    top = np.iinfo(dtype).max
    alpha = np.full((48, 64, 1), top, dtype)
    opaque = np.concatenate([stored, alpha], axis=2)
    holed = opaque.copy()
    holed[:5, :5, 3] = 0
    tags = {"extrasamples": ["unassalpha"]}
    expected = stored / np.float64(top)
    for path in (
        write_png(tmp_path / "a.png", opaque),
        write_tiff(tmp_path / "a.tif", opaque, **tags),
        write_tiff(tmp_path / "p.tif", opaque, planarconfig="separate", **tags),
    ):
        assert probe_frame(path).shape == (48, 64, 3)
        assert pixels_of(path) == pytest.approx(expected, abs=1e-7)
    for path in (
        write_png(tmp_path / "b.png", holed),
        write_tiff(tmp_path / "b.tif", holed, **tags),
    ):
        with pytest.raises(ReadError, match="transparent parts, expected an opaque picture"):
            pixels_of(path)


def test_multi_page_tiff_is_refused_unless_the_rest_are_thumbnails(tmp_path):
    stored = smooth_picture()
    with tifffile.TiffWriter(tmp_path / "a.tif") as writer:
        for _ in range(3):
            writer.write(stored, photometric="rgb", metadata=None)
    with tifffile.TiffWriter(tmp_path / "b.tif") as writer:
        writer.write(stored, photometric="rgb", metadata=None)
        small = np.ascontiguousarray(stored[::4, ::4])
        writer.write(small, photometric="rgb", metadata=None, subfiletype=1)
    with pytest.raises(ReadError, match=r"a\.tif: a TIFF with 3 pictures, expected one"):
        probe_frame(tmp_path / "a.tif")
    assert pixels_of(tmp_path / "b.tif") == pytest.approx(stored / 65535, abs=1e-7)


def test_float_tiff_on_another_scale_is_refused(tmp_path):
    path = write_tiff(tmp_path / "a.tif", smooth_picture(dtype=np.float32) * 255)
    with pytest.raises(ReadError, match=r"floating-point values around .*expected 0 = black"):
        pixels_of(path)
    stored = smooth_picture(dtype=np.float32)
    stored[3, 3, 1] = np.nan
    with pytest.raises(ReadError, match="undefined values"):
        pixels_of(write_tiff(tmp_path / "b.tif", stored))


# Finding frames


def test_folder_gives_its_pictures_in_natural_order_and_nothing_else(tmp_path):
    for number in (10, 9, 1):
        write_png(tmp_path / f"IMG_{number}.png", smooth_picture())
    (tmp_path / "notes.txt").write_text("f/8, tripod")
    (tmp_path / ".hidden.png").write_bytes((tmp_path / "IMG_1.png").read_bytes())
    (tmp_path / "deeper").mkdir()
    write_png(tmp_path / "deeper" / "IMG_2.png", smooth_picture())
    stack = find_frames(tmp_path)
    assert [s.name for s in stack.sources] == ["IMG_1.png", "IMG_9.png", "IMG_10.png"]
    assert stack.ordered_by == "file name"
    assert stack.skipped == ()


def test_patterns_that_the_shell_left_alone_are_expanded(tmp_path):
    write_frames(tmp_path, 3)
    write_png(tmp_path / "other [1].png", smooth_picture())
    assert len(find_frames(str(tmp_path / "frame_*.tif"))) == 3
    assert len(find_frames(tmp_path / "other [1].png")) == 1
    with pytest.raises(ReadError, match=r"\*\.cr9: no file matches"):
        find_frames([tmp_path / "*.cr9"])


def test_a_file_counts_once_however_it_is_named(tmp_path):
    paths = write_frames(tmp_path, 2)
    (tmp_path / "link.tif").symlink_to(paths[0])
    stack = find_frames([tmp_path, paths[0], tmp_path / "." / "frame_2.tif"])
    assert len(stack) == 2
    assert any("same file as" in line for line in stack.skipped)


def timed(path, when, *, subsecond=None, offset=None):
    photo = {36867: when}
    if subsecond is not None:
        photo[37521] = subsecond
    if offset is not None:
        photo[36881] = offset
    return write_jpeg(path, smooth_picture(dtype=np.uint8), exif=exif_bytes(photo=photo))


def test_order_follows_capture_time_with_sub_seconds(tmp_path):
    timed(tmp_path / "a.jpg", "2024:07:01 10:00:05", subsecond="7")
    timed(tmp_path / "b.jpg", "2024:07:01 10:00:05", subsecond="25")
    timed(tmp_path / "c.jpg", "2024:07:01 10:00:04", subsecond="99")
    stack = find_frames(tmp_path)
    assert [s.name for s in stack.sources] == ["c.jpg", "b.jpg", "a.jpg"]
    assert stack.ordered_by == "capture time"


def test_order_falls_back_to_names_when_times_are_missing_or_equal(tmp_path):
    timed(tmp_path / "2.jpg", "2024:07:01 10:00:05")
    timed(tmp_path / "10.jpg", "2024:07:01 10:00:05")
    assert [s.name for s in find_frames(tmp_path).sources] == ["2.jpg", "10.jpg"]
    assert find_frames(tmp_path).ordered_by == "file name"
    timed(tmp_path / "10.jpg", "2024:07:01 10:00:01")
    assert [s.name for s in find_frames(tmp_path).sources] == ["10.jpg", "2.jpg"]
    write_jpeg(tmp_path / "3.jpg", smooth_picture(dtype=np.uint8))
    assert find_frames(tmp_path).ordered_by == "file name"


def test_a_time_that_the_camera_s_counter_disproves_does_not_order(tmp_path):
    for n, when in enumerate(("10:00:01", "10:00:03", "09:00:05", "10:00:07", "10:00:09"), 1):
        timed(tmp_path / f"F_000{n}.jpg", f"2024:07:01 {when}")
    stack = find_frames(tmp_path)
    assert [s.name for s in stack.sources] == [f"F_000{n}.jpg" for n in range(1, 6)]
    assert stack.ordered_by == "file name"


def test_order_takes_time_zones_into_account(tmp_path):
    timed(tmp_path / "a.jpg", "2024:07:01 10:00:00", offset="+00:00")
    timed(tmp_path / "b.jpg", "2024:07:01 11:00:00", offset="+02:00")
    assert [s.name for s in find_frames(tmp_path).sources] == ["b.jpg", "a.jpg"]


def test_raw_and_jpeg_of_one_picture_count_once(tmp_path):
    for i in (1, 2):
        write_dng(tmp_path / f"IMG_{i}.DNG", np.full((32, 32), 4000, np.uint16))
        write_jpeg(tmp_path / f"img_{i}.jpg", smooth_picture(32, 32, dtype=np.uint8))
    stack = find_frames(tmp_path)
    assert [s.kind for s in stack.sources] == ["raw", "raw"]
    assert stack.skipped[0] == "img_1.jpg: the same picture as IMG_1.DNG"
    stack = find_frames(tmp_path, prefer="jpeg")
    assert [s.kind for s in stack.sources] == ["jpeg", "jpeg"]
    assert len(stack.skipped) == 2


@pytest.mark.parametrize("copy", ["a (1).jpg", "a copy.jpg", "a - Copy (2).jpg"])
def test_copies_that_a_file_manager_made_count_once(tmp_path, copy):
    """Told by their names and every byte (names: common practice, no source)."""
    for name, level in (("a.jpg", 40), ("b.jpg", 80), ("a (9).jpg", 81)):
        write_jpeg(tmp_path / name, np.full((32, 32, 3), level, np.uint8))
    known = {path.name for path in tmp_path.iterdir()}
    path = tmp_path / copy
    path.write_bytes((tmp_path / "a.jpg").read_bytes())
    stack = find_frames(tmp_path)
    kept = {source.name for source in stack.sources}
    assert kept == known
    assert stack.skipped == (f"{copy}: a copy of a.jpg",)
    assert path in stack.inputs  # no output may replace it


def test_earlier_results_in_the_folder_are_no_frames(tmp_path):
    paths = write_frames(tmp_path, 2)
    stack = find_frames(tmp_path)
    pixels = read_frame(stack.sources[0]).pixels
    for suffix in (".tif", ".png", ".jpg"):
        write_picture(tmp_path / f"result{suffix}", pixels, source=stack.sources[0], provenance={})
    again = find_frames(tmp_path)
    assert [s.path for s in again.sources] == paths
    assert len(again.skipped) == 3
    assert all("an earlier result" in line for line in again.skipped)
    mixed = find_frames(sorted(tmp_path.iterdir()))
    assert [s.path for s in mixed.sources] == paths
    partial = find_frames(tmp_path / "result*")
    assert {s.path.suffix for s in partial.sources} == {".tif"}, "one stem counts once"
    lone = tmp_path / "lone"
    lone.mkdir()
    shutil.copy(tmp_path / "result.tif", lone)
    with pytest.raises(ReadError, match=r"no pictures found .*an earlier result"):
        find_frames(lone)


def test_excluded_files_are_passed_over(tmp_path):
    paths = write_frames(tmp_path, 3)
    stack = find_frames(tmp_path, exclude=[paths[1], tmp_path / "not there.tif"])
    assert [s.path for s in stack.sources] == [paths[0], paths[2]]


def test_pictures_of_unsupported_kinds_in_a_folder_are_told(tmp_path):
    write_frames(tmp_path, 2)
    save(tmp_path, "moving.gif", "P")
    save(tmp_path, "old.bmp", "RGB")
    save(tmp_path, "plain.ppm", "RGB")
    save(tmp_path, "web.webp", "RGB")
    (tmp_path / "note.txt").write_text("BMP or PNM would do, too")
    stack = find_frames(tmp_path)
    assert len(stack) == 2
    kinds = {"moving.gif": "GIF", "old.bmp": "BMP", "plain.ppm": "PNM", "web.webp": "WebP"}
    assert [line.split(":")[0] for line in stack.skipped] == list(kinds)
    for line, kind in zip(stack.skipped, kinds.values(), strict=True):
        assert kind in line
        assert line.endswith(", not supported")


def test_lost_frame_in_a_folder_is_an_error_not_a_hole(tmp_path):
    write_frames(tmp_path, 2)
    (tmp_path / "frame_3.jpg").write_bytes(b"")
    with pytest.raises(ReadError, match=r"frame_3\.jpg: 0 bytes.*copy it again"):
        find_frames(tmp_path)


def test_named_file_that_is_no_picture_is_an_error(tmp_path):
    (tmp_path / "notes.txt").write_text("f/8")
    with pytest.raises(ReadError, match=r"notes\.txt: not a picture"):
        find_frames([tmp_path / "notes.txt"])


def test_empty_folder_and_nothing_are_errors(tmp_path, monkeypatch):
    write_frames(tmp_path, 2)
    monkeypatch.chdir(tmp_path)
    for nothing in ("", ["", tmp_path]):
        with pytest.raises(ReadError, match="an empty name"):
            find_frames(nothing)
    monkeypatch.undo()
    for path in tmp_path.iterdir():
        path.unlink()
    with pytest.raises(ReadError, match="no pictures found; name the folder"):
        find_frames(tmp_path)
    with pytest.raises(ReadError, match="nothing: no pictures"):
        find_frames([])


def test_hundreds_of_files_need_few_handles(tmp_path):
    first = write_jpeg(tmp_path / "f0.jpg", smooth_picture(dtype=np.uint8))
    for i in range(1, 300):
        os.link(first, tmp_path / f"x{i}.jpg")
        (tmp_path / f"x{i}.jpg").unlink()
        (tmp_path / f"f{i}.jpg").write_bytes(first.read_bytes())
    limits = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (64, limits[1]))
    try:
        stack = find_frames(tmp_path)
        for source in stack.sources[:100]:
            read_luminance(source, reduction=8)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, limits)
    assert len(stack) == 300


# Checking a stack


def check(*paths):
    check_stack(find_frames(paths))


def test_matching_frames_pass_also_with_8_and_16_bits(tmp_path):
    check(
        write_png(tmp_path / "a.png", smooth_picture()),
        write_tiff(tmp_path / "b.tif", smooth_picture(dtype=np.uint8)),
    )


def test_frames_with_and_without_a_profile_of_srgb_pass(tmp_path):
    stored, profile = smooth_picture(dtype=np.uint8), imagecodecs.cms_profile("srgb")
    check(
        write_jpeg(tmp_path / "a.jpg", stored),
        write_jpeg(tmp_path / "b.jpg", stored, icc_profile=profile),
    )


def test_frames_that_do_not_belong_together_are_named(tmp_path):
    first = write_png(tmp_path / "a.png", smooth_picture())
    model = {271: "Invented", 272: "One"}
    profile = imagecodecs.cms_profile("adobergb")
    stored = smooth_picture(dtype=np.uint8)
    others = {
        write_png(tmp_path / "b1.png", smooth_picture(40)): "64 x 40 px, but a.png .* 64 x 48 px",
        write_png(tmp_path / "b2.png", smooth_picture(64, 48)): "upright, 48 x 64 px",
        write_png(tmp_path / "b3.png", smooth_picture(channels=1)): "grey, but .* is colour",
        write_jpeg(tmp_path / "b4.jpg", stored, icc_profile=profile): "another .*, but .* has none",
        write_dng(tmp_path / "b5.dng", np.full((48, 64), 3000, np.uint16)): "a camera raw file",
        write_jpeg(tmp_path / "b6.jpg", stored, exif=exif_bytes(orientation=8)): "turned by 270°",
    }
    for path, words in others.items():
        with pytest.raises(FrameMismatchError, match=rf"{path.name} \(frame 2\): .*{words}") as e:
            check(first, path)
        assert "leave this frame out" in str(e.value)
    one = write_jpeg(tmp_path / "c1.jpg", stored, exif=exif_bytes(main=model))
    two = write_jpeg(tmp_path / "c2.jpg", stored, exif=exif_bytes(main=model | {272: "Two"}))
    with pytest.raises(FrameMismatchError, match=r"taken with Invented Two, but c1\.jpg"):
        check(one, two)
    turned = write_jpeg(tmp_path / "c3.jpg", stored, exif=exif_bytes(orientation=3))
    with pytest.raises(FrameMismatchError, match=r"upside down, .* is upright"):
        check(one, turned)


def test_one_frame_is_no_stack(tmp_path):
    with pytest.raises(ReadError, match=r"a\.png: one frame, expected at least two"):
        check(write_png(tmp_path / "a.png", smooth_picture()))
