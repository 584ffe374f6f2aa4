"""What a script does with `import merge`: README's examples as written, arrays, wrong settings."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from blurred_scenes import slanted_stack

import merge
from merge.encoding import encode
from merge.pipeline.demo import write_demo

README = Path(__file__).parents[1] / "README.md"


def scripts() -> list[str]:
    return re.findall(r"^```python\n(.*?)^```", README.read_text(encoding="utf-8"), re.M | re.S)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("scripts")
    write_demo(folder / "beetle", frames=5, shape=(320, 480))
    return folder


@pytest.mark.slow
def test_the_scripts_of_the_readme_run_as_written(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    first, second = scripts()
    known: dict[str, object] = {}
    exec(first, known)
    assert (folder / "beetle.tif").is_file()
    assert capsys.readouterr().out.startswith("[")
    assert known["result"].inspection.axis.positions_px == pytest.approx(
        3.3 * np.arange(5), rel=0.15
    )
    exec(second, known)
    assert np.load(folder / "beetle-depth-mm.npy").shape == known["result"].pixels.shape[:2]
    # Half life size, f/5.6 marked and f/8.4 effective, 6 µm: 3.3 px are 0.665 mm at the subject.
    places = [place.subject_mm for place in known["result"].inspection.places]
    assert places == pytest.approx(0.665 * np.arange(5), rel=0.15, abs=0.01)
    said = capsys.readouterr().out
    assert re.fullmatch(r"\d\.\d mm deep, \d+% of the picture measured\n", said), said


def test_arrays_are_merged_and_give_depth_in_mm():
    """Life size, f/2 (f/4 effective), 5 µm: a px of blur is 0.02 mm, by ``D p N (1 + m) / m²``."""
    scene = slanted_stack(6, step_px=3.0, shape=(288, 384))
    before = [frame.copy() for frame in scene.frames]
    result = merge.merge_stack(
        scene.frames, method="surface", f_number=2, pixel_pitch_um=5, magnification=1
    )
    for frame, copy in zip(scene.frames, before, strict=True):
        np.testing.assert_array_equal(frame, copy)
    (top, left), (height, width) = result.origin, result.pixels.shape[:2]
    truth = 0.02 * scene.depth_px[top : top + height, left : left + width]
    inside = (truth > 0) & (truth < 0.02 * 3 * 5)  # between the outer planes
    error = (merge.depth_in_mm(result) - truth)[inside]
    print(f"median {np.median(error):.3f} mm, 90 % within {np.quantile(np.abs(error), 0.9):.3f} mm")
    assert abs(np.median(error)) < 0.015  # a quarter of a step
    assert np.quantile(np.abs(error), 0.9) < 0.03  # half a step


@pytest.mark.slow
def test_arrays_and_files_are_merged_alike(tmp_path):
    from io_samples import coded, write_png

    frames = slanted_stack(4, step_px=3.0, shape=(288, 384)).frames
    arrays = [coded(frame, np.uint16) for frame in frames]
    for i, values in enumerate(arrays):
        write_png(tmp_path / f"frame_{i}.png", values)
    of_files = merge.merge_stack(str(tmp_path), method="detail")
    of_arrays = merge.merge_stack(arrays, method="detail")
    np.testing.assert_array_equal(of_arrays.pixels, of_files.pixels)
    written = merge.write_picture(str(tmp_path / "out.tif"), of_arrays)
    assert written.is_file()
    record = merge.build_record(of_arrays, {"picture": written})
    assert record["frames"][0]["name"] == "frame 1"


def test_depth_in_mm_says_what_it_lacks():
    result = merge.merge_stack(
        slanted_stack(2, shape=(288, 384)).frames, method="surface", pixel_pitch_um=5
    )
    with pytest.raises(merge.MergeError, match=r"files tell pixel pitch 5; give magnification="):
        merge.depth_in_mm(result)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"method": "best"}, "method 'best': expected one of auto, detail, surface"),
        ({"tolerance": "wide"}, "expected for example"),
        ({"tolerance": None}, "tolerance None: expected a text such as '2px'"),
        ({"pixel_pitch_um": -1}, "pixel_pitch_um -1: expected a number above 0"),
        ({"f_number": "8"}, "f_number '8': expected a number above 0"),
        ({"pixel_pitch_um": 0.00376}, r"pixel pitch 0.00376 µm: expected 0.5 to 50 µm"),
        ({"f_number": float("inf")}, "f-number inf: expected 0.5 to 90"),
        ({"magnification": np.float32(1e6)}, r"magnification 1e\+06: expected 0 to 100"),
        ({"reference": 9}, "reference 9: expected 0 to 2"),
    ],
)
def test_wrong_settings_are_one_line(settings, words):
    frames = [np.zeros((40, 60), np.uint8)] * 3
    with pytest.raises(merge.MergeError, match=words) as caught:
        merge.merge_stack(frames, **settings)
    assert "\n" not in str(caught.value)


def test_grey_arrays_are_audited_like_grey_colours():
    frames = slanted_stack(3, shape=(288, 384)).frames
    grey = [np.rint(255 * encode(f, "srgb")).astype(np.uint8) for f in frames]
    audits = [merge.audit_stack(frames) for frames in (grey, [np.dstack([g, g, g]) for g in grey])]
    one, other = (a.axis.positions_px for a in audits)
    assert one == pytest.approx(other, rel=0.05)


@pytest.mark.parametrize(
    "array", [np.zeros((4, 5, 2)), np.zeros((4, 5), np.int64), np.zeros((0, 5)), np.zeros(7)]
)
def test_an_array_that_is_no_picture_is_refused(array):
    with pytest.raises(merge.ReadError, match="frame 2: an array of shape"):
        merge.stack_arrays([np.zeros((4, 5)), array])


def test_nothing_among_the_frames_is_dropped_without_a_word(tmp_path):
    with pytest.raises(TypeError, match="type ndarray, str: expected paths alone or arrays alone"):
        merge.merge_stack([np.zeros((40, 60), np.uint8), str(tmp_path / "a.jpg")])


def test_a_misspelt_setting_names_those_there_are():
    with pytest.raises(TypeError, match=r"no option metod; there are .*method"):
        merge.merge_stack([np.zeros((40, 60), np.uint8)] * 3, metod="auto")
