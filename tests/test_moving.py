"""Moving parts: found against noise and defocus, held in one frame, told.

The scenes are made from the open stereo photograph (D. Scharstein et al., GCPR 2014) by `scenes`,
and from random texture; what moves in them is known exactly.
"""

import cv2
import numpy as np
import pytest
from blurred_scenes import occluding_disks
from fixture_data import load_fixture
from marks import slow
from scenes import MovingScene, blur, moving_photograph_stack, photograph_stack, sway

from merge.align import common_area, warp_frame
from merge.model import DepthMap, FrameTransform
from merge.moving import find_moving_parts, hold_still, moving_findings
from merge.moving.compare import unlike
from merge.moving.parts import MovingPart, MovingParts, enlarge_labels
from merge.moving.passing import passing_frames
from merge.scratch import ScratchStack

FRAMES = 9
STEP_PX = 3.0


def aligned(frames, transforms, box) -> list[np.ndarray]:
    return [
        np.clip(warp_frame(frame, FrameTransform(matrix), box=box), 0, 1)
        for frame, matrix in zip(frames, transforms, strict=True)
    ]


def sharpest(pictures) -> DepthMap:
    """Return the frame with most detail around every place: a plain depth map, half a pixel off."""
    power = [
        cv2.GaussianBlur(cv2.Laplacian(p.mean(axis=2), cv2.CV_32F) ** 2, (0, 0), 2.5)
        for p in pictures
    ]
    position = cv2.medianBlur(np.argmax(power, axis=0).astype(np.uint8), 5).astype(np.float32)
    return DepthMap(position, np.ones_like(position))


def common_box(stack) -> tuple[int, int, int, int]:
    return common_area([FrameTransform(m) for m in stack.transforms], stack.truth.shape[:2])


def cut(values, box) -> np.ndarray:
    top, left, height, width = box
    return values[top : top + height, left : left + width]


def chosen(pictures, position) -> np.ndarray:
    rows, columns = np.indices(position.shape)
    return np.stack(pictures)[np.rint(position).astype(int), rows, columns]


def psnr(picture, truth, where) -> float:
    return float(-10 * np.log10(((picture - truth)[where] ** 2).mean()))


Seen = tuple[MovingScene, list[np.ndarray], DepthMap]


def seen(**options) -> Seen:
    """Return a moving scene, its frames aligned, and a plain depth map."""
    scene = moving_photograph_stack(FRAMES, scale=0.5, step_px=STEP_PX, **options)
    stack = scene.stack
    pictures = aligned(stack.frames, stack.transforms, common_box(stack))
    return scene, pictures, sharpest(pictures)


@pytest.fixture(scope="module")
def leaf_scene() -> Seen:
    return seen(leaf_px=44, leaf_at=(0.25, 0.3, 0.35), leaf_shifts=sway(FRAMES, 9))


