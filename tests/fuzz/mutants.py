"""Valid files of every kind, and seeded damage to them.

A mutant is told by (kind, seed, number) alone, so that any can be made again.
"""

from __future__ import annotations

import copy
import importlib.util
import io
import json
import math
import struct
import tempfile
import zlib
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
from io_samples import exif_bytes, mosaic_of, smooth_picture, write_dng, write_tiff
from PIL import Image

from merge.metadata import build_xmp, working_profile

Rng = np.random.Generator
_HEIGHT, _WIDTH = 72, 104
_SHORTS = (0, 1, 2, 7, 8, 16, 255, 256, 0x7FFF, 0x8000, 0xFFFE, 0xFFFF)
_LONGS = (*_SHORTS, 0x10000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFF0, 0xFFFFFFFF)
_TYPES = range(19)
# The extra that reads HEIF; its mutants are left out without it.
HEIF = importlib.util.find_spec("pillow_heif") is not None
_PHOTO = {
    0x829A: 1 / 60, 0x829D: 5.6, 0x8827: 200, 0x9003: "2031:05:06 07:08:09", 0x9291: "25",
    0x9011: "+02:00", 0x920A: 60.0, 0x9206: 1.25, 0xA20E: 2000.0, 0xA210: 3, 0xA434: "Lens 60",
}  # fmt: skip
_MAIN = {271: "Example", 272: "Field One", 315: "Nobody", 33432: "none"}
_GPS = {1: "N", 2: (47.0, 3.0, 5.5), 3: "E", 4: (8.0, 30.0, 1.0), 5: b"\0", 6: 500.0}


def _picture(channels: int = 3, dtype: Any = np.uint8) -> np.ndarray:
    picture = smooth_picture(_HEIGHT, _WIDTH, channels, np.float64)
    picture = picture + np.random.default_rng(3).normal(0, 0.02, picture.shape)
    if np.dtype(dtype).kind == "f":
        return picture.astype(dtype)
    top = np.iinfo(dtype).max
    return np.rint(picture.clip(0, 1) * top).astype(dtype)


def _exif() -> bytes:
    return exif_bytes(orientation=1, main=_MAIN, photo=_PHOTO, gps=_GPS)


def _jpeg(**options: Any) -> bytes:
    buffer = io.BytesIO()
    xmp = build_xmp({"version": "1", "frames": ["a.jpg"]}).replace(b"depthweld", b"elsewhere")
    settings = {"quality": 88, "exif": _exif(), "icc_profile": working_profile(), "xmp": xmp}
    Image.fromarray(_picture(options.pop("channels", 3))).save(buffer, "JPEG", **settings | options)
    return buffer.getvalue()


def _heif(*, grey: bool = False) -> bytes:
    import pillow_heif

    pixels = _picture(1) if grey else _picture()
    buffer = io.BytesIO()
    height, width = pixels.shape[:2]
    file = pillow_heif.from_bytes("L" if grey else "RGB", (width, height), pixels.tobytes())
    file.save(buffer, quality=80, exif=_exif())
    return buffer.getvalue()


def _png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _png(values: np.ndarray) -> bytes:
    data = imagecodecs.png_encode(values)
    exif = _png_chunk(b"eXIf", _exif().removeprefix(b"Exif\0\0"))
    profile = b"profile\0\0" + zlib.compress(working_profile())
    return bytes(data[:33]) + exif + _png_chunk(b"iCCP", profile) + data[33:]


def _from_file(write: Callable[[Path], object]) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "seed"
        write(path)
        return path.read_bytes()


def _tiff(values: np.ndarray, **options: Any) -> bytes:
    return _from_file(lambda path: write_tiff(path, values, **options))


def _dng(**options: Any) -> bytes:
    scene = smooth_picture(_HEIGHT, _WIDTH, dtype="f8")
    return _from_file(lambda path: write_dng(path, mosaic_of(scene), **options))


