"""Pictures for a page: encoded once, in tiles where they are large, within a budget of bytes.

WebP: at equal quality it takes two thirds of a JPEG's bytes on the soft parts that most of a
bracket's frames consist of, and every browser of the last years reads it.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from merge.model import Box, DepthMap, FloatArray
from merge.pipeline.page_pictures import ShownFrame
from merge.resizing import reduce_map
from merge.threads import map_threads

Bytes = NDArray[np.uint8]

# All pictures of a page together, in bytes before base64 (which makes four of three), for up to
# 24 megapixels; larger pictures may take more in proportion.
BUDGET_BYTES = 10_300_000
_BUDGET_PIXELS = 24_000_000
# Share of the budget that the main picture at full size may take.
_MAIN_SHARE = 0.55
# Share of the budget that the reduced frames may take together.
_REDUCED_SHARE = 0.25
# Pixels of all reduced frames together: they take about 0.09 bytes each.
_REDUCED_PIXELS = 20_000_000
MAIN_TILE, FRAME_TILE = 512, 256
_QUALITIES = (90, 85, 80, 75, 68, 60, 50, 40, 30, 20)
_REDUCED_QUALITIES = (72, 60, 45, 30, 15)
_THUMBNAIL_QUALITY, _OVERVIEW_QUALITY, CROP_QUALITY = 62, 78, 86
_SAMPLED_TILES = 14
_THUMBNAIL_SIDE, _OVERVIEW_SIDE, _MAP_SIDE = 260, 1800, 1024
# A tile of a frame is a candidate for full size where the frame is the sharpest in this share.
_LEAST_SHARE = 0.02
# Speed against size of the encoder: 2 takes a third of the time of 4 and 4 % more bytes.
_EFFORT = 2
# Value of a map where nothing is known.
UNKNOWN = 255


@dataclass(frozen=True)
class Crop:
    """A part of a picture that a page shows at full size.

    Attributes
    ----------
    frame : int or None
        Index of a frame; None = the main picture.
    box : (row, column, height, width)
        In pixels of the page's picture, inside it.
    """

    frame: int | None
    box: Box


def encode_picture(pixels: Bytes, quality: int) -> bytes:
    """Return (H, W, 3) uint8 sRGB as WebP."""
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "WEBP", quality=quality, method=_EFFORT)
    return file.getvalue()


def data_uri(encoded: bytes) -> str:
    """Return an encoded WebP or PNG as the address of an image."""
    kind = "png" if encoded.startswith(b"\x89PNG") else "webp"
    return f"data:image/{kind};base64,{base64.b64encode(encoded).decode()}"


def shrink(pixels: Bytes, long_side: int) -> Bytes:
    """Return a picture reduced to ``long_side`` at most."""
    scale = long_side / max(pixels.shape[:2])
    if scale >= 1:
        return pixels
    size = (max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale)))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)


def cut(pixels: Bytes, box: Box) -> Bytes:
    """Return the part of a picture in a box (row, column, height, width)."""
    row, column, height, width = box
    return np.ascontiguousarray(pixels[row : row + height, column : column + width])


def tile_boxes(shape: Sequence[int], side: int) -> Iterator[tuple[tuple[int, int], Box]]:
    """Yield ((row, column) of a tile, its box), the last ones smaller."""
    for top in range(0, shape[0], side):
        for left in range(0, shape[1], side):
            box = (top, left, min(side, shape[0] - top), min(side, shape[1] - left))
            yield (top // side, left // side), box


@dataclass(frozen=True, eq=False)
class MainPicture:
    """The picture that a page is about, encoded.

    Attributes
    ----------
    tiles : dict of (row, column) to bytes
        At full size, `MAIN_TILE` pixels a side.
    quality : int
        Of the WebP encoder, 0 to 100.
    overview : bytes
        The whole, reduced.
    """

    tiles: Mapping[tuple[int, int], bytes]
    quality: int
    overview: bytes

    def size_bytes(self) -> int:
        """Return the bytes of all its pictures."""
        return sum(len(data) for data in self.tiles.values()) + len(self.overview)


def page_budget(shape: Sequence[int]) -> int:
    """Return how many bytes the pictures of a page may take, for a picture (H, W, …)."""
    return int(BUDGET_BYTES * max(1.0, shape[0] * shape[1] / _BUDGET_PIXELS))


def choose_quality(pixels: Bytes) -> int:
    """Return the best quality at which a picture keeps within its part of the budget."""
    boxes = [box for _, box in tile_boxes(pixels.shape, MAIN_TILE)]
    sampled = boxes[:: max(1, len(boxes) // _SAMPLED_TILES)]
    area = sum(box[2] * box[3] for box in sampled)
    limit = _MAIN_SHARE * page_budget(pixels.shape) * area / (pixels.shape[0] * pixels.shape[1])
    for quality in _QUALITIES:
        if sum(len(encode_picture(cut(pixels, box), quality)) for box in sampled) <= limit:
            return quality
    return _QUALITIES[-1]


def encode_main(pixels: Bytes, quality: int) -> MainPicture:
    """Return the main picture (H, W, 3) encoded in tiles and as an overview."""
    tiles = _encode_boxes(pixels, dict(tile_boxes(pixels.shape, MAIN_TILE)), quality)
    overview = encode_picture(shrink(pixels, _OVERVIEW_SIDE), _OVERVIEW_QUALITY)
    return MainPicture(tiles, quality, overview)


def _encode_boxes(
    pixels: Bytes, boxes: Mapping[tuple[int, int], Box], quality: int
) -> dict[tuple[int, int], bytes]:
    encoded = map_threads(lambda box: encode_picture(cut(pixels, box), quality), boxes.values())
    return dict(zip(boxes, encoded, strict=True))


def nearest_frame(position: FloatArray, used: Sequence[int]) -> NDArray[np.int32]:
    """Return the index of the frame nearest to each position, among those used."""
    frames = np.asarray(used, np.int32)
    between = (frames[:-1] + frames[1:]) / 2
    return frames[np.searchsorted(between, position)]


@dataclass
class FrameBook:
    """The frames of a page: a reduced picture of each, and full-size tiles where they matter.

    Attributes
    ----------
    shape : (H, W)
        Of the page's picture.
    choice : ndarray of int, shape (h, w)
        The frame that is sharpest at each place, at a reduced size.
    quality : int
        Of full-size tiles: that of the main picture, so that a comparison is fair.
    frames : int
        How many will be added.
    crops : sequence of Crop
        Parts of frames that are wanted in any case.
    """

    shape: tuple[int, int]
    choice: NDArray[np.int32]
    quality: int
    frames: int
    crops: Sequence[Crop] = ()
    reduced: dict[int, bytes] = field(default_factory=dict)
    thumbnails: dict[int, bytes] = field(default_factory=dict)
    cut_out: dict[Crop, bytes] = field(default_factory=dict)
    shares: dict[int, float] = field(default_factory=dict)
    _tiles: list[tuple[float, int, tuple[int, int], bytes]] = field(default_factory=list)

    @property
    def reduction(self) -> int:
        """Return by how much the reduced pictures are smaller than the frames."""
        pixels = self.shape[0] * self.shape[1] * self.frames
        return max(1, int(np.ceil(np.sqrt(pixels / _REDUCED_PIXELS))))

    def add(self, frame: ShownFrame) -> None:
        """Encode one frame."""
        self.reduced[frame.index] = self._encode_reduced(frame.pixels)
        thumbnail = encode_picture(shrink(frame.pixels, _THUMBNAIL_SIDE), _THUMBNAIL_QUALITY)
        self.thumbnails[frame.index] = thumbnail
        own = (self.choice == frame.index).astype(np.float32)
        self.shares[frame.index] = float(own.mean())
        for crop in self.crops:
            if crop.frame == frame.index:
                self.cut_out[crop] = encode_picture(cut(frame.pixels, crop.box), CROP_QUALITY)
        if self.reduction > 1:
            self._add_tiles(frame, own)

    def _encode_reduced(self, pixels: Bytes) -> bytes:
        if self.reduction == 1:
            return encode_picture(pixels, self.quality)
        small = np.asarray(reduce_map(pixels, self.reduction), np.uint8)  # type: ignore[arg-type]
        limit = _REDUCED_SHARE * page_budget(self.shape) / self.frames
        data = b""
        for quality in _REDUCED_QUALITIES:
            data = encode_picture(small, quality)
            if len(data) <= limit:
                break
        return data

    def _add_tiles(self, frame: ShownFrame, own: FloatArray) -> None:
        boxes = dict(tile_boxes(self.shape, FRAME_TILE))
        rank = {place: self._share(own, box) for place, box in boxes.items()}
        for crop in self.crops:
            if crop.frame == frame.index:
                rank |= {place: 2.0 for place, box in boxes.items() if overlap(box, crop.box)}
        wanted = {place: boxes[place] for place, value in rank.items() if value >= _LEAST_SHARE}
        for place, data in _encode_boxes(frame.pixels, wanted, self.quality).items():
            self._tiles.append((rank[place], frame.index, place, data))

    def _share(self, own: FloatArray, box: Box) -> float:
        scale_y, scale_x = own.shape[0] / self.shape[0], own.shape[1] / self.shape[1]
        top, left = int(box[0] * scale_y), int(box[1] * scale_x)
        bottom = max(top + 1, int(np.ceil((box[0] + box[2]) * scale_y)))
        right = max(left + 1, int(np.ceil((box[1] + box[3]) * scale_x)))
        return float(own[top:bottom, left:right].mean())

    def tiles(self, limit_bytes: int) -> dict[int, dict[tuple[int, int], bytes]]:
        """Return the full-size tiles that matter most, by frame, within a number of bytes."""
        chosen: dict[int, dict[tuple[int, int], bytes]] = {}
        left = limit_bytes
        for _, index, place, data in sorted(self._tiles, key=lambda t: -t[0]):
            if len(data) > left:
                break
            left -= len(data)
            chosen.setdefault(index, {})[place] = data
        return chosen

    def spent_bytes(self) -> int:
        """Return the bytes of everything but the full-size tiles."""
        parts = (self.reduced, self.thumbnails, self.cut_out)
        return sum(len(data) for part in parts for data in part.values())


def overlap(one: Box, other: Box) -> bool:
    """Return whether two boxes share a pixel."""
    return (
        one[0] < other[0] + other[2]
        and other[0] < one[0] + one[2]
        and one[1] < other[1] + other[3]
        and other[1] < one[1] + one[3]
    )


@dataclass(frozen=True)
class EncodedDepth:
    """A depth map as a picture.

    Attributes
    ----------
    png : bytes
        Red and green are the high and low byte of ``position / step``, blue is confidence in
        255ths.
    step : float
        In frames.
    """

    png: bytes
    step: float


def encode_depth_map(depth: DepthMap, last: int) -> EncodedDepth:
    """Return a depth map, reduced, with positions up to frame ``last``."""
    scale = min(1.0, _MAP_SIDE / max(depth.position.shape))
    size = (round(depth.position.shape[1] * scale), round(depth.position.shape[0] * scale))
    # Nearest: a mean of two depths is a depth that nothing has.
    position = cv2.resize(depth.position, size, interpolation=cv2.INTER_NEAREST)
    confidence = cv2.resize(depth.confidence, size, interpolation=cv2.INTER_AREA)
    # Coarse enough that the low byte of smooth parts is calm and packs well.
    step = max(last, 1) / 1024
    stored = np.clip(np.rint(position / step), 0, 65535).astype(np.uint16)
    channels = np.dstack([stored >> 8, stored & 255, np.clip(confidence * 255, 0, 255)])
    return EncodedDepth(encode_png(channels.astype(np.uint8)), step)


def encode_png(values: Bytes) -> bytes:
    """Return (h, w) or (h, w, 3) values as PNG, exactly."""
    file = io.BytesIO()
    Image.fromarray(values).save(file, "PNG", optimize=True)
    return file.getvalue()


def as_text(tiles: Mapping[tuple[int, int], bytes]) -> dict[str, str]:
    """Return tiles as base64 text under "row,column"."""
    return {f"{r},{c}": base64.b64encode(data).decode() for (r, c), data in tiles.items()}
