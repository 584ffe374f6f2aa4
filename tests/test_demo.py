"""The sample bracket: what a photographer gets, and that its truth is true of its frames."""

import json
import struct

import cv2
import exifread
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from scenes import warp_exact

from merge.cli import main
from merge.demo import Scene, see_all_sharp, see_through_lens
from merge.errors import MergeError, WriteError
from merge.pipeline.demo import STEP_PX, write_demo
from merge.read import find_frames

SMALL = (200, 300)


@pytest.fixture(scope="module")
def bracket(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "stack"
    return write_demo(folder, frames=8, shape=SMALL)


@pytest.fixture(scope="module")
def truth(bracket):
    return json.loads(bracket.truth_record.read_text(encoding="utf-8"))


def _luminance(path):
    return cv2.imread(str(path), cv2.IMREAD_GRAYSCALE).astype(np.float32) / 255


def test_frames_are_found_in_order_and_truth_is_not_among_them(bracket):
    stack = find_frames(bracket.frames[0].parent)
    assert [source.path for source in stack.sources] == list(bracket.frames)
    assert stack.ordered_by == "capture time"
    assert stack.sources[0].shape == (*SMALL, 3)


def test_truth_named_among_frames_is_left_out_as_a_result(bracket):
    stack = find_frames([*bracket.frames, bracket.truth_picture])
    assert len(stack) == 8
    assert "truth.png" in stack.skipped[0]


def test_exif_tells_the_invented_camera(bracket):
    """Tag numbers: Exif 2.32 (CIPA DC-008-2019), read by an independent library."""
    tags = []
    for path in bracket.frames:
        with path.open("rb") as file:
            tags.append(exifread.process_file(file))
    assert str(tags[0]["Image Model"]) == "Example Field One"
    assert float(tags[0]["EXIF FNumber"].values[0]) == 2.8
    assert float(tags[0]["EXIF ExposureTime"].values[0]) == pytest.approx(1 / 60)
    assert float(tags[0]["EXIF FocalLength"].values[0]) == 50
    per_cm = float(tags[0]["EXIF FocalPlaneXResolution"].values[0])
    assert 10000 / per_cm == pytest.approx(6.0)
    assert str(tags[0]["EXIF ColorSpace"]) == "sRGB"
    seconds = [str(t["EXIF SubSecTimeOriginal"]) for t in tags]
    assert len(set(seconds)) > 4
    distances = [float(t["EXIF SubjectDistance"].values[0]) for t in tags]
    assert np.all(np.diff(distances) > 0)


def test_recorded_distances_agree_with_steps_by_the_thin_lens(bracket, truth):
    """Newton's equation x x' = f² (thin lens): the route from EXIF to px that the plan takes back.

    Sensor-side movement of the image, through the blur cone of f-number N at image distance v:
    D = |v1 - v2| f / (N v). The distances are rounded to 0.01 mm, hence the tolerance.
    """
    f, n, pitch_mm = 50.0, 2.8, 0.006
    image = []
    for source in find_frames(bracket.frames[0].parent).sources:
        total = source.settings.focus_distance_m * 1000  # sensor to subject: u + v
        image.append(total / 2 - np.sqrt(total**2 / 4 - f * total))
    steps = -np.diff(image) * f / (n * np.mean(image)) / pitch_mm
    assert np.allclose(steps, np.diff(truth["positions_px"]), atol=0.15)


def test_truth_picture_has_16_bits_and_the_frames_size(bracket):
    head = bracket.truth_picture.read_bytes()[:33]
    width, height, bits = struct.unpack(">IIB", head[16:25])  # PNG (ISO/IEC 15948), IHDR
    assert (height, width, bits) == (*SMALL, 16)


def test_each_part_resembles_truth_most_in_a_frame_focused_near_it(bracket, truth):
    """Frames moved onto truth by the recorded transforms and gains, with a quintic spline."""
    sharp = _luminance(bracket.truth_picture)
    moved, still = [], []
    for path, matrix in zip(bracket.frames, truth["transforms"], strict=True):
        seen = _luminance(path)
        aligned = warp_exact(seen[..., None], np.array(matrix))[..., 0]
        moved.append(cv2.blur((aligned - sharp) ** 2, (41, 11))[8:-8, 8:-8])
        still.append(cv2.blur((seen - sharp) ** 2, (41, 11))[8:-8, 8:-8])
    best = np.argmin(moved, axis=0)
    # The ground slants away: its lower part is sharp in nearer frames than its upper part.
    assert np.median(best[-40:]) + 2 <= np.median(best[:40])
    # Left there is at most half a step of blur; elsewhere the whole depth's.
    assert np.median(np.min(moved, axis=0)) < np.median(np.max(moved, axis=0)) / 9
    reference = truth["reference"]
    regions = {i: best == i for i in range(len(moved)) if i != reference}
    seen_best = [i for i, where in regions.items() if where.mean() > 0.01]
    assert len(seen_best) >= 5
    for i in seen_best:
        where = regions[i]
        assert moved[i][where].mean() < still[i][where].mean()
    assert np.array_equal(moved[reference], still[reference])


def test_gains_are_the_frames_mean_light_over_the_reference_s(bracket, truth):
    """Blur keeps the mean; sRGB decoded by its standard's formula (IEC 61966-2-1)."""
    means = []
    for path in bracket.frames:
        coded = np.asarray(Image.open(path), float) / 255
        light = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
        means.append(light[20:-20, 20:-20].mean())
    measured = np.array(means) / means[truth["reference"]]
    assert np.ptp(truth["gains"]) > 0.005
    assert np.allclose(measured, truth["gains"], atol=0.01)


def test_breathing_is_two_per_cent_over_ten_frames(tmp_path):
    """Unit focusing: magnification goes with the image distance, v = f (1 + m)."""
    written = write_demo(tmp_path / "d", frames=10, drop=range(2, 10), shape=(60, 90))
    record = json.loads(written.truth_record.read_text(encoding="utf-8"))
    first, last = (np.sqrt(np.linalg.det(np.array(m)[:2, :2])) for m in record["transforms"])
    assert first / last - 1 == pytest.approx(9 * STEP_PX * 0.006 * 2.8 / 50, rel=0.03)


def test_same_seed_gives_same_files_and_dropping_leaves_the_others_alone(bracket, tmp_path):
    again = write_demo(tmp_path / "again", frames=8, drop=[3, 4], shape=SMALL)
    others = [path for i, path in enumerate(bracket.frames, 1) if i not in {3, 4}]
    assert [p.name for p in again.frames] == [p.name for p in others]
    assert all(a.read_bytes() == b.read_bytes() for a, b in zip(again.frames, others, strict=True))
    record = json.loads(again.truth_record.read_text(encoding="utf-8"))
    assert np.allclose(np.diff(record["positions_px"]) / STEP_PX, [1, 3, 1, 1, 1])
    assert np.allclose(record["transforms"][record["reference"]], np.eye(3))


def test_another_seed_gives_another_scene(bracket, tmp_path):
    other = write_demo(tmp_path / "other", frames=2, seed=5, shape=SMALL)
    first, second = _luminance(other.frames[0]), _luminance(bracket.frames[0])
    assert abs(np.corrcoef(first.ravel(), second.ravel())[0, 1]) < 0.3


def test_a_point_is_smeared_over_the_stated_disk():
    """Second moment of a uniform disk of diameter D about a diameter: D²/16; the grid adds 1/12.

    Mechanics handbooks give D²/16 as the square of a disk's radius of gyration (from memory).
    """
    index = np.array([[40, 40]], np.int32)
    point = Scene((81, 81), index, np.array([2.0], np.float32), np.ones((1, 3), np.float32))
    base = np.indices((81, 81)).reshape(2, -1).T.astype(np.int32)
    black = np.zeros((len(base), 3), np.float32)
    scene = Scene(
        (81, 81),
        np.concatenate([point.index, base]),
        np.r_[point.position, np.full(len(base), 22.0)].astype(np.float32),
        np.concatenate([point.light, black]),
    )
    seen = see_through_lens(scene, 22.0)[..., 0]
    rows, columns = np.indices(seen.shape)
    assert seen.sum() == pytest.approx(1.0, rel=1e-3)
    for axis in (rows, columns):
        assert (seen * (axis - 40.0) ** 2).sum() == pytest.approx(20**2 / 16 + 1 / 12, rel=0.03)
    assert see_all_sharp(scene)[40, 40, 0] == 1.0


def test_refuses_to_replace_files_unless_told(tmp_path):
    small = {"frames": 2, "shape": (60, 90)}
    first = write_demo(tmp_path, **small)
    before = first.frames[1].read_bytes()
    with pytest.raises(WriteError, match=r"EXA_0001\.jpg: exists already"):
        write_demo(tmp_path, seed=2, **small)
    assert first.frames[1].read_bytes() == before
    write_demo(tmp_path, seed=2, overwrite=True, **small)
    assert first.frames[1].read_bytes() != before


def test_refuses_a_folder_with_pictures_that_would_join_the_bracket(tmp_path):
    Image.new("RGB", (8, 8)).save(tmp_path / "mine.jpg")
    with pytest.raises(WriteError, match=r"mine\.jpg: a picture that would be taken"):
        write_demo(tmp_path, frames=2, shape=(60, 90), overwrite=True)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.jpg"]


def test_a_failure_leaves_nothing_behind(tmp_path, monkeypatch):
    def fail(*args, **kwargs):
        raise WriteError("truth.json: cannot be written (disk full); free space")

    monkeypatch.setattr("merge.pipeline.demo.write_json", fail)
    with pytest.raises(WriteError, match="disk full"):
        write_demo(tmp_path / "new", frames=2, shape=(60, 90))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("drop", "words"), [([4], "are 1 to 3"), ([1, 2], "needs 2")])
