"""`audit --each`: every focus bracket of a sorted day, resumable."""

import json
import shutil

import cv2
import pytest
from blurred_scenes import slanted_stack
from click.testing import CliRunner
from io_samples import coded
from small_brackets import group_record, write_sorted

from merge.cli import main


@pytest.fixture(scope="module")
def pictures():
    return [coded(f) for f in slanted_stack(8, step_px=3.0, shape=(288, 384)).frames]


def write_group(folder, pictures, kept):
    folder.mkdir()
    paths = [folder / f"IMG_{i + 1:04d}.jpg" for i in kept]
    for i, path in zip(kept, paths, strict=True):
        cv2.imwrite(str(path), cv2.merge([pictures[i]] * 3), [cv2.IMWRITE_JPEG_QUALITY, 97])
    return group_record(folder.name, paths)


@pytest.fixture
def day(tmp_path, pictures):
    """Return the JSON of a sort: a whole bracket, one with a hole, one with a broken frame."""
    groups = [
        write_group(tmp_path / "whole", pictures, range(8)),
        write_group(tmp_path / "holed", pictures, [0, 1, 2, 3, 5, 6, 7]),
        write_group(tmp_path / "broken", pictures, range(4)),
    ]
    broken = tmp_path / "broken" / "IMG_0002.jpg"
    broken.write_bytes(broken.read_bytes()[:-3000])
    return write_sorted(tmp_path, groups)


def audit(*arguments):
    return CliRunner().invoke(main, ["audit", *map(str, arguments)])


def test_audit_each_refuses_frames_and_a_picture_beside_it(day, tmp_path):
    assert audit("--each", day, tmp_path).exit_code == 2
    assert audit("--each", day, "--picture", tmp_path / "x.png").exit_code == 2
    assert audit().exit_code == 2


@pytest.mark.slow
def test_audit_each_goes_on_tells_a_page_and_resumes(day, tmp_path, pictures):
    page = tmp_path / "day.html"
    first = audit("--each", day, "--report", page)
    assert first.exit_code == 1
    assert "IMG_0002.jpg" in first.stderr
    assert first.stdout.count("Nothing missed") == 1
    assert "missing" in first.stdout
    assert first.stdout.splitlines()[-2] == "3 groups: 2 done, 0 skipped, 1 failed."
    text = page.read_text(encoding="utf-8")
    for name in ("day-brackets/focus-bracket-IMG_0001.html", "IMG_0002.jpg", "missing"):
        assert name in text
    assert text.count('<img src="data:image/') == 2
    assert len(list((tmp_path / "day-brackets").iterdir())) == 2
    refused = audit("--each", day, "--report", page)
    assert (refused.exit_code, refused.stdout) == (1, "")
    assert "day.html: exists already" in refused.stderr
    shutil.rmtree(tmp_path / "broken")
    write_group(tmp_path / "broken", pictures, range(4))
    again = audit("--each", day, "--json", "--fail-on", "warning")
    groups = json.loads(again.stdout)["groups"]
    assert sorted(g["status"] for g in groups) == ["done", "skipped", "skipped"]
    told = [f["message"] for g in groups for f in g["record"]["findings"]]
    assert any("a slice is missing" in message for message in told)
    assert again.exit_code == 3
