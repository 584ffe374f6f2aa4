"""Colour brackets of random scenes and handling, as JPEG files, with exact truth from the seed.

A scene is layers of cover, light and depth on a canvas wider than the frame. Every frame moves them
apart where the camera swayed, blurs each by its distance from the focus plane, lays them over each
other, and is seen by a camera that turns, was knocked, breathes and adds noise. What merges are
compared with is blurred only where the subject lies beyond the frames.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from io_samples import exif_bytes
from PIL import Image
from random_brackets import (
    KINDS,
    focus_positions,
    power_law,
    seen_by_camera,
    surface,
    texture,
    thing,
)
from scipy.ndimage import map_coordinates
from thin_lens import to_coded

FRAME, CANVAS = (448, 608), (536, 728)
LAYOUTS = ("ramp", "landscape", "planes", "macro", "relief", "stems")
SMOOTH = ("sky", "skin", "snow")
HANDLING = ("still", "turned", "knocked", "hand", "swayed")
_MARGIN = (np.array(CANVAS) - FRAME) / 2

Layer = tuple[np.ndarray, np.ndarray, np.ndarray]  # cover (H, W), light (H, W, 3), px of blur


@dataclass(frozen=True, eq=False)
class ColourBracket:
    """A bracket with the truth in the geometry of its reference frame.

    It tells what `proving_data.ProvingBracket` tells, for `proving_scores`; frames in shooting
    order. ``canvas`` is the attainable picture on the canvas, linear light, ``deep`` where it lies
    in px of blur, near = 0; ``maps`` lead from the canvas's middle, in frame px, to the frames;
    ``sway`` is the move of what lies a px beyond ``plane_px``.
    """

    folder: Path
    positions_px: np.ndarray
    maps: np.ndarray
    sway: np.ndarray
    plane_px: float
    gains: np.ndarray
    canvas: np.ndarray
    deep: np.ndarray
    about: dict[str, Any]
    reference: int = 0

    def __len__(self) -> int:
        return len(self.positions_px)

    @property
    def paths(self) -> list[Path]:
        """Return the frames' files."""
        return sorted(self.folder.glob("*.jpg"))

    def seen_from(self, reference: int) -> ColourBracket:
        """Return the bracket in the geometry of another frame."""
        return dataclasses.replace(self, reference=reference)

    @cached_property
    def _plane(self) -> np.ndarray:
        """Return where the reference frame's pixels lie on the canvas, (x, y)."""
        rows, columns = np.indices(FRAME)
        return _apply(np.linalg.inv(self.maps[self.reference]), np.stack([columns, rows], -1))

    @cached_property
    def where_px(self) -> np.ndarray:
        """Return how deep the reference frame's pixels lie, px of blur."""
        return self._seen(self.deep, 0)

    @cached_property
    def truth(self) -> np.ndarray:
        """Return the attainable picture, coded."""
        light = np.dstack([self._seen(part, 5) for part in np.moveaxis(self.canvas, 2, 0)])
        return to_coded(np.clip(light * self.gains[self.reference], 0, 1))

    def _seen(self, values: np.ndarray, order: int) -> np.ndarray:
        return _sampled(values, self._plane + _MARGIN[::-1], order)

    @property
    def inverse_depth(self) -> np.ndarray:
        """Return where pixels lie; only its shape counts."""
        return self.where_px

    @property
    def moving(self) -> np.ndarray:
        """Return False: nothing moves."""
        return np.zeros(FRAME, bool)

    def places_in(self, index: int) -> np.ndarray:
        """Return where the reference frame's pixels lie in a frame, (H, W, 2) of (x, y)."""
        away = (self.where_px - self.plane_px)[..., None]
        moved = self._plane + away * (self.sway[index] - self.sway[self.reference])
        return _apply(self.maps[index], moved)

    def light_px(self, index: int) -> float:
        """Return how far blur disks' middles lie off: not at all, no lens cuts them."""
        return 0.0

    def blur_px(self, index: int) -> np.ndarray:
        """Return every pixel's blur in a frame, near side positive."""
        return self.positions_px[index] - self.where_px

    @cached_property
    def depth(self) -> np.ndarray:
        """Return every pixel's position in frames."""
        order = np.argsort(self.positions_px)
        return np.interp(self.where_px, self.positions_px[order], order.astype(float))

    @cached_property
    def beyond(self) -> np.ndarray:
        """Return True where no frame comes near focus."""
        low, high = self.positions_px.min(), self.positions_px.max()
        step = float(np.abs(np.diff(self.positions_px)).max())
        least = np.maximum(low - self.where_px, self.where_px - high)
        return least > max(1.0, 0.55 * step)


