"""Frames in whatever order they were shot or named: one result, in the order of focus."""

from __future__ import annotations

import dataclasses
from collections import Counter
from functools import lru_cache

import numpy as np
import pytest
from blurred_scenes import slanted_stack
from io_samples import coded, write_png
from small_brackets import small_bracket

from merge.model import MergeOptions, Stack
from merge.pipeline import blending, first_pass
from merge.pipeline.auditing import audit_stack
from merge.pipeline.merging import MergeResult, merge_stack
from merge.pipeline.record import build_record
from merge.plan.reshoot import plan_reshoot
from merge.read import find_frames

COUNT = 7
SHAPE = (240, 320)
SWAPPED = [0, 1, 2, 4, 3, 5, 6]


@pytest.fixture(scope="module")
def bracket(tmp_path_factory) -> Stack:
    folder = tmp_path_factory.mktemp("bracket")
    for i, light in enumerate(slanted_stack(COUNT, step_px=3.0, shape=SHAPE).frames):
        write_png(folder / f"frame_{i + 1}.png", coded(light, np.uint16))
    return find_frames(folder)


def in_order(stack: Stack, order: list[int]) -> Stack:
    return dataclasses.replace(stack, sources=tuple(stack.sources[i] for i in order))


def names(result: MergeResult) -> list[str]:
    return [source.name for source in result.stack.sources]


def kinds(result: MergeResult) -> list[str]:
    return [finding.kind for finding in result.findings]


@pytest.fixture(scope="module")
def merged(bracket):
    """Return a merge by either method of the frames in order, and how often each was read."""

    @lru_cache
    def merge(method: str, far_first: bool) -> tuple[MergeResult, Counter[str]]:
        read: Counter[str] = Counter()

        def counted(real):
            def reader(source, **options):
                read[source.name] += 1
                return real(source, **options)

            return reader

        with pytest.MonkeyPatch.context() as patch:
            for module, name in [
                (first_pass, "read_samples"),
                (first_pass, "read_luminance"),
                (blending, "read_samples"),
            ]:
                patch.setattr(module, name, counted(getattr(module, name)))
            stack = in_order(bracket, list(range(COUNT))[:: -1 if far_first else 1])
            return merge_stack(stack, MergeOptions(method=method), keep_depth=True), read

    return merge


@pytest.mark.slow
@pytest.mark.parametrize("far_first", [False, True])
def test_a_swapped_bracket_merges_as_the_ordered_one_and_says_so(bracket, merged, far_first):
    order = list(range(COUNT))[:: -1 if far_first else 1]
    swapped = [order[i] for i in SWAPPED]
    ordered, _ = merged("auto", far_first)
    result = merge_stack(in_order(bracket, swapped))
    np.testing.assert_allclose(result.pixels, ordered.pixels, atol=1e-6)
    assert names(result) == names(ordered) == [bracket.sources[i].name for i in order]
    assert (np.diff(result.axis.positions_px) > 0).all()
    assert result.stack.shot_order == tuple(SWAPPED)
    (finding,) = [f for f in result.findings if f.kind == "out of order"]
    assert {names(result)[i] for i in finding.frames} == {
        bracket.sources[order[k]].name for k in (3, 4)
    }
    assert "swapped" in finding.message
    assert kinds(ordered) == [kind for kind in kinds(result) if kind != "out of order"]


@pytest.mark.slow
def test_a_reference_that_was_chosen_stays_the_reference(bracket):
    result = merge_stack(in_order(bracket, SWAPPED), MergeOptions(method="detail", reference=3))
    assert names(result)[result.registration.reference] == "frame_5.png"


@pytest.mark.slow
def test_an_audit_of_a_swapped_bracket_reads_as_that_of_the_ordered_one(bracket):
    ordered, swapped = (audit_stack(in_order(bracket, o)) for o in (list(range(COUNT)), SWAPPED))
    np.testing.assert_allclose(swapped.axis.positions_px, ordered.axis.positions_px, atol=0.05)
    assert names(swapped) == names(ordered)
    assert [f.kind for f in swapped.findings if f.kind != "out of order"] == kinds(ordered)


@pytest.mark.slow
def test_a_frame_of_another_scene_stays_behind_the_one_it_was_shot_after(bracket, tmp_path):
    (other, *_), _ = small_bracket(2, height=SHAPE[0], width=SHAPE[1], seed=99)
    grey = other.mean(axis=-1) if other.ndim == 3 else other
    path = tmp_path / "other.png"
    write_png(path, np.rint(np.clip(grey, 0, 1) * 65535).astype(np.uint16))
    sources = [bracket.sources[i] for i in SWAPPED]
    sources.insert(4, find_frames(path).sources[0])  # behind frame_5, the fourth
    result = audit_stack(dataclasses.replace(bracket, sources=tuple(sources)))
    assert names(result) == [
        "frame_1.png", "frame_2.png", "frame_3.png", "frame_4.png", "frame_5.png", "other.png",
        "frame_6.png", "frame_7.png",
    ]  # fmt: skip
    (finding,) = [f for f in result.findings if f.kind == "not aligned"]
    assert finding.frames == (5,)
    assert result.inspection.aligned == (0, 1, 2, 3, 4, 6, 7)


@pytest.mark.parametrize("method", ["auto", "detail"])
def test_a_merge_reads_every_frame_twice(merged, method):
    _, read = merged(method, False)
    assert len(read) == COUNT
    assert set(read.values()) == {2}


def test_a_merge_tells_what_an_audit_tells_so_that_a_plan_takes_either(bracket, tmp_path):
    holed = in_order(bracket, [0, 1, 2, 4, 5, 6])
    merged = merge_stack(holed, MergeOptions(method="detail"))
    record = build_record(merged, {})
    (frame,) = plan_reshoot(record).frames
    assert frame.between == (2, 3)
    from merge.report.audit import audit_record

    audited = audit_record(audit_stack(holed))
    own = {"schema", "interrupted", "seconds"}
    assert set(audited) - own <= set(record)
    for key in ("settings", "shot_order", "ordered_by", "tolerance_px"):
        assert record[key] == audited[key]
    assert record["focus_axis"].keys() == audited["focus_axis"].keys()
    for mine, theirs in zip(record["frames"], audited["frames"], strict=True):
        assert theirs.keys() <= mine.keys()
