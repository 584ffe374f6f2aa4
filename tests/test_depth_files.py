"""The depth map as files: scale, marks, and the surface."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
import tifffile
from plyfile import PlyData

from merge.diagnose import FocusPlace
from merge.errors import WriteError
from merge.model import DepthMap, DepthScale
from merge.pipeline.merging import MergeResult
from merge.pipeline.saving import depth_scale
from merge.write import DEPTH_KINDS, write_depth, write_mesh

SCALE = DepthScale((0, 1, 3), (0.0, 0.5, 2.5), "first frame, at the subject", 0.02)


def slope(height: int = 20, width: int = 30) -> DepthMap:
    """Return a plane from frame 0 to 3, its last columns beyond, one place filled."""
    position = np.tile(np.linspace(0, 3, width, dtype=np.float32), (height, 1))
    confidence = np.ones_like(position)
    confidence[4, 5] = 0
    beyond = np.zeros(position.shape, np.int8)
    beyond[:, -3:], beyond[:, 0] = 1, -1
    return DepthMap(position, confidence, beyond=beyond)


def surface(path: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return points, colours and triangles as the library plyfile reads them."""
    read = PlyData.read(path)
    vertex = read["vertex"]
    points = np.stack([vertex[axis] for axis in "xyz"], axis=1)
    colours = np.stack([vertex[name] for name in ("red", "green", "blue")], axis=1)
    return points, colours, np.stack(read["face"]["vertex_indices"])


def test_frames_in_mm_are_linear_between_frames():
    np.testing.assert_allclose(SCALE.in_mm(np.float32([0.5, 2.0])), [0.25, 1.5])


def test_a_pixel_is_as_long_as_the_magnification_behind_the_depths_says():
    """Longitudinal magnification is m²: 0.5 mm at the sensor for 2 mm at the subject, m = 0.5."""
    places = [FocusPlace(k, 4.0 * k, 0.25 * k, 1.0 * k, None, None) for k in range(3)]
    inspection = SimpleNamespace(places=places, pixel_pitch_um=5.0)
    scale = depth_scale(cast(MergeResult, SimpleNamespace(inspection=inspection)))
    assert scale is not None
    assert (scale.mm, scale.pixel_mm) == ((0, 1, 2), pytest.approx(0.01))


def test_a_depth_map_tells_its_scale_and_what_every_value_is(tmp_path):
    path = write_depth(tmp_path / "d.tif", slope(), scale=SCALE)
    with tifffile.TiffFile(path) as file:
        told = json.loads(file.pages[0].description)
        below = file.pages[0].pages[0]
        kinds = below.asarray()
        names = json.loads(below.description)["values"]
        stored = file.pages[0].asarray()
    assert stored.dtype == np.uint16
    assert told["frames_mm"] == {"0": 0.0, "1": 0.5, "3": 2.5}
    assert (told["mm_from"], told["pixel_mm"]) == ("first frame, at the subject", 0.02)
    assert [names[str(kinds[4, k])] for k in (5, 6, 29, 0)] == [
        "filled from around",
        "measured",
        "beyond the last frame",
        "before the first frame",
    ]
    assert list(names.values()) == list(DEPTH_KINDS)


def test_a_surface_is_read_by_another_library_in_mm(tmp_path):
    depth = slope()
    pixels = np.zeros((20, 30, 3), np.float32)
    pixels[..., 0] = np.linspace(0, 1, 30)
    points, colours, faces = surface(write_mesh(tmp_path / "s.ply", depth, pixels, scale=SCALE))
    assert len(points) == 20 * 26  # without what lies beyond
    assert len(faces) == 2 * 19 * 25
    columns = np.rint(points[:, 0] / 0.02).astype(int)
    np.testing.assert_allclose(points[:, 2], -SCALE.in_mm(depth.position[0, columns]), atol=1e-6)
    np.testing.assert_allclose(colours[:, 0], 255 * pixels[0, columns, 0], atol=0.51)
    a, b, c = (points[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    assert (normal[:, 2] > 0).all()  # every triangle faces the camera


@pytest.mark.parametrize(
    ("near_first", "end", "words"),
    [(True, "first", "towards"), (False, "last", "towards"), (None, None, "not known")],
)
def test_files_tell_which_end_is_near(tmp_path, near_first, end, words):
    """A surface rises towards the camera: z falls with frames where the first one is near."""
    depth = replace(slope(), near_first=near_first)
    with tifffile.TiffFile(write_depth(tmp_path / "d.tif", depth)) as file:
        assert json.loads(file.pages[0].description)["near_end"] == end
    path = write_mesh(tmp_path / "s.ply", depth, np.zeros((20, 30, 3), np.float32))
    assert words in path.read_bytes().split(b"\n")[2].decode()
    points, _, _ = surface(path)
    along = np.polyfit(points[:, 0], points[:, 2], 1)[0]
    assert (along > 0) == (near_first is False)


def test_a_surface_is_torn_at_depth_steps(tmp_path):
    position = np.zeros((10, 12), np.float32)
    position[:, 6:] = 5
    depth = DepthMap(position, np.ones_like(position))
    grey = np.full((10, 12, 1), 0.5, np.float32)
    points, colours, faces = surface(write_mesh(tmp_path / "s.ply", depth, grey))
    assert len(faces) == 2 * 9 * 10
    assert np.ptp(points[faces][..., 2], axis=1).max() == 0
    assert (colours == 128).all()


@pytest.mark.slow
def test_a_large_surface_has_at_most_a_million_points(tmp_path):
    position = np.zeros((1100, 1300), np.float32)
    depth = DepthMap(position, np.ones_like(position))
    pixels = np.zeros((1100, 1300, 3), np.float32)
    points, _, _ = surface(write_mesh(tmp_path / "s.ply", depth, pixels))
    assert 300_000 < len(points) <= 1_000_000


def test_a_surface_of_nothing_and_a_wrong_ending_are_refused(tmp_path):
    depth = slope()
    pixels = np.zeros((20, 30, 3), np.float32)
    with pytest.raises(WriteError, match=r"\.ply"):
        write_mesh(tmp_path / "s.obj", depth, pixels)
    nothing = DepthMap(depth.position, depth.confidence, beyond=np.ones((20, 30), np.int8))
    with pytest.raises(WriteError, match="no surface"):
        write_mesh(tmp_path / "s.ply", nothing, pixels)
    assert not list(tmp_path.iterdir())