AUDIT = {
    "tolerance_px": 2.0, "pixel_pitch_um": 4.0, "magnification": 0.5, "f_number": 5.6,
    "focus_axis": {"positions_px": [0.0, 3.0, 12.0, 15.0], "frames": [0, 1, 2, 3]},
    "findings": [{"kind": "gap", "severity": "problem", "frames": [1, 2], "value": 4.5},
                 {"kind": "end not covered", "severity": "warning", "frames": [3], "value": 9.0}],
    "frames": [{"name": f"f{i}.jpg", "focus_distance_m": 1.0 + i} for i in range(4)],
}  # fmt: skip
GROUPS = {
    "format": "depthweld sorted frames", "version": 1, "folder": ".", "skipped": [],
    "groups": [{"name": "focus-bracket-a", "kind": "focus bracket", "certainty": 0.9,
                "reason": "r", "notes": [],
                "shots": [{"file": "a.jpg", "companions": [], "problem": ""},
                          {"file": "b.jpg", "companions": ["c.jpg"], "problem": ""}]}],
    "sets": [{"words": "w", "groups": ["focus-bracket-a"]}],
}  # fmt: skip
EDITS = {
    "format": "depthweld edits", "version": 1, "picture": {"width": _WIDTH, "height": _HEIGHT},
    "edits": [{"kind": "frame", "frame": "a.jpg", "feather_px": 8.0, "on": True,
               "region": [[20.0, 20.5], [60, 20], [60.25, 50], [30, 40]]},
              {"kind": "detail", "region": [[0, 0], [9, 0], [9, 9]], "on": False}],
}  # fmt: skip
RECORD = {
    "format": "depthweld merge record", "version": 1,
    "frames": [{"path": f"/nowhere/f{i}.jpg"} for i in range(3)],
    "written": {"picture": {"path": "/nowhere/m.tif"}},
    "options": {"method": "auto", "reference": None, "audit": {"tolerance": "2px"}},
    "findings": [{"severity": "note", "message": "m", "advice": "a"}],
    "edits": [EDITS["edits"][0]],
}  # fmt: skip


@lru_cache(maxsize=1)
def seeds() -> dict[str, tuple[bytes, ...]]:
    """Return whole files by kind; "exif", "icc" and "xmp" are JPEGs damaged in that segment."""
    grey16, rgb8, rgb16 = _picture(1, np.uint16), _picture(), _picture(3, np.uint16)
    return {
        "jpeg": (_jpeg(), _jpeg(progressive=True), _jpeg(channels=1), _jpeg(subsampling=2),
                 _jpeg(restart_marker_rows=1)),
        "png": (_png(rgb8), _png(rgb16), _png(grey16)),
        "tiff": (
            _tiff(rgb16, rowsperstrip=20), _tiff(rgb8, rowsperstrip=20, compression="deflate"),
            _tiff(rgb8, tile=(32, 48), compression="lzw"), _tiff(rgb16, tile=(32, 48)),
            _tiff(grey16, compression="zstd", predictor=True), _tiff(rgb8, compression="packbits"),
            _tiff(rgb8, planarconfig="separate", rowsperstrip=30),
            _tiff(_picture(3, np.float32)), _tiff(rgb8, bigtiff=True),
            _tiff(rgb8, compression="jpeg"),
        ),
        "dng": (_dng(), _dng(preview=rgb8)),
        "heif": (_heif(), _heif(grey=True)) if HEIF else (),
        "exif": (_jpeg(),),
        "icc": (_jpeg(),),
        "xmp": (_jpeg(),),
        "audit": (json.dumps(AUDIT).encode(),),
        "groups": (json.dumps(GROUPS).encode(),),
        "edits": (json.dumps(EDITS).encode(),),
        "record": (json.dumps(RECORD).encode(),),
        "name": (b"IMG_0001.jpg",),
    }  # fmt: skip


