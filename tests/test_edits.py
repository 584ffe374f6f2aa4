"""Edits: the open file, the region that is found, the joining without a seam."""

import json
from dataclasses import fields

import cv2
import numpy as np
import pytest
import tifffile

from merge.align import warp_frame
from merge.defects import SensorDefects
from merge.edits import (
    Edit,
    EditList,
    affected_box,
    edits_record,
    find_regions,
    join_patch,
    local_difference,
    read_edits,
)
from merge.errors import ReadError
from merge.model import (
    AuditOptions,
    FrameRegistration,
    FrameTransform,
    MergeOptions,
    Registration,
)
from merge.pipeline.deep import OutputDepth
from merge.pipeline.editing import EditSource
from merge.pipeline.finished import FORMAT, VERSION, read_finished
from merge.pipeline.inspecting import Inspection
from merge.pipeline.merging import MergeResult
from merge.pipeline.page_pictures import shown_frames
from merge.pipeline.repairing import Repairs
from merge.read import find_frames, read_frame
from merge.resizing import reduce_map

SQUARE = ((40.0, 30.0), (90.0, 30.0), (90.0, 80.0), (40.0, 80.0))


def noise(seed, shape=(160, 200, 3)):
    return np.random.default_rng(seed).random(shape, np.float32)


def sixteen(picture):
    return np.rint(picture * 65535).astype(np.uint16)


def joined(picture, patch, edit):
    box = affected_box(edit, picture.shape)
    rows, columns = np.s_[box[0] : box[0] + box[2]], np.s_[box[1] : box[1] + box[3]]
    out = picture.copy()
    out[rows, columns] = join_patch(picture[rows, columns], patch[rows, columns], edit, box)
    return out


@pytest.mark.parametrize("feather", [1, 4, 16])
def test_a_region_takes_the_patch_inside_and_leaves_the_rest_as_it_was(feather):
    picture, patch = sixteen(noise(1)), noise(2)
    edit = Edit("frame", SQUARE, "a.jpg", feather_px=feather)
    out = joined(picture, patch, edit)
    reach = 4 * feather
    outside = np.ones(picture.shape[:2], bool)
    outside[max(0, 30 - reach) : 81 + reach, max(0, 40 - reach) : 91 + reach] = False
    assert outside.any()
    assert np.array_equal(out[outside], picture[outside])
    # In the middle only tones coarser than the feather may still be mixed.
    assert np.abs(out[50:60, 60:70] / 65535 - patch[50:60, 60:70]).max() < 0.001 * feather**2


def test_a_step_of_tone_leaves_no_edge():
    smooth = np.full((200, 260, 3), 0.5, np.float32)
    picture, patch = sixteen(smooth), smooth + 0.1
    hard = joined(picture, patch, Edit("frame", SQUARE, "a.jpg", feather_px=1)) / 65535
    soft = joined(picture, patch, Edit("frame", SQUARE, "a.jpg", feather_px=16)) / 65535
    steepest = [np.abs(np.diff(p[..., 0], axis=1)).max() for p in (hard, soft)]
    assert steepest[0] > 0.04
    assert steepest[1] < 0.1 / 12


def test_an_edit_beside_the_picture_changes_nothing():
    edit = Edit("frame", tuple((x + 1000, y) for x, y in SQUARE), "a.jpg")
    assert affected_box(edit, (100, 100, 3)) is None


def test_unknown_pixels_of_the_patch_are_not_taken():
    picture, patch = sixteen(noise(3)), np.zeros((160, 200, 3), np.float32)
    edit = Edit("frame", SQUARE, "a.jpg", feather_px=1)
    box = affected_box(edit, picture.shape)
    rows, columns = np.s_[box[0] : box[0] + box[2]], np.s_[box[1] : box[1] + box[3]]
    unknown = np.zeros(box[2:], bool)
    out = join_patch(picture[rows, columns], patch[rows, columns], edit, box, unknown)
    assert np.array_equal(out, picture[rows, columns])


def test_the_region_goes_round_a_thing_along_the_least_difference():
    """A thing that is off the centre of the click, in noise: it lies inside, whole."""
    before = cv2.GaussianBlur(noise(4, (300, 300, 3)), (0, 0), 2)
    after = before + np.random.default_rng(5).normal(0, 0.004, before.shape).astype(np.float32)
    thing = np.zeros((300, 300), np.uint8)
    cv2.ellipse(thing, (160, 145), (50, 30), 20, 0, 360, 1, -1)
    after[thing > 0] += 0.3
    (region,) = find_regions(local_difference(before, after), (150, 150), [60])
    inside = np.zeros((300, 300), np.uint8)
    cv2.fillPoly(inside, [np.rint(region).astype(np.int32)], 1)
    assert inside[thing > 0].mean() > 0.995
    radii = np.hypot(*(np.array(region) - (150, 150)).T)
    assert radii.min() >= 29
    assert radii.max() <= 91


def test_a_file_of_edits_comes_back_as_it_was(tmp_path):
    edits = EditList(
        (400, 600),
        (Edit("frame", SQUARE, "ä.jpg", 4.5), Edit("detail", SQUARE, on=False)),
    )
    path = tmp_path / "edits.json"
    path.write_text(json.dumps(edits_record(edits), ensure_ascii=False), encoding="utf-8-sig")
    assert read_edits(path) == edits