def test_what_misalignment_explains_has_not_moved():
    """Frames that bend against one another by up to 6 px in the corners, told or not."""
    texture = np.dstack([occluding_disks(240, 320, 3)] * 3)
    y, x = np.indices(texture.shape[:2], np.float32)
    bend = 6 * ((x - 159.5) ** 2 + (y - 119.5) ** 2) / 200**2
    bent = cv2.remap(texture, x + bend, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    depth = DepthMap(np.full(texture.shape[:2], 0.5, np.float32), np.ones(texture.shape[:2]))
    places = np.array([0.0, STEP_PX])
    assert find_moving_parts([texture, bent], depth, places).any

    def misaligned(slot: int, points: np.ndarray) -> np.ndarray:
        return 6 * ((points - (159.5, 119.5)) ** 2).sum(-1) / 200**2

    assert not find_moving_parts([texture, bent], depth, places, misaligned=misaligned).any


@pytest.fixture(scope="module")
def water_scene() -> Seen:
    return seen(leaf_at=None, water=(0.6, 0.1, 0.95, 0.7))


def test_a_still_photograph_has_no_moving_parts():
    stack = photograph_stack(FRAMES, scale=0.4, step_px=STEP_PX)
    pictures = aligned(stack.frames, stack.transforms, common_box(stack))
    depth = sharpest(pictures)
    parts = find_moving_parts(pictures, depth, stack.positions_px)
    assert parts.parts == ()
    assert not parts.labels.any()
    assert hold_still(depth.position, parts) is depth.position


@pytest.mark.parametrize("name", ["landscape", slow("macro")])
def test_a_rendered_still_bracket_has_no_moving_parts(name):
    """Bristles, grass and bokeh: an independent path tracer made them, nothing moved."""
    known = load_fixture(name)
    frames = [known.frame(i) for i in range(len(known.paths))]
    box = common_area([FrameTransform(m) for m in known.transforms], known.truth.shape[:2])
    pictures = aligned(frames, known.transforms, box)
    place = np.interp(known.pixel_positions_px, known.positions_px, np.arange(len(frames)))
    depth = DepthMap(cut(place, box).astype(np.float32), np.ones(box[2:], np.float32))
    assert find_moving_parts(pictures, depth, known.positions_px).parts == ()


def test_a_swaying_leaf_is_one_part_within_its_true_reach(leaf_scene):
    scene, pictures, depth = leaf_scene
    parts = find_moving_parts(pictures, depth, scene.stack.positions_px)
    assert len(parts.parts) == 1
    around = cv2.dilate(scene.moving.astype(np.uint8), np.ones((25, 25), np.uint8)) > 0
    assert not (parts.labels > 0)[~cut(around, common_box(scene.stack))].any()


def test_a_swaying_leaf_comes_from_the_frame_focused_on_it(leaf_scene):
    scene, pictures, depth = leaf_scene
    (part,) = find_moving_parts(pictures, depth, scene.stack.positions_px).parts
    own = 0.35 * (FRAMES - 1)
    assert len(part.frames) == 1
    assert abs(part.frames[0] - own) <= 0.5


def test_a_held_leaf_looks_as_in_its_frame_and_not_double(leaf_scene):
    """Against the truth at its frame's time, and how green it is where the leaf is not."""
    scene, pictures, depth = leaf_scene
    parts = find_moving_parts(pictures, depth, scene.stack.positions_px)
    box = common_box(scene.stack)
    truth = cut(scene.truth_as_in(parts.parts[0].frames[0]), box)
    moving = cut(scene.moving, box)
    before = chosen(pictures, depth.position)
    held = chosen(pictures, hold_still(depth.position, parts))
    assert psnr(held, truth, moving) > psnr(before, truth, moving) + 1
    beside = moving & (green(truth) < 0.05)
    assert np.percentile(green(before)[beside], 95) > 0.08
    assert np.percentile(green(held)[beside], 95) < 0.01


def green(picture) -> np.ndarray:
    return picture[..., 1] - np.maximum(picture[..., 0], picture[..., 2])


def test_what_holds_still_keeps_its_depth(leaf_scene):
    scene, pictures, depth = leaf_scene
    parts = find_moving_parts(pictures, depth, scene.stack.positions_px)
    held = hold_still(depth.position, parts)
    np.testing.assert_array_equal(held[parts.labels == 0], depth.position[parts.labels == 0])
    np.testing.assert_array_equal(held[parts.labels > 0], np.rint(held[parts.labels > 0]))


def test_reversed_frames_give_the_same_parts_from_the_same_frames(leaf_scene):
    scene, pictures, depth = leaf_scene
    last = len(pictures) - 1
    forward = find_moving_parts(pictures, depth, scene.stack.positions_px)
    turned = DepthMap(last - depth.position, depth.confidence)
    positions_px = scene.stack.positions_px[-1] - scene.stack.positions_px[::-1]
    backward = find_moving_parts(pictures[::-1], turned, positions_px)
    assert [p.frames[0] for p in forward.parts] == [last - p.frames[0] for p in backward.parts]
    one, two = (
        hold_still(depth.position, forward),
        last - hold_still(turned.position, backward),
    )
    assert (one != two).mean() < 0.002


def test_grey_pictures_and_pictures_on_disk_work_alike(leaf_scene):
    _, pictures, depth = leaf_scene
    grey = [np.ascontiguousarray(p.mean(axis=2, keepdims=True)) for p in pictures]
    with ScratchStack(len(grey), grey[0].shape, np.float16, memory_bytes=0) as stored:
        for picture in grey:
            stored.append(picture)
        parts = find_moving_parts(stored, depth, None)
    assert len(parts.parts) == 1
    assert parts.labels.shape == grey[0].shape[:2]


def test_water_follows_its_depth_frame_by_frame(water_scene):
    scene, pictures, depth = water_scene
    parts = find_moving_parts(pictures, depth, scene.stack.positions_px)
    box = common_box(scene.stack)
    moving = cut(scene.moving, box)
    largest = parts.parts[0]
    assert len(largest.frames) > 1
    assert (parts.labels > 0)[moving].mean() > 0.85
    held = hold_still(depth.position, parts)
    inner = cv2.erode(moving.astype(np.uint8), np.ones((17, 17), np.uint8)) > 0
    off = np.abs(held - cut(scene.stack.depth, box))[inner & (parts.labels > 0)]
    assert np.percentile(off, 95) <= 1.5


def textured(seed: int, shape=(160, 200)) -> np.ndarray:
    rough = np.random.default_rng(seed).standard_normal((*shape, 3)).astype(np.float32)
    smooth = cv2.GaussianBlur(rough, (0, 0), 1.2)
    return np.clip(0.5 + 0.25 * smooth / smooth.std(), 0, 1)


def focused_at(sharp, place_px, rng, noise=0.004, frames=7) -> list[np.ndarray]:
    """Return an even plane at ``place_px`` in frames 3 px apart."""
    return [
        blur(sharp[k] if isinstance(sharp, list) else sharp, abs(3.0 * k - place_px))
        + noise * rng.standard_normal((160, 200, 3)).astype(np.float32)
        for k in range(frames)
    ]


def flat_depth(frame: float) -> DepthMap:
    return DepthMap(np.full((160, 200), frame, np.float32), np.ones((160, 200), np.float32))


@pytest.mark.parametrize("noise", [0.0, 0.004, 0.05])
def test_defocus_and_noise_alone_are_no_motion(noise):
    rng = np.random.default_rng(2)
    pictures = focused_at(textured(1), 9.0, rng, noise)
    assert find_moving_parts(pictures, flat_depth(3), np.arange(7) * 3.0).parts == ()


def test_noise_without_a_picture_is_no_motion():
    rng = np.random.default_rng(5)
    pictures = [
        (0.4 + 0.02 * rng.standard_normal((160, 200, 3))).astype(np.float32) for _ in range(7)
    ]
    assert find_moving_parts(pictures, flat_depth(3), np.arange(7) * 3.0).parts == ()


def test_equal_pictures_are_no_motion():
    flat = [np.full((160, 200, 3), 0.5, np.float32)] * 5
    assert find_moving_parts(flat, flat_depth(2), None).parts == ()


def test_a_misalignment_of_less_than_half_a_pixel_is_no_motion():
    rng = np.random.default_rng(3)
    sharp = textured(1)
    shifted = [
        cv2.warpAffine(
            sharp,
            np.array([[1, 0, rng.uniform(-0.4, 0.4)], [0, 1, rng.uniform(-0.4, 0.4)]]),
            (200, 160),
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REFLECT,
        )
        for _ in range(7)
    ]
    pictures = focused_at(shifted, 9.0, rng)
    assert find_moving_parts(pictures, flat_depth(3), np.arange(7) * 3.0).parts == ()


def with_patch(moved_px: int, frames=7) -> list[np.ndarray]:
    """Return pictures in which a patch of 36 px moves by so much from frame to frame."""
    sharp, other = textured(1), textured(9)
    pictures = []
    for k in range(frames):
        picture, left = sharp.copy(), 70 + moved_px * (k - frames // 2)
        picture[60:96, left : left + 36] = other[60:96, 70:106]
        pictures.append(picture)
    return pictures


@pytest.mark.parametrize("moved_px", [4, 8, 16])
def test_a_patch_that_moves_is_found_where_it_is(moved_px):
    pictures = focused_at(with_patch(moved_px), 9.0, np.random.default_rng(4))
    (part,) = find_moving_parts(pictures, flat_depth(3), np.arange(7) * 3.0).parts
    assert part.frames == (3,)
    top, left, height, width = part.box
    assert top <= 62
    assert top + height >= 94
    assert left <= 70
    assert left + width >= 106
    assert height < 36 + 36
    assert width < 36 + 36 + 4 * moved_px


def test_motion_in_frames_that_are_not_used_does_not_count():
    """The patch moves in the first two frames only; all places are merged from the last ones."""
    steady = with_patch(0)
    pictures = focused_at([*with_patch(8)[:2], *steady[2:]], 15.0, np.random.default_rng(4))
    assert find_moving_parts(pictures, flat_depth(5), np.arange(7) * 3.0).parts == ()


def test_what_a_frame_does_not_cover_is_no_motion():
    pictures = focused_at(textured(1), 9.0, np.random.default_rng(4))
    masks = [np.ones((160, 200), bool) for _ in pictures]
    for k in (2, 3):
        masks[k][:, : 20 * k] = False
        pictures[k][~masks[k]] = 0
    depth, steps = flat_depth(3), np.arange(7) * 3.0
    assert find_moving_parts(pictures, depth, steps).parts
    assert find_moving_parts(pictures, depth, steps, valid=lambda k: masks[k]).parts == ()


def test_two_frames_are_enough():
    pictures = focused_at(with_patch(8, frames=2), 1.0, np.random.default_rng(4), frames=2)
    parts = find_moving_parts(pictures, flat_depth(0.4), np.arange(2) * 3.0)
    assert len(parts.parts) == 1
    assert set(np.unique(hold_still(flat_depth(0.4).position, parts))) <= {0, 1, np.float32(0.4)}


def test_frames_out_of_order_on_the_focus_axis_are_no_motion():
    order = [3, 0, 5, 1, 6, 2, 4]
    pictures = focused_at(textured(1), 9.0, np.random.default_rng(4))
    shuffled = [pictures[k] for k in order]
    places = np.array(order) * 3.0
    assert find_moving_parts(shuffled, flat_depth(0), places).parts == ()


def test_one_frame_or_a_tiny_picture_has_no_moving_parts():
    assert find_moving_parts([textured(1)], flat_depth(0), None).parts == ()
    small = DepthMap(np.zeros((20, 30), np.float32), np.ones((20, 30), np.float32))
    tiny = [np.zeros((20, 30, 3), np.float32), np.ones((20, 30, 3), np.float32)]
    assert find_moving_parts(tiny, small, None).parts == ()


def test_everything_moving_is_taken_frame_by_frame():
    pictures = focused_at([textured(20 + k) for k in range(7)], 9.0, np.random.default_rng(4))
    # The noise is judged on what holds still, so enough of the picture must.
    still = textured(1)
    for picture in pictures:
        picture[:, :80] = still[:, :80]
    parts = find_moving_parts(pictures, flat_depth(3.4), np.arange(7) * 3.0)
    held = hold_still(flat_depth(3.4).position, parts)
    assert (held[8:-8, 90:] == 3).all()
    assert (held[:, :60] == np.float32(3.4)).all()


def test_two_alike_frames_differ_by_less_than_noise_and_misalignment():
    rng = np.random.default_rng(6)
    one, two = (textured(1) + 0.01 * rng.standard_normal((160, 200, 3)) for _ in range(2))
    strength = unlike(one.astype(np.float32), two.astype(np.float32), 0.0)
    assert 0.05 < np.median(strength) < 1.0


def test_enlarged_labels_cover_the_same_area_and_keep_straight_rims():
    labels = np.zeros((20, 31), np.int32)
    labels[4:12, 5:20], labels[4:12, 20:28] = 1, 2
    large = enlarge_labels(labels, 3, (60, 92))
    assert large.shape == (60, 92)
    assert (large[12:36, 60:84] == 2).mean() > 0.98
    assert (large == 1).sum() == pytest.approx(9 * (labels == 1).sum(), rel=0.02)
    assert not large[:11].any()


def test_hold_still_at_full_size_agrees_with_the_reduced_size():
    labels = np.zeros((20, 30), np.int32)
    labels[4:12, 5:20] = 1
    parts = MovingParts(labels, np.array([0, 7], np.int32), (a_part(),))
    full = hold_still(np.full((59, 90), 2.5, np.float32), parts, reduction=3)
    assert full.shape == (59, 90)
    assert (full[14:34, 17:58] == 7).all()
    assert full[0, 0] == 2.5


def a_part(box=(4, 5, 8, 15), frames=(7,), area_px=300) -> MovingPart:
    return MovingPart(box, area_px, frames, 20.0, 7.5)


def findings_of(part: MovingPart, shape=(100, 200)):
    parts = MovingParts(np.zeros(shape, np.int32), np.zeros(2, np.int32), (part,))
    names = [f"P{k}.jpg" for k in range(20)]
    return moving_findings(parts, frames=range(1, 19), names=names, origin=(10, 20), reduction=3)[0]


def test_a_finding_names_place_size_and_frame_in_the_reference_geometry():
    finding = findings_of(a_part(box=(70, 10, 30, 40)))
    assert finding.message == (
        "Something moved at the lower left (120 x 90 px); it was taken from P8.jpg (frame 9)."
    )
    assert finding.box == (10 + 210, 20 + 30, 90, 120)
    assert finding.frames == (8,)
    assert finding.kind == "moving parts"
    assert finding.severity == "note"
    assert finding.value == 20.0
    assert finding.threshold == 7.5


def test_a_large_part_is_a_warning_that_tells_of_several_frames():
    finding = findings_of(a_part(box=(10, 80, 60, 60), frames=(3, 4, 5), area_px=500))
    assert finding.severity == "warning"
    assert "3 frames from P4.jpg to P6.jpg" in finding.message
    assert finding.frames == (4, 5, 6)


@pytest.mark.parametrize(
    ("box", "words"),
    [
        ((0, 0, 10, 10), "at the upper left"),
        ((90, 190, 10, 10), "at the lower right"),
        ((0, 95, 10, 10), "at the top"),
        ((90, 95, 10, 10), "at the bottom"),
        ((45, 0, 10, 10), "on the left"),
        ((45, 190, 10, 10), "on the right"),
        ((45, 95, 10, 10), "in the middle"),
    ],
)
def test_places_are_told_in_words(box, words):
    assert words in findings_of(a_part(box=box)).message


def test_what_passes_through_few_frames_is_left_out_where_it_is_too_large_for_one():
    """A dark figure walks through three of seven frames, focused on by all as well as by any."""
    pictures = focused_at(textured(1) * 0.5 + 0.4, 9.0, np.random.default_rng(4))
    walked = np.zeros((160, 200), bool)
    for k, left in ((2, 30), (3, 80), (4, 130)):
        pictures[k][30:140, left : left + 28] = 0.05
        walked[30:140, left : left + 28] = True
    parts = find_moving_parts(pictures, flat_depth(3), np.arange(7) * 3.0)
    assert sum(part.area_px for part in parts.parts) > 0.06 * 160 * 200
    held = hold_still(flat_depth(3).position, parts)
    assert shown(pictures, flat_depth(3).position, walked) > 0.3  # a third of it, by depth alone
    assert shown(pictures, held, walked) < 0.01
    names = [f"F{k}" for k in range(7)]
    (finding, *_) = moving_findings(parts, frames=range(7), names=names, origin=(0, 0), reduction=1)
    assert "where it looks as most do" in finding.message


def shown(pictures: list[np.ndarray], position: np.ndarray, walked: np.ndarray) -> float:
    """Return in which share of where it walked the figure is seen."""
    rows, columns = np.indices(position.shape)
    chosen = np.stack(pictures)[np.rint(position).astype(int), rows, columns]
    return float((chosen.max(axis=2) < 0.2)[walked].mean())


def test_a_thing_that_sways_is_not_put_together_from_patches_of_frames():
    """Frames that look alike there: a patch of another depth would only put seams through it."""
    pictures = focused_at(textured(1), 9.0, np.random.default_rng(4))
    nearest = np.full((80, 100), 3, np.int32)
    nearest[30:54, 40:64] = 5
    found = passing_frames(pictures, nearest, np.arange(len(pictures)) * 3.0)
    assert (found == 3).all()
