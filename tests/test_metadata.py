"""EXIF, XMP and ICC against independent writers, readers and a colour-management library."""

import datetime as dt
import io
import json
import struct
import xml.etree.ElementTree as ET
from dataclasses import replace
from time import perf_counter

import exiv2
import imagecodecs
import numpy as np
import pytest
from io_samples import exif_bytes, smooth_picture, write_jpeg, write_tiff
from PIL import Image, ImageCms
from PIL.TiffImagePlugin import IFDRational
from skimage.color import rgb2xyz

from merge.encoding import encode, linearize
from merge.metadata import (
    PROVENANCE_NAMESPACE,
    build_exif_block,
    build_xmp,
    merge_settings,
    own_content,
    profile_channels,
    profile_transfer,
    read_settings,
    same_colours,
    working_profile,
)
from merge.model import CaptureSettings
from merge.read import probe_frame

PLACE = {1: "S", 2: (33.0, 51.0, 24.12), 3: "W", 4: (70.0, 7.0, 30.5), 5: b"\x01", 6: 12.5}
FULL = CaptureSettings(
    camera="Invented One", maker="Invented", model="Invented One", lens="Macro 100 mm",
    exposure_time_s=1 / 250, f_number=5.6, iso=400.0, focal_length_mm=100.0,
    pixel_pitch_um=4.0, captured_at=dt.datetime(2024, 7, 1, 10, 0, 5, 250000,
        dt.timezone(dt.timedelta(hours=-3, minutes=-30))),
    latitude_deg=-(33 + 51 / 60 + 24.12 / 3600), longitude_deg=-(70 + 7 / 60 + 30.5 / 3600),
    altitude_m=-12.5, artist="Änne Beispiel", copyright="free to use",
)  # fmt: skip


def read(*, size=None, xmp=b"", **blocks):
    return read_settings(exif_bytes(**blocks).removeprefix(b"Exif\0\0"), size=size, xmp=xmp)


def exiv2_tags(data):
    """Return EXIF and XMP as plain dicts, read by libexiv2."""
    picture = exiv2.ImageFactory.open(data)
    picture.readMetadata()
    exif, xmp = picture.exifData(), picture.xmpData()
    return {d.key(): d.toString() for d in exif}, {d.key(): d.toString() for d in xmp}


def jpeg_with(exif_block):
    buffer = io.BytesIO()
    Image.new("RGB", (16, 16)).save(buffer, "JPEG", exif=b"Exif\0\0" + exif_block)
    return buffer.getvalue()


# Reading


def test_settings_written_by_another_library_are_read():
    found, orientation = read(
        orientation=6,
        main={271: "Invented", 272: "One", 315: "A. Person", 33432: "free"},
        photo={33434: IFDRational(1, 250), 33437: IFDRational(56, 10), 34855: 400,
               37386: IFDRational(100, 1), 42036: "Macro 100 mm", 37382: IFDRational(3, 10),
               36867: "2024:07:01 10:00:05", 37521: "25", 36881: "-03:30",
               41486: IFDRational(2500, 1), 41488: 3},
        gps=PLACE,
    )  # fmt: skip
    assert orientation == 6
    assert found.camera == "Invented One"
    assert (found.maker, found.model, found.lens) == ("Invented", "One", "Macro 100 mm")
    assert found.exposure_time_s == pytest.approx(0.004)
    assert (found.f_number, found.iso, found.focal_length_mm) == (5.6, 400, 100)
    assert found.focus_distance_m == pytest.approx(0.3)
    assert found.pixel_pitch_um == pytest.approx(4.0)
    assert found.captured_at == FULL.captured_at
    assert found.captured_at.utcoffset() == dt.timedelta(hours=-3, minutes=-30)
    assert found.latitude_deg == pytest.approx(FULL.latitude_deg, abs=1e-6)
    assert found.longitude_deg == pytest.approx(FULL.longitude_deg, abs=1e-6)
    assert found.altitude_m == pytest.approx(-12.5)
    assert (found.artist, found.copyright) == ("A. Person", "free")