def changed(**values):
    return {"kind": "frame", "frame": "a.jpg", "region": SQUARE} | values


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\xff\xfe\x00", "no JSON"),
        (b"[" * 100_000, "no JSON"),
        (b"[]", "another kind"),
        (b'{"format": "depthweld edits", "version": 9}', "version: 1 was expected|required"),
        (b'{"format": "depthweld edits", "version": 1}', "'picture' is a required property"),
        (changed(kind="magic"), "kind: 'magic' is not one of"),
        (changed(kind="detail"), "frame's name"),
        (changed(frame=""), "frame's name"),
        (changed(region=[[1, 2], [3, 4]]), "region: .* is too short"),
        (changed(region=[[1, 2], [3, 4], [float("nan"), 1]]), "no JSON"),
        (changed(region=[[1, 2], [3, 4], [1e7, 1]]), r"region\[2\]\[0\]"),
        (changed(region="abc"), "'abc' is not of type 'array'"),
        (changed(feather_px=1e9), "feather_px: .* greater than the maximum"),
        (changed(feather_px="wide"), "feather_px: 'wide' is not of type 'number'"),
        (changed(on=1), "on: 1 is not of type 'boolean'"),
        (changed(colour="red"), "'colour'"),
    ],
)
def test_what_is_no_file_of_edits_is_refused_in_one_line(tmp_path, content, words):
    path = tmp_path / "edits.json"
    if isinstance(content, dict):
        size = {"width": 600, "height": 400}
        whole = {"format": "depthweld edits", "version": 1, "picture": size, "edits": [content]}
        content = json.dumps(whole).encode()
    path.write_bytes(content)
    with pytest.raises(ReadError, match=words) as caught:
        read_edits(path)
    assert "edits.json" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_frames_are_sampled_with_depth_where_the_camera_moved(tmp_path):
    """Near and far lie apart in a frame by its parallax, as the merge itself moved them."""
    result = moved_merge(tmp_path)
    source = EditSource(result, result.pixels.shape[:2])
    box = (10, 20, 60, 100)
    seen, _ = source.frame_patch(1, box)
    picture = read_frame(result.stack.sources[1]).pixels
    transform = result.registration.frames[1].transform
    place = source.in_reference(box)
    deep = result.places.part_px(place)
    expected = np.clip(warp_frame(picture, transform, box=place, position=deep), 0, 1)
    assert np.abs(seen - expected).max() < 1e-4
    flat = warp_frame(picture, transform, box=place)
    assert np.abs(seen - flat).max() > 0.1
    # A page shows the same, and the reduced frame of a review likewise.
    shape = result.pixels.shape[:2]
    whole = (*result.origin, *shape)
    shown = list(shown_frames(result.stack, result.registration, whole, deep=result.places))[1]
    part = shown.pixels[box[0] : box[0] + box[2], box[1] : box[1] + box[3]]
    assert np.abs(part / 255 - expected).max() < 0.01
    small = source.reduced(1, *source.decode(1), 2)
    full, _ = source.frame_patch(1, (0, 0, *shape))
    assert np.abs(small - reduce_map(full, 2))[5:-5, 5:-5].mean() < 0.01


def moved_merge(folder):
    """Return a merge of two frames whose right half lies 5 px of blur deeper than the left one."""
    rng = np.random.default_rng(7)
    shape = (120, 160)
    for k in range(2):
        pixels = cv2.GaussianBlur(rng.random((*shape, 3), np.float32), (0, 0), 2)
        pixels = (pixels - 0.5) * 6 + 0.5
        coded = np.rint(pixels.clip(0, 1) * 65535).astype(np.uint16)
        tifffile.imwrite(folder / f"F_{k}.tif", coded, photometric="rgb")
    far = FrameTransform(np.eye(3), parallax=np.array([1.5, 0.0, 0.0]), plane_px=0.0)
    frames = (FrameRegistration(FrameTransform(np.eye(3))), FrameRegistration(far))
    registration = Registration(frames, 0, "camera", shape)
    inspection = Inspection(registration, None, "", None, (), (), (), 2.0, None, None, None)
    index = np.zeros((100, 140), np.float32)
    index[:, 70:] = 1
    places = OutputDepth(index, np.array([0.0, 5.0]), (8, 10, 100, 140), 1)
    nothing = SensorDefects(shape, 0, np.empty((0, 2), np.int32))
    pixels = np.zeros((100, 140, 3), np.float32)
    return MergeResult(
        pixels, (8, 10), find_frames([folder]), inspection, None, MergeOptions(),
        Repairs(nothing, (), "srgb", ()), places=places,
    )  # fmt: skip


def finished_with(path, options):
    """Return what a merge's record with these options tells."""
    record = {
        "format": FORMAT, "version": VERSION, "frames": [{"path": "a.jpg"}], "options": options,
        "written": {"picture": {"path": "a.tif"}}, "findings": [],
    }  # fmt: skip
    path.write_text(json.dumps(record), encoding="utf-8")
    return read_finished(path)


@pytest.mark.parametrize(
    "options",
    [{field.name: []} for field in fields(MergeOptions)]
    + [{"audit": {field.name: []}} for field in fields(AuditOptions)],
    ids=str,
)
def test_every_setting_of_a_merge_is_checked_when_its_record_is_read(options, tmp_path):
    with pytest.raises(ReadError, match=list(options.get("audit") or options)[-1]):
        finished_with(tmp_path / "record.json", options)


def test_a_record_that_calls_the_motion_a_model_is_read(tmp_path):
    path = tmp_path / "record.json"
    assert finished_with(path, {"model": "affine"}).options.motion == "affine"
    assert finished_with(path, {"motion": "shift"}).options.motion == "shift"
    assert finished_with(path, {}).options.motion == "auto"
