"""What a page shows of a stack: its frames, aligned, in the colours of a screen."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from merge.align import rescale_transform, warp_frame
from merge.depth import (
    FocusComposite,
    detail_of,
    locate_depth,
    measure_reduction,
    measure_samples,
)
from merge.encoding import encode, linearize
from merge.model import (
    Box,
    DepthMap,
    FloatArray,
    FocusAxis,
    FrameRegistration,
    FrameSource,
    Progress,
    Registration,
    Stack,
)
from merge.pipeline.deep import OutputDepth, depth_of_reference
from merge.pipeline.sampling import FrameSampler, covered
from merge.read import read_frame, read_luminance, read_samples
from merge.resizing import reduced_shape
from merge.scratch import ScratchStack
from merge.threads import map_threads

Bytes = NDArray[np.uint8]

# Beyond this, what is kept of every frame goes to disk.
_SCRATCH_BYTES = 256 << 20
# Where a frame has no pixel: the page's grey around pictures, not the black of a dark subject.
_NO_PIXEL = (52, 56, 58)
_BAND_ROWS = 256


@dataclass(frozen=True, eq=False)
class ShownFrame:
    """One aligned frame as a page shows it.

    Attributes
    ----------
    index : int
        Position in the stack.
    pixels : ndarray, shape (height, width, 3), uint8
        sRGB, in the geometry of the page's picture; dark grey where the frame has no pixel.
    valid : ndarray of bool, shape (height, width)
        Where it has one.
    """

    index: int
    pixels: Bytes
    valid: NDArray[np.bool_]


def shown_frames(
    stack: Stack,
    registration: Registration,
    box: Box,
    *,
    equalize: bool = True,
    deep: OutputDepth | None = None,
    progress: Progress | None = None,
) -> Iterator[ShownFrame]:
    """Yield every aligned frame in the geometry of ``box`` (row, column, height, width).

    Parameters
    ----------
    stack : Stack
    registration : Registration
        Of all its frames.
    box : (row, column, height, width)
        Part of the reference frame that the page shows.
    equalize : bool
        Bring each frame's light to that of the reference frame.
    deep : OutputDepth, optional
        Over the box, where frames see near and far shifted differently.
    progress : callable, optional
        Called with (stage, frames done, frames in all).

    Raises
    ------
    ReadError
        If a frame cannot be read.
    """
    used = registration.aligned
    for done, index in enumerate(used, 1):
        frame = registration.frames[index]
        # Without a name: a sampler is not held while the next frame is read.
        yield _shown(
            _sampler(stack, index, frame, equalize=equalize, deep=deep),
            index, frame, stack.sources[index], box,
        )  # fmt: skip
        if progress is not None:
            progress("Preparing the page", done, len(used))


def _sampler(
    stack: Stack,
    index: int,
    frame: FrameRegistration,
    *,
    equalize: bool,
    deep: OutputDepth | None,
) -> FrameSampler:
    """Return what samples one frame."""
    source = stack.sources[index]
    samples, white = read_samples(source, white_balance=stack.white_balance)
    return FrameSampler(samples, white, frame, source.transfer, equalize=equalize, depth=deep)


def _shown(
    sampler: FrameSampler, index: int, frame: FrameRegistration, source: FrameSource, box: Box
) -> ShownFrame:
    """Return one frame; a function of its own, so that nothing large outlives it."""
    row, column, height, width = box
    shown = np.empty((height, width, 3), np.uint8)

    def fill(top: int) -> None:
        # In bands, so that there is never a whole picture of floats.
        part = (row + top, column, min(_BAND_ROWS, height - top), width)
        shown[top : top + part[2]] = screen_pixels(sampler.sample(part), source)

    map_threads(fill, range(0, height, _BAND_ROWS))
    valid = covered(frame, source.shape, box)
    if valid is None:
        valid = np.ones((height, width), np.bool_)
    shown[~valid] = _NO_PIXEL
    return ShownFrame(index, shown, valid)


def small_frame(
    source: FrameSource, long_side: int, white_balance: Sequence[float] | None = None
) -> Bytes:
    """Return a frame as it is, not aligned, reduced to ``long_side``, (h, w, 3) uint8 sRGB."""
    pixels = read_frame(source, white_balance=white_balance).pixels
    scale = min(1.0, long_side / max(pixels.shape[:2]))
    size = (max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale)))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    return screen_pixels(small.reshape(size[1], size[0], source.shape[2]), source)


def screen_pixels(pixels: FloatArray, source: FrameSource) -> Bytes:
    """Return pixels in sRGB with 8 bits, (H, W, 3): what a browser takes a picture to be.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, C), float32
        In the encoding of ``source``.
    source : FrameSource
        Its colour profile is applied; without one its curve.
    """
    if source.icc_profile is None and source.transfer != "srgb":
        pixels = encode(linearize(np.clip(pixels, 0, 1), source.transfer), "srgb")
    stored = np.empty(pixels.shape, np.uint8)
    for top in range(0, len(pixels), _BAND_ROWS):  # without a second picture of floats
        band = pixels[top : top + _BAND_ROWS]
        stored[top : top + _BAND_ROWS] = np.clip(band * np.float32(255) + np.float32(0.5), 0, 255)
    grey = pixels.shape[-1] == 1
    if source.icc_profile is not None:
        transform = _to_srgb(source.icc_profile, grey)
        if transform is not None:
            picture = Image.fromarray(stored[..., 0] if grey else stored)
            return np.array(ImageCms.applyTransform(picture, transform))
    return np.repeat(stored, 3, axis=2) if grey else stored


@lru_cache(maxsize=4)
def _to_srgb(profile: bytes, grey: bool) -> ImageCms.ImageCmsTransform | None:
    """Return the transform to sRGB; None where the profile is of no use for that."""
    try:
        own = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        return ImageCms.buildTransform(
            own, ImageCms.createProfile("sRGB"), "L" if grey else "RGB", "RGB"
        )
    except (ImageCms.PyCMSError, OSError):
        return None


def locate_sharpest(
    stack: Stack,
    registration: Registration,
    axis: FocusAxis | None = None,
    *,
    progress: Progress | None = None,
) -> DepthMap:
    """Return which aligned frame is sharpest where, in the whole reference frame.

    Parameters
    ----------
    stack : Stack
    registration : Registration
    axis : FocusAxis, optional
        It tells how blur grows from frame to frame and, where they see near and far shifted
        differently, how far things lie.
    progress : callable, optional

    Returns
    -------
    DepthMap, shape (h, w)
        The depth itself, at a reduced size (see `merge.depth.measure_reduction`); positions count
        all frames of the stack.
    """
    used = registration.aligned
    reduction = measure_reduction(registration.shape)
    small = reduced_shape(registration.shape, reduction)
    guide = FocusComposite((*small, 1))
    deep = depth_of_reference(registration, axis, reduction)
    position = None if deep is None else deep.small_px
    with ScratchStack(len(used), small, np.float16, memory_bytes=_SCRATCH_BYTES) as measures:
        for done, index in enumerate(used, 1):
            transform = registration.frames[index].transform
            assert transform is not None
            luminance = read_luminance(stack.sources[index], white_balance=stack.white_balance)
            told = measure_samples(
                luminance[..., None], 1.0, reduction=reduction, light_reduction=reduction
            )
            layers = [detail_of(told.power, reduction), told.colours[..., 0]]
            moved = rescale_transform(transform, 1 / reduction)
            measure, picture = np.moveaxis(
                warp_frame(np.dstack(layers), moved, position=position), 2, 0
            )
            measure = np.maximum(np.nan_to_num(measure), 0)
            measures.append(measure)
            guide.add(measure, np.nan_to_num(picture)[..., None])
            if progress is not None:
                progress("Finding the sharpest parts", done, len(used))
        axis_px = None if axis is None else axis.positions_px
        depth = locate_depth(measures, guide.pixels, reduction, axis_px=axis_px)
    assert depth.exact is not None
    place = np.interp(depth.exact, np.arange(len(used)), used).astype(np.float32)
    return DepthMap(place, depth.confidence)