def test_nothing_known_is_none_never_zero():
    empty = (CaptureSettings(), 1)
    assert read_settings(None) == empty
    assert read_settings(b"") == empty
    assert read_settings(b"no header at all") == empty
    found, _ = read(
        main={271: " ", 272: ""},
        photo={33434: IFDRational(0, 1), 33437: IFDRational(0, 0), 34855: 0,
               37386: IFDRational(0, 10), 36867: "0000:00:00 00:00:00", 37382: IFDRational(0, 1)},
        gps={2: (47.0, 0.0, 0.0), 4: (1000.0, 0.0, 0.0), 3: "E"},
    )  # fmt: skip
    assert found == CaptureSettings()


def test_maker_that_repeats_in_the_model_is_named_once():
    found, _ = read(main={271: "INVENTED CORPORATION", 272: "Invented One"})
    assert found.camera == "Invented One"
    assert found.maker == "INVENTED CORPORATION"


def test_exposure_and_aperture_come_from_apex_values_where_nothing_else_is_there():
    """CIPA DC-008 (Exif 2.32), annex C: t = 2^-Tv, N = 2^(Av/2); Av 5 is f/5.6."""
    found, _ = read(photo={37377: IFDRational(8, 1), 37378: IFDRational(5, 1)})
    assert found.exposure_time_s == pytest.approx(1 / 256)
    assert found.f_number == pytest.approx(5.66, abs=0.005)


def test_high_iso_comes_from_the_wide_tag():
    found, _ = read(photo={34855: 65535, 34864: 2, 34866: 102400})
    assert found.iso == 102400


def test_infinite_and_unknown_focus_distances_are_none():
    for value in (IFDRational(0xFFFFFFFF, 1), IFDRational(0, 1)):
        assert read(photo={37382: value})[0].focus_distance_m is None


def test_focus_distance_and_lens_come_from_xmp_where_exif_lacks_them():
    attribute = b'<rdf:Description aux:Lens="Macro" aux:ApproximateFocusDistance="152/100"/>'
    element = b"<aux:Lens>Macro</aux:Lens><aux:ApproximateFocusDistance>1.52<"
    for xmp in (attribute, element):
        found, _ = read_settings(None, xmp=xmp)
        assert (found.lens, found.focus_distance_m) == ("Macro", pytest.approx(1.52))
    nonsense = b'aux:ApproximateFocusDistance="1/0"'
    assert read_settings(None, xmp=nonsense)[0].focus_distance_m is None


def test_focus_distance_comes_from_a_maker_note():
    """A note of the layout that exifread knows (table 0x0004, value 19, in centimetres)."""
    values = struct.pack("<20H", 40, *[0] * 18, 87)
    note = struct.pack("<HHHII", 1, 0x0004, 3, 20, 18 + 0) + b"\0" * 4
    exif = _exif_with_maker_note(b"Canon\0", note, values)
    found, _ = read_settings(exif)
    assert found.focus_distance_m == pytest.approx(0.87)


def _exif_with_maker_note(maker, note, values):
    """Return a block whose maker note holds one directory entry that points to ``values``."""
    main_at = 8
    exif_at = main_at + 2 + 2 * 12 + 4 + len(maker)
    note_at = exif_at + 2 + 12 + 4
    values_at = note_at + 18
    note = note[:10] + struct.pack("<I", values_at) + note[14:]
    main = struct.pack("<HHHII", 2, 271, 2, len(maker), exif_at - len(maker))
    main += struct.pack("<HHII", 34665, 4, 1, exif_at) + b"\0" * 4 + maker
    exif = struct.pack("<HHHII", 1, 37500, 7, len(note) + len(values), note_at) + b"\0" * 4
    return b"II*\0" + struct.pack("<I", main_at) + main + exif + note + values


