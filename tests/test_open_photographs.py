"""Real photographs with odd metadata: read rightly, or refused in one line.

Not in this tree: their licences differ (GPL-2.0+, MIT-CMU, BSD, MIT). Name a folder that holds
them, unpacked, in DEPTHWELD_PHOTOGRAPHS:

    pip download --no-deps --no-binary :all: piexif pillow pillow-heif    # then unpack
    apt-get source --download-only exiv2                                  # then unpack

Whole raw files of cameras were found in none of these packages (exiv2's are pruned).
"""

from __future__ import annotations

import os
import warnings
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image

from merge import MergeError, probe_frame, read_frame

FOLDER = os.environ.get("DEPTHWELD_PHOTOGRAPHS", "")
ENDINGS = {".jpg", ".jpeg", ".tif", ".tiff", ".png", ".dng", ".cr3", ".crw", ".raf", ".heic"}
# Larger ones would take the time of all the others.
MOST_BYTES = 6_000_000
TAGS = {
    "f_number": ExifTags.Base.FNumber,
    "focal_length_mm": ExifTags.Base.FocalLength,
    "exposure_time_s": ExifTags.Base.ExposureTime,
}

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not FOLDER, reason="DEPTHWELD_PHOTOGRAPHS names no folder"),
]


def pictures() -> list[Path]:
    found = sorted(p for p in Path(FOLDER).rglob("*") if p.suffix.lower() in ENDINGS)
    return [p for p in found if p.is_file() and 0 < p.stat().st_size < MOST_BYTES]


def pillow_settings(path: Path) -> dict[str, float]:
    """Return what Pillow, an independent reader, finds of `TAGS`."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with Image.open(path) as picture:
                own = picture.getexif().get_ifd(ExifTags.IFD.Exif)
                return {name: float(own[tag]) for name, tag in TAGS.items() if tag in own}
        except Exception:  # Pillow gives up on some of them in many ways: no comparison then
            return {}


def test_every_photograph_is_read_or_refused_in_one_line():
    seen, refused, wrong = 0, 0, []
    for path in pictures():
        try:
            source = probe_frame(path)
            pixels = read_frame(source).pixels
        except MergeError as error:
            refused += 1
            if path.name not in str(error) or "\n" in str(error):
                wrong.append(f"{path.name}: unclear refusal {error!s}")
            continue
        except Exception as error:
            wrong.append(f"{path.name}: {type(error).__name__}: {error}")
            continue
        seen += 1
        if pixels.shape != source.shape or not np.isfinite(pixels).all():
            wrong.append(f"{path.name}: {pixels.shape} where the header said {source.shape}")
    assert not wrong, "\n".join(wrong)
    assert seen > refused > 0


def test_settings_are_those_that_another_reader_finds():
    compared, wrong = 0, []
    for path in pictures():
        try:
            settings = probe_frame(path).settings
        except MergeError:
            continue
        for name, expected in pillow_settings(path).items():
            found = getattr(settings, name)
            if not 0 < expected < 1e6:  # 2^32 - 1 seconds: what a writer leaves unset
                expected = None
            if found is None and expected is None:
                continue
            compared += 1
            if found is None or expected is None or abs(found - expected) > 1e-3 * expected:
                wrong.append(f"{path.name}: {name} {found}, Pillow {expected}")
    assert not wrong, "\n".join(wrong)
    assert compared > 50