_ALWAYS = (
    "jpeg",
    "png",
    "tiff",
    "dng",
    "exif",
    "icc",
    "xmp",
    "audit",
    "groups",
    "edits",
    "record",
    "name",
)
# Last, so that the numbers of the others' mutants do not depend on an extra.
KINDS = (*_ALWAYS, "heif") if HEIF else _ALWAYS
ENDING = {"jpeg": ".jpg", "exif": ".jpg", "icc": ".jpg", "xmp": ".jpg", "png": ".png",
          "tiff": ".tif", "dng": ".dng", "heif": ".heic", "audit": ".json",
          "groups": ".json", "edits": ".json", "record": ".json"}  # fmt: skip


def make_mutant(kind: str, seed: int, number: int) -> tuple[bytes, int, bool]:
    """Return a damaged file, which of the kind's whole files it was, and if checksums were mended.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    seed, number : int
    """
    rng = np.random.default_rng([seed, number, KINDS.index(kind)])
    whole = seeds()[kind]
    chosen = int(rng.integers(len(whole)))
    data = whole[chosen]
    if ENDING.get(kind) == ".json" and rng.random() < 0.8:
        return _damage_json(data, rng), chosen, False
    if kind == "name":
        return _make_name(rng), chosen, False
    if kind in ("exif", "icc", "xmp"):
        return _damage_segment(data, kind, rng), chosen, False
    if kind in ("tiff", "dng") and rng.random() < 0.5:
        return _damage_tags(data, rng), chosen, False
    mended = kind == "png" and rng.random() < 0.4
    damaged = _damage_bytes(data, rng, whole)
    return (_mend_png(damaged) if mended else damaged), chosen, mended