@pytest.mark.parametrize(
    ("photo", "size", "expected_um"),
    [
        ({41486: IFDRational(6000 * 254, 234), 41488: 2}, (6000, 4000), 3.90),
        ({41486: IFDRational(2564, 1), 41488: 3}, (6000, 4000), 3.90),
        # The picture was scaled to half its size.
        ({41486: IFDRational(2564, 1), 41488: 3, 40962: 6000, 40963: 4000}, (3000, 2000), 7.80),
        # It was cropped: the pitch stays.
        ({41486: IFDRational(2564, 1), 41488: 3, 40962: 6000, 40963: 4000}, (3000, 3000), 3.90),
        # From the 35 mm equivalent: 43.27 mm / 1.5 over 7211 px.
        ({37386: IFDRational(100, 1), 41989: 150}, (6000, 4000), 4.00),
        ({}, (6000, 4000), None),
        ({41486: IFDRational(1, 1000), 41488: 2}, (6000, 4000), None),
    ],
)
def test_pixel_pitch_of_this_file(photo, size, expected_um):
    found = read(photo=photo, size=size)[0].pixel_pitch_um
    assert found == (None if expected_um is None else pytest.approx(expected_um, abs=0.005))


def test_unknown_fields_are_filled_from_a_second_source():
    first = CaptureSettings(iso=100.0)
    assert merge_settings(first, FULL) == replace(FULL, iso=100.0)


def test_endless_count_in_a_damaged_header_costs_no_time():
    """The parser alone would read a maker note of 4 GB byte by byte."""
    exif = bytearray(_exif_with_maker_note(b"Canon\0", b"\0" * 18, b""))
    count_at = exif.index(struct.pack("<HH", 37500, 7)) + 4
    exif[count_at : count_at + 4] = b"\xff\xff\xff\xff"
    start = perf_counter()
    found, _ = read_settings(bytes(exif))
    assert perf_counter() - start < 3
    assert found.maker == "Canon", "what stands elsewhere is read all the same"


@pytest.mark.slow
def test_corrupt_exif_never_raises():
    """300 seeded corruptions of a full block."""
    rng = np.random.default_rng(5)
    block = build_exif_block(FULL, software="x")
    changed = 0
    for _ in range(300):
        data = bytearray(block)
        for at in rng.integers(0, len(data), rng.integers(1, 12)):
            data[at] = rng.integers(0, 256)
        found, orientation = read_settings(bytes(data[: rng.integers(8, len(data) + 1)]))
        assert orientation in range(1, 9)
        for name in ("exposure_time_s", "f_number", "iso", "focal_length_mm"):
            value = getattr(found, name)
            assert value is None or 0 < value < float("inf")
        changed += found != FULL
    assert changed > 262


# Writing EXIF


def test_written_exif_reads_back_as_it_was():
    found, orientation = read_settings(build_exif_block(FULL, software="depthweld 1"))
    assert orientation == 1
    assert found.latitude_deg == pytest.approx(FULL.latitude_deg, abs=1e-8)
    assert found.longitude_deg == pytest.approx(FULL.longitude_deg, abs=1e-8)
    same = {"latitude_deg": FULL.latitude_deg, "longitude_deg": FULL.longitude_deg}
    assert replace(found, **same) == FULL


def test_written_exif_is_understood_by_exiv2_and_pillow():
    data = jpeg_with(build_exif_block(FULL, software="depthweld 1"))
    exif, _ = exiv2_tags(data)
    expected = {
        "Exif.Image.Make": "Invented",
        "Exif.Image.Model": "Invented One",
        "Exif.Image.Orientation": "1",
        "Exif.Image.Software": "depthweld 1",
        "Exif.Image.Artist": "Änne Beispiel",
        "Exif.Photo.ExposureTime": "1/250",
        "Exif.Photo.FNumber": "28/5",
        "Exif.Photo.ISOSpeedRatings": "400",
        "Exif.Photo.FocalLength": "100/1",
        "Exif.Photo.LensModel": "Macro 100 mm",
        "Exif.Photo.DateTimeOriginal": "2024:07:01 10:00:05",
        "Exif.Photo.SubSecTimeOriginal": "25",
        "Exif.Photo.OffsetTimeOriginal": "-03:30",
        "Exif.Photo.FocalPlaneXResolution": "2500/1",
        "Exif.GPSInfo.GPSLatitude": "33/1 51/1 603/25",
        "Exif.GPSInfo.GPSLatitudeRef": "S",
        "Exif.GPSInfo.GPSLongitude": "70/1 7/1 61/2",
        "Exif.GPSInfo.GPSAltitudeRef": "1",
    }
    assert {key: exif.get(key) for key in expected} == expected
    left_out = ("MakerNote", "Thumbnail", "PixelXDimension", "SubjectDistance")
    assert not [key for key in exif if any(word in key for word in left_out)]
    pillow = Image.open(io.BytesIO(data)).getexif()
    assert pillow.get_ifd(0x8769)[33434] == pytest.approx(1 / 250)
    assert pillow.get_ifd(0x8825)[2] == pytest.approx((33, 51, 24.12))