def test_wrong_frames_to_drop_are_one_line(tmp_path, drop, words):
    with pytest.raises(MergeError, match=words):
        write_demo(tmp_path / "d", frames=3, drop=drop)
    assert list(tmp_path.iterdir()) == []


def test_command_prints_what_it_wrote_and_what_to_try_next(tmp_path, monkeypatch):
    called = {}

    def small(folder, **options):
        called.update(options)
        return write_demo(folder, shape=(60, 90), **options)

    monkeypatch.setattr("merge.pipeline.demo.write_demo", small)
    target = tmp_path / "my stack"
    args = ["demo", str(target), "--frames", "5", "--drop", "2,3", "--seed", "4"]
    result = CliRunner().invoke(main, args)
    assert result.exit_code == 0, result.stderr
    assert (called["frames"], called["drop"], called["seed"]) == (5, (2, 3), 4)
    assert "3 frames, EXA_0001.jpg to EXA_0005.jpg" in result.stdout
    assert f"depthweld audit '{target}'" in result.stdout
    assert f"depthweld merge '{target}'" in result.stdout
    assert result.stderr == ""
    again = CliRunner().invoke(main, args)
    assert (again.exit_code, again.stdout) == (1, "")
    assert again.stderr.count("\n") == 1
    assert again.stderr.startswith("depthweld demo: ")
    assert "exists already" in again.stderr


@pytest.mark.parametrize("value", ["x", "1,,2", "-3", ""])
def test_unreadable_frame_numbers_are_refused(tmp_path, value):
    result = CliRunner().invoke(main, ["demo", str(tmp_path / "d"), "--drop", value])
    assert result.exit_code == 2
    assert "expected frame numbers" in result.stderr