def _apply(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Return points (x, y) about the frame's middle moved by a matrix, back in pixels."""
    middle = (np.array(FRAME[::-1]) - 1) / 2
    moved = np.concatenate([points - middle, np.ones((*points.shape[:-1], 1))], -1) @ matrix.T
    return moved[..., :2] / moved[..., 2:] + middle


def _sampled(values: np.ndarray, places: np.ndarray, order: int) -> np.ndarray:
    """Return values at places (x, y); order 0: the nearest."""
    return map_coordinates(values, [places[..., 1], places[..., 0]], order=order, mode="reflect")


def _colour(rng: np.random.Generator, grey: np.ndarray) -> np.ndarray:
    """Return a grey picture in two hues that lie over each other in patches of every size."""
    mix = 1 / (1 + np.exp(-2 * power_law(rng, 1.5, CANVAS)))[..., None]
    hues = np.exp(rng.normal(0, 0.35, (2, 3)))
    hues /= hues @ [[0.25], [0.6], [0.15]]
    return np.clip(grey[..., None] * (mix * hues[0] + (1 - mix) * hues[1]), 0, 1).astype(np.float32)


def _skin_of_things(rng: np.random.Generator, kind: str) -> np.ndarray:
    """Return a coloured texture of `KINDS` or `SMOOTH`, linear light."""
    if kind not in SMOOTH:
        return _colour(rng, texture(kind, rng, CANVAS))
    down = np.linspace(0, 1, CANVAS[0])[:, None]
    level = {"sky": 0.35 + 0.25 * down, "skin": 0.3 * np.ones(CANVAS), "snow": 0.7 + 0 * down}[kind]
    fine = {"sky": 0.0, "skin": 0.02, "snow": 0.03}[kind]
    coarse = {"sky": 0.06, "skin": 0.1, "snow": 0.05}[kind]
    shade = coarse * power_law(rng, 2.2, CANVAS) + fine * power_law(rng, 0.8, CANVAS)
    tint = {"sky": (0.7, 0.95, 1.4), "skin": (1.35, 0.95, 0.8), "snow": (0.98, 1.0, 1.04)}[kind]
    return np.clip((level * np.exp(shade))[..., None] * tint, 0.003, 0.99).astype(np.float32)


def _layers(rng: np.random.Generator, layout: str, near: float, far: float) -> list[Layer]:
    """Return a scene from back to front."""
    y, x = np.mgrid[0 : CANVAS[0], 0 : CANVAS[1]] / np.array(CANVAS)[:, None, None]
    kinds = [*KINDS, *SMOOTH]
    depth = 0.75 * (1 - y) + 0.15 * x + 0.05 * np.sin(2 * np.pi * 1.7 * x)
    flat = layout in {"planes", "macro", "stems"}
    depth = (
        power_law(rng, 2.2, CANVAS) if layout == "relief" else np.ones(CANVAS) if flat else depth
    )
    if np.ptp(depth) > 0:
        depth = (depth - depth.min()) / np.ptp(depth)
    depth = near + (far - near) * depth
    if layout in {"macro", "stems"}:  # a backdrop that no frame comes near, or the last one does
        depth = np.full(CANVAS, far + rng.choice([0, rng.uniform(15, 60)]))
    ground = _skin_of_things(rng, str(rng.choice(kinds)))
    layers = [(np.ones(CANVAS, np.float32), ground, depth)]
    if layout == "landscape":  # a sky above a ridge, the land before it
        ridge = 0.3 + 0.03 * power_law(rng, 1.8, CANVAS)[0]
        land = cv2.GaussianBlur((y > ridge).astype(np.float32), (0, 0), 0.6)
        sky = _skin_of_things(rng, "sky")
        rise = near + (far - near) * np.clip((1 - y) / 0.8, 0, 1) ** 2
        layers = [(np.ones_like(land), sky, np.full(CANVAS, far)), (land, ground, rise)]
    if layout == "macro":
        centre, radius = rng.uniform(0.4, 0.6, 2), rng.uniform(0.25, 0.42, 2)
        dome = ((x - centre[0]) / radius[0]) ** 2 + ((y - centre[1]) / radius[1]) ** 2
        cover = cv2.GaussianBlur((dome < 1).astype(np.float32), (0, 0), 0.7)
        light = _skin_of_things(rng, str(rng.choice(kinds)))
        layers.append((cover, light, near + (far - near) * np.clip(dome, 0, 1)))
    count = {"ramp": 3, "landscape": 2, "planes": 7, "macro": 5, "relief": 1, "stems": 9}[layout]
    share = {"stems": 1.0, "landscape": 0.7}.get(layout, 0.4)
    front = np.min([np.where(cover > 0.5, depth, np.inf) for cover, _, depth in layers], axis=0)
    for place in sorted(rng.uniform(near, far, int(rng.integers(0, count + 1))), reverse=True):
        cover, grey = thing(rng, CANVAS, hairs=share)
        cover = np.where(place < front, cover, np.float32(0))  # else it runs into what is nearer
        smooth = str(rng.choice(SMOOTH)) if rng.random() < 0.2 else None
        light = _skin_of_things(rng, smooth) if smooth else _colour(rng, grey)
        layers.append((cover, light, np.full(CANVAS, place)))
    return layers


def _swayed(layer: Layer, sway: np.ndarray, plane: float) -> Layer:
    """Return a layer as a camera sees it that has moved aside."""
    if not sway.any():
        return layer
    rows, columns = np.indices(CANVAS)
    here = np.stack([columns, rows], -1).astype(float)
    places = here - (layer[2].mean() - plane) * sway
    for _ in range(4 if np.ptp(layer[2]) else 0):
        away = _sampled(layer[2], places, 1) - plane
        places = here - away[..., None] * sway
    cover, *light = (
        np.clip(_sampled(part, places, 3), 0, 1)
        for part in (layer[0], *np.moveaxis(layer[1], 2, 0))
    )
    return cover, np.dstack(light), _sampled(layer[2], places, 1)


def _laid_over(layers: list[Layer], focus: float | tuple[float, float]) -> np.ndarray:
    """Return layers over each other, in focus at a depth or, of a pair, at all depths between."""
    seen = np.zeros((*CANVAS, 3), np.float32)
    for cover, light, depth in layers:
        plane = np.clip(depth, *focus) if isinstance(focus, tuple) else focus
        both = np.dstack([cover, cover[..., None] * light])
        parts = np.clip(surface(both, depth, plane, coarse=True), 0, 1)
        seen = seen * (1 - parts[..., :1]) + parts[..., 1:]
    return seen


def _handled(rng: np.random.Generator, handling: str, count: int, breathing: float) -> np.ndarray:
    """Return the frames' maps about their middle, (N, 3, 3)."""
    focal = FRAME[1] * rng.uniform(0.6, 1.2) if handling == "turned" else FRAME[1] * 3.0
    angles = np.zeros((count, 3))  # about the upright, the level and the optical axis
    if handling == "turned":
        angles = rng.uniform(-5, 5, (count, 3)) / focal * [1, 1, 0.5]
    elif handling == "knocked":
        knock = np.arange(count) >= rng.integers(1, count)
        angles = knock[:, None] * rng.uniform(-12, 12, 3) / focal * [1, 1, 0.5]
        angles += rng.uniform(-0.3, 0.3, (count, 3)) / focal
    elif handling in {"hand", "swayed"}:
        angles = np.cumsum(rng.normal(0, 2.5, (count, 3)), axis=0) / focal * [1, 1, 0.7]
        angles = np.clip(angles - angles[count // 2], -10 / focal, 10 / focal)
    maps = []
    for i, (yaw, pitch, roll) in enumerate(angles):
        turn, _ = cv2.Rodrigues(np.array([pitch, yaw, roll]))
        size = 1 + breathing * (i / max(count - 1, 1) - 0.5)
        lens = np.diag([focal, focal, 1.0])
        maps.append(np.diag([size, size, 1.0]) @ lens @ turn @ np.linalg.inv(lens))
    return np.array(maps)


def colour_bracket(seed: int, folder: Path) -> ColourBracket:
    """Write the frames of a seed into an empty folder and return the bracket."""
    rng = np.random.default_rng([20, seed])
    focus = focus_positions(rng)
    count, layout = len(focus), LAYOUTS[seed % len(LAYOUTS)]
    layers = _layers(rng, layout, 0.1, focus[-1] - 0.1)
    handling = str(rng.choice(HANDLING))
    breathing = float(rng.choice([0, 0.005, 0.01, 0.03, 0.06, 0.15]))
    maps = _handled(rng, handling, count, breathing * rng.choice([-1, 1]))
    sway = np.zeros((count, 2))
    if handling == "swayed":
        sway = np.cumsum(rng.normal(0, 1.5, (count, 2)), axis=0)
        sway = np.clip(sway - sway[count // 2], -6, 6) / focus[-1]
    light = str(rng.choice(["steady", "steady", "drift", "jumps"]))
    stops = rng.uniform(0.1, 0.4) * np.linspace(-0.5, 0.5, count) if light == "drift" else 0
    stops = rng.uniform(-0.2, 0.2, count) if light == "jumps" else stops + np.zeros(count)
    gains = 2 ** (stops[:, None] + (light != "steady") * rng.normal(0, 0.02, (count, 3)))
    if rng.random() < 0.3:  # from far to near
        focus, maps, sway, gains = (a[::-1].copy() for a in (focus, maps, sway, gains))
    iso, quality = (
        int(rng.choice([100, 200, 400, 800, 1600, 3200, 6400])),
        int(rng.integers(85, 99)),
    )
    smoothing, sigma = float(rng.choice([0, 0.5, 0.7])), rng.uniform(0.35, 0.65)
    plane, known = float(focus.mean()), bool(rng.random() < 0.5)
    ends = float(focus.min()), float(focus.max())
    canvas = cv2.GaussianBlur(_laid_over(layers, ends), (0, 0), sigma)
    deep = np.zeros(CANVAS)
    for cover, _, depth in layers:
        deep = np.where(cover > 0.5, depth, deep)
    step = round(float(np.abs(np.diff(focus)).mean()), 1)
    about = {"layout": layout, "handling": handling, "frames": count, "step": step, "iso": iso,
             "light": light, "breathing": breathing}  # fmt: skip
    bracket = ColourBracket(
        folder, focus, maps, sway, plane, gains, canvas, deep, about, reference=count // 2
    )
    rows, columns = np.indices(FRAME)
    for i in range(count):
        seen = _laid_over([_swayed(layer, sway[i], plane) for layer in layers], float(focus[i]))
        seen = cv2.GaussianBlur(seen, (0, 0), sigma)
        back = _apply(np.linalg.inv(maps[i]), np.stack([columns, rows], -1)) + _MARGIN[::-1]
        frame = np.dstack([_sampled(part, back, 5) for part in np.moveaxis(seen, 2, 0)])
        noisy = seen_by_camera(frame * gains[i], rng, iso, smoothing)
        photo = {0x829D: 5.6, 0x8827: iso, 0x9003: f"2026:05:01 10:00:{i:02d}"}
        header = exif_bytes(main={0x0110: "Invented"}, photo=photo) if known else b""
        path = folder / f"frame{i + 1:02d}.jpg"
        Image.fromarray(noisy).save(path, quality=quality, subsampling=0, exif=header)
    return bracket