def test_seconds_of_a_position_never_reach_sixty():
    nearly = replace(FULL, latitude_deg=47 + 59 / 60 + 59.999999 / 3600)
    exif, _ = exiv2_tags(jpeg_with(build_exif_block(nearly, software="x")))
    assert exif["Exif.GPSInfo.GPSLatitude"] == "48/1 0/1 0/1"


def test_empty_settings_give_a_valid_block():
    exif, _ = exiv2_tags(jpeg_with(build_exif_block(CaptureSettings(), software="x")))
    assert exif["Exif.Image.Orientation"] == "1"
    assert not [key for key in exif if "GPS" in key]


# XMP


def test_provenance_is_read_by_exiv2_and_an_xml_parser(tmp_path):
    provenance = {
        "version": "1.2",
        "frames": ["Käfer <1> & 2.tif", "b.tif"],
        "method": "auto",
        "reference": 0,
    }
    packet = build_xmp(provenance)
    root = ET.fromstring(packet.decode("utf-8").removeprefix("\ufeff"))
    rdf = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
    assert [li.text for li in root.iter(rdf + "li")] == provenance["frames"]
    settings = next(root.iter(f"{{{PROVENANCE_NAMESPACE}}}Settings")).text
    assert json.loads(settings) == {"method": "auto", "reference": 0}
    buffer = io.BytesIO()
    Image.new("RGB", (16, 16)).save(buffer, "JPEG", xmp=packet)
    _, xmp = exiv2_tags(buffer.getvalue())
    assert "1.2" in xmp.values()
    assert any("Käfer <1> & 2.tif" in value for value in xmp.values())


def test_own_files_are_recognised_and_others_are_not():
    assert own_content(build_xmp({"frames": ["a.tif"]})) == "picture"
    assert own_content(build_xmp({}, content="depth map")) == "depth map"
    assert own_content(build_xmp({}).decode("utf-8").encode("utf-16-le")) == "picture"
    assert own_content(b"") is None
    assert own_content(b'<x:xmpmeta xmlns:x="adobe:ns:meta/">depthweld</x:xmpmeta>') is None


def test_long_provenance_is_cut_to_first_and_last_frame():
    frames = [f"a rather long frame name {i:05d}.tif" for i in range(3000)]
    assert len(build_xmp({"frames": frames})) > 65000
    packet = build_xmp({"frames": frames}, limit_bytes=65000).decode("utf-8")
    assert frames[0] in packet
    assert frames[-1] in packet
    assert 'FrameCount="3000"' in packet
    assert len(packet) < 5000


# ICC


def test_working_profile_converts_known_colours_through_a_colour_library():
    """BT.2020 primaries as littleCMS builds them, our profile, and XYZ by scikit-image."""
    xy = [0.708, 0.292, 1, 0.170, 0.797, 1, 0.131, 0.046, 1]
    theirs = imagecodecs.cms_profile(
        "rgb", whitepoint=(0.3127, 0.3290, 1.0), primaries=xy, gamma=1.0
    )
    srgb = imagecodecs.cms_profile("srgb")
    rgb = np.random.default_rng(2).uniform(0.02, 0.98, (16, 16, 3)).astype(np.float32)
    options = {"colorspace": "rgb", "outcolorspace": "rgb", "outdtype": "f4"}
    wide_linear = imagecodecs.cms_transform(rgb, srgb, theirs, **options)
    ours = imagecodecs.cms_transform(rgb, srgb, working_profile(), **options)
    np.testing.assert_allclose(ours, encode(wide_linear, "srgb"), atol=4e-4)
    to_xyz = np.linalg.inv(
        [[1.7166512, -0.3556708, -0.2533663], [-0.6666844, 1.6164812, 0.0157685],
         [0.0176399, -0.0427706, 0.9421031]]
    )  # fmt: skip  # XYZ (D65) to BT.2020, published rounded in many handbooks; from memory
    np.testing.assert_allclose(linearize(ours, "srgb") @ to_xyz.T, rgb2xyz(rgb), atol=2e-3)