def _damage_bytes(data: bytes, rng: Rng, whole: tuple[bytes, ...]) -> bytes:
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 5))):
        size = len(out)
        if size < 8:
            break
        near = min(size, 700) if rng.random() < 0.5 else size
        at = int(rng.integers(near))
        length = int(rng.integers(1, max(2, min(300, size - at))))
        way = int(rng.integers(9))
        if way == 0:
            out[at] ^= 1 << int(rng.integers(8))
        elif way == 1:
            out[at : at + length] = bytes([int(rng.choice([0, 255]))]) * length
        elif way == 2:
            out[at : at + length] = rng.bytes(length)
        elif way == 3:
            del out[at : at + length]
        elif way == 4:
            out[at:at] = rng.bytes(length)
        elif way == 5:
            out[at:at] = out[at : at + length]
        elif way == 6:
            order, wide = rng.choice(["<", ">"]), rng.random() < 0.5
            value = int(rng.choice(_LONGS if wide else _SHORTS))
            part = struct.pack(f"{order}{'I' if wide else 'H'}", value)
            out[at : at + len(part)] = part
        elif way == 7:
            del out[int(rng.integers(size // 4, size)) :]
            if rng.random() < 0.5:  # with the end that a whole file has
                out += data[-12:]
        else:
            other = whole[int(rng.integers(len(whole)))]
            out[at : at + length] = other[at : at + length]
    return bytes(out)


def _damage_tags(data: bytes, rng: Rng) -> bytes:
    """Damage whole entries of the first directory of a TIFF."""
    out = bytearray(data)
    order = "<" if data[:1] == b"I" else ">"
    big = data[2:4] in (b"+\0", b"\0+")
    (at,) = struct.unpack_from(order + ("Q" if big else "I"), data, 8 if big else 4)
    (count,) = struct.unpack_from(order + ("Q" if big else "H"), data, at)
    first, size = (at + 8, 20) if big else (at + 2, 12)
    for _ in range(int(rng.integers(1, 4))):
        entry = first + size * int(rng.integers(count))
        value = entry + (12 if big else 8)
        way = int(rng.integers(6))
        if way == 0:
            struct.pack_into(order + "H", out, entry + 2, int(rng.choice(_TYPES)))
        elif way == 1:
            struct.pack_into(order + ("Q" if big else "I"), out, entry + 4, int(rng.choice(_LONGS)))
        elif way == 2:
            struct.pack_into(order + "I", out, value, int(rng.choice(_LONGS)))
        elif way == 3:
            struct.pack_into(order + "H", out, value, int(rng.choice(_SHORTS)))
        elif way == 4:
            (now,) = struct.unpack_from(order + "I", out, value)
            step = int(rng.choice([-16, -1, 1, 2, 16, len(data)]))
            struct.pack_into(order + "I", out, value, (now + step) & 0xFFFFFFFF)
        else:
            other = first + size * int(rng.integers(count))
            out[entry + 2 : entry + size] = out[other + 2 : other + size]
    return bytes(out)


_MARKS = {"exif": b"Exif\0\0", "icc": b"ICC_PROFILE\0", "xmp": b"http://ns.adobe.com/xap/1.0/\0"}


def _damage_segment(data: bytes, kind: str, rng: Rng) -> bytes:
    """Damage what a JPEG's segment holds, and give the segment its right length again."""
    at = data.index(_MARKS[kind])
    begin, end = at - 4, at - 2 + int.from_bytes(data[at - 2 : at], "big")
    body = data[at + len(_MARKS[kind]) : end]
    if kind == "exif" and rng.random() < 0.5:
        body = _damage_tags(body, rng)
    else:
        body = _damage_bytes(body, rng, (body,))
    whole = (_MARKS[kind] + body)[:65533]
    segment = data[begin : begin + 2] + (len(whole) + 2).to_bytes(2, "big") + whole
    return data[:begin] + segment + data[end:]


def _mend_png(data: bytes) -> bytes:
    """Return a PNG whose checksums are right again, as far as its chunks can be followed."""
    out, at = bytearray(data), 8
    while at + 12 <= len(out):
        end = at + 8 + int.from_bytes(out[at : at + 4], "big")
        if end + 4 > len(out):
            break
        out[end : end + 4] = zlib.crc32(out[at + 4 : end]).to_bytes(4, "big")
        at = end + 4
    return bytes(out)


_ODD_VALUES: tuple[Any, ...] = (
    None, True, 0, -1, 1, 1e300, -1e300, 1e-300, math.inf, math.nan, 10**400, "", "x", "\0",
    "\udcff", "\x1b[2J", [], {}, [[]], [None], {"": 0}, "9" * 5000, [0] * 200,
)  # fmt: skip


def _damage_json(data: bytes, rng: Rng) -> bytes:
    content = json.loads(data)
    for _ in range(int(rng.integers(1, 4))):
        place: Any = content
        while True:
            keys = list(place) if isinstance(place, dict) else list(range(len(place)))
            if not keys:
                break
            key = keys[int(rng.integers(len(keys)))]
            if isinstance(place[key], (dict, list)) and place[key] and rng.random() < 0.7:
                place = place[key]
                continue
            if rng.random() < 0.25:
                del place[key]
            else:
                place[key] = copy.deepcopy(_ODD_VALUES[int(rng.integers(len(_ODD_VALUES)))])
            break
    names, shares = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le"), (0.7, 0.1, 0.1, 0.1)
    encoding = names[int(rng.choice(len(names), p=shares))]
    return json.dumps(content).encode(encoding)


def _make_name(rng: Rng) -> bytes:
    """Return the name of a file: bytes without a slash and zero."""
    parts = (
        rng.bytes(int(rng.integers(1, 40))), b"\x1b[31m", b"\n", b"\r", b"\t", b" ", b"..", b"-o",
        b"--", b"*", b"[a]", b"%s{0}", b"<script>", b"'\"", "‮é∞".encode(), b"\xff\xfe", b"~",
        b"$(x)", b"n" * 200, b"CON", b"\\", b"#", b"&amp;", "e\u0301".encode(),
    )  # fmt: skip
    name = b"".join(parts[int(i)] for i in rng.integers(len(parts), size=int(rng.integers(1, 4))))
    name = name.replace(b"/", b"_").replace(b"\0", b"_")[:240]
    return (b"x" if name in (b".", b"..") else name) + b".jpg"