def test_working_profile_is_accepted_by_pillow():
    profile = ImageCms.ImageCmsProfile(io.BytesIO(working_profile()))
    assert ImageCms.getProfileDescription(profile).strip() == "BT.2020 primaries, sRGB curve"
    assert ImageCms.isIntentSupported(profile, ImageCms.Intent.RELATIVE_COLORIMETRIC, 0) == 1
    grey = Image.new("RGB", (4, 4), (128, 128, 128))
    turned = ImageCms.profileToProfile(grey, profile, ImageCms.createProfile("sRGB"))
    assert max(abs(v - 128) for v in turned.getpixel((1, 1))) <= 1
    assert profile_transfer(working_profile()) == "srgb"
    assert profile_channels(working_profile()) == 3


def test_wider_colours_of_a_camera_without_profile_are_recognised(tmp_path):
    """DCF 2.0 marks them by the index R03; littleCMS's profile of the same colours agrees."""
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA001] = 65535
    exif.get_ifd(0x8769)[0xA005] = {1: "R03"}
    path = write_jpeg(tmp_path / "a.jpg", smooth_picture(dtype=np.uint8), exif=exif.tobytes())
    source = probe_frame(path)
    assert source.transfer == "gamma:2.199"
    rgb = np.random.default_rng(2).uniform(0.02, 0.98, (16, 16, 3)).astype(np.float32)
    options = {"colorspace": "rgb", "outcolorspace": "rgb", "outdtype": "f4"}
    srgb = imagecodecs.cms_profile("srgb")
    ours = imagecodecs.cms_transform(rgb, srgb, source.icc_profile, **options)
    theirs = imagecodecs.cms_transform(rgb, srgb, imagecodecs.cms_profile("adobergb"), **options)
    np.testing.assert_allclose(ours, theirs, atol=1e-3)
    plain = write_jpeg(tmp_path / "b.jpg", smooth_picture(dtype=np.uint8))
    assert (probe_frame(plain).transfer, probe_frame(plain).icc_profile) == ("srgb", None)


def test_curves_of_foreign_profiles_are_named():
    cases = {
        imagecodecs.cms_profile("srgb"): "srgb",
        ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(): "srgb",
        imagecodecs.cms_profile("adobergb"): "gamma:2.199",  # 563/256, Adobe RGB (1998)
        imagecodecs.cms_profile("rgb", gamma=1.0): "linear",
        imagecodecs.cms_profile("rgb", gamma=1.8): "gamma:1.8",
        imagecodecs.cms_profile("gray", gamma=2.2): "gamma:2.2",
    }
    for profile, expected in cases.items():
        assert profile_transfer(profile) == expected


@pytest.mark.parametrize("count", [256, 1024, 4096])
def test_tabulated_curves_are_named_by_their_nearest(count):
    for expected in ("srgb", "linear", "gamma:1.8", "gamma:2.2"):
        table = linearize(np.linspace(0, 1, count), expected)
        words = np.rint(table * 65535).astype(">u2").tobytes()
        curve = b"curv" + struct.pack(">II", 0, count) + words
        profile = _profile_with(b"gTRC", curve)
        found = profile_transfer(profile)
        kind, _, exponent = found.partition(":")
        assert kind == expected.partition(":")[0]
        if exponent:
            assert float(exponent) == pytest.approx(float(expected.split(":")[1]), abs=0.01)


def _profile_with(name, tag):
    head = bytes(16) + b"RGB " + bytes(16) + b"acsp" + bytes(88)
    return head + struct.pack(">I4sII", 1, name, 144, len(tag)) + tag


def test_damaged_profiles_are_not_believed():
    assert profile_transfer(b"") is None
    assert profile_transfer(bytes(500)) is None
    assert profile_channels(b"short") is None
    rng = np.random.default_rng(8)
    for whole in (working_profile(), imagecodecs.cms_profile("srgb")):
        for _ in range(200):
            data = bytearray(whole)
            for at in rng.integers(128, len(data), 6):
                data[at] = rng.integers(0, 256)
            name = profile_transfer(bytes(data))
            if name is not None:
                assert np.isfinite(linearize(np.array([0.5]), name)).all()


def test_same_colours_ignores_date_and_checksum():
    first = working_profile()
    second = first[:24] + bytes(12) + first[36:84] + bytes(range(16)) + first[100:]
    assert same_colours(first, second)
    assert same_colours(None, None)
    assert not same_colours(first, None)
    assert not same_colours(first, imagecodecs.cms_profile("srgb"))


def test_programs_profiles_of_srgb_mean_the_same_colours_as_none():
    """Against profiles that a colour-management library writes and rounds in its own way."""
    written = imagecodecs.cms_profile("srgb")
    built = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    wider = imagecodecs.cms_profile("adobergb")
    for srgb in (written, built):
        assert same_colours(srgb, None)
        assert same_colours(None, srgb)
        assert not same_colours(srgb, wider)
    assert same_colours(written, built)
    assert same_colours(wider, wider)
    assert not same_colours(None, wider)
    assert not same_colours(None, wider[:200])
    with_table = bytearray(written)
    with_table[written.index(b"cprt", 128) : written.index(b"cprt", 128) + 4] = b"A2B0"
    assert not same_colours(bytes(with_table), None)


def test_grey_profiles_differ_in_their_curve_alone():
    grey = imagecodecs.cms_profile("gray", gamma=1.8)
    assert same_colours(grey, None)
    assert profile_transfer(grey) == "gamma:1.8"


def test_header_of_a_jpeg_is_read_within_five_milliseconds(tmp_path):
    block = b"Exif\0\0" + build_exif_block(FULL, software="x")
    path = write_jpeg(tmp_path / "a.jpg", smooth_picture(dtype=np.uint8), exif=block)
    assert write_tiff(tmp_path / "a.tif", smooth_picture()).exists()
    seconds = []
    for _ in range(20):
        start = perf_counter()
        probe_frame(path)
        seconds.append(perf_counter() - start)
    assert min(seconds) < 0.005


ABSURD = {
    "f-number 0": ({0x829D: IFDRational(0, 1)}, "f_number"),
    "f-number without end": ({0x829D: IFDRational(1, 0)}, "f_number"),
    "f-number of a million": ({0x829D: IFDRational(1_000_000, 1)}, "f_number"),
    "f-number near 0": ({0x829D: IFDRational(1, 1_000_000)}, "f_number"),
    "speed out of range": ({0x8827: 4_294_967_295}, "iso"),
    "exposure of a century": ({0x829A: IFDRational(4_000_000_000, 1)}, "exposure_time_s"),
    "exposure near 0": ({0x829A: IFDRational(1, 4_000_000_000)}, "exposure_time_s"),
    "focal length of a kilometre": ({0x920A: IFDRational(1_000_000, 1)}, "focal_length_mm"),
    "year 9999": ({0x9003: "9999:12:31 23:59:59"}, "captured_at"),
    "year 1": ({0x9003: "0001:01:01 00:00:00"}, "captured_at"),
    "month 13": ({0x9003: "2024:13:01 00:00:00"}, "captured_at"),
    "a long fraction": (
        {0x9003: "9999:12:31 23:59:59", 0x9291: "9" * 400, 0x9011: "+14:00"}, "captured_at",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("tags", "field"), ABSURD.values(), ids=ABSURD)
def test_absurd_metadata_reads_as_unknown(tags, field):
    settings, _ = read_settings(exif_bytes(photo=tags).removeprefix(b"Exif\0\0"))
    assert getattr(settings, field) is None


def test_a_speed_of_1e300_from_a_float_tag_reads_as_unknown(tmp_path):
    """A TIFF may give any tag as a 64-bit float."""
    path = write_tiff(tmp_path / "a.tif", smooth_picture(), extratags=[(34855, 12, 1, 1e300, True)])
    assert probe_frame(path).settings.iso is None


def test_a_long_text_is_cut():
    settings, _ = read_settings(exif_bytes(main={272: "m" * 50_000}).removeprefix(b"Exif\0\0"))
    assert settings.model == "m" * 200
