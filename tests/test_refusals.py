"""Folders that hold no focus bracket, or more than one: told first, in one line that helps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from blurred_scenes import slanted_stack
from click.testing import CliRunner, Result
from io_samples import coded, exif_bytes, write_jpeg
from marks import slow

from merge.cli import main

SHAPE = (216, 288)


@cache
def without_noise(seed: int) -> list[np.ndarray]:
    return slanted_stack(4, step_px=3.0, shape=SHAPE, noise=0.0, seed=seed).frames


def scene(seed: int = 1, noise_seed: int = 0) -> list[np.ndarray]:
    """Return four frames of a bracket in linear light, with noise of their own."""
    rng = np.random.default_rng(noise_seed)
    return [frame + 0.004 * rng.standard_normal(SHAPE) for frame in without_noise(seed)]


def focused_alike(count: int) -> list[np.ndarray]:
    return [scene(noise_seed=k)[2] for k in range(count)]


def write(
    folder: Path,
    frames: Sequence[np.ndarray],
    f_numbers: Sequence[float] | None = None,
    times_s: Sequence[float] | None = None,
) -> Path:
    """Write frames of one f-number and time, unless they are given."""
    folder.mkdir()
    for k, frame in enumerate(frames):
        number = 4.0 if f_numbers is None else f_numbers[k]
        time = 0.01 if times_s is None else times_s[k]
        exif = exif_bytes(
            photo={0x829D: number, 0x829A: time, 0x8827: 100, 0x9003: f"2026:05:01 10:00:{k:02d}"}
        )
        write_jpeg(folder / f"shot_{k:02d}.jpg", np.dstack([coded(frame)] * 3), exif=exif)
    return folder


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@dataclass(frozen=True)
class Case:
    """What lies in the folder, what the line says, and the command that helps."""

    frames: Callable[[], list[np.ndarray]]
    words: str
    command: str = "depthweld sort"
    f_numbers: tuple[float, ...] | None = None
    times_s: tuple[float, ...] | None = None


def exposed() -> list[np.ndarray]:
    return [gain * frame for gain, frame in zip((1, 0.5, 2), focused_alike(3), strict=True)]


CASES = {
    "aperture series": Case(
        lambda: focused_alike(4), "an aperture series", "depthweld apertures", (5.6, 8, 11, 16)
    ),
    "exposure bracket": Case(exposed, "an exposure bracket", times_s=(0.01, 0.005, 0.02)),
    "two brackets": Case(lambda: [*scene(1)[:3], *scene(5)[:3]], "show another scene"),
    "one bracket twice": Case(
        lambda: [*scene(1)[:3], *scene(1, 7)[:3]], "frames 1 to 3 and 4 to 6"
    ),
    "a burst": Case(lambda: focused_alike(4), "All 4 frames have one focus"),
}
# Steps, another scene, and nothing that could be measured: merged where that is asked for.
ANYWAY = {"aperture series", "two brackets"}


@pytest.mark.parametrize("case", [c if c == "aperture series" else slow(c) for c in CASES])
def test_what_is_no_bracket_is_refused_in_one_line_unless_asked_for_anyway(case, tmp_path):
    holds, out = CASES[case], tmp_path / "out.tif"
    folder = write(tmp_path / "in", holds.frames(), holds.f_numbers, holds.times_s)
    for command in (["audit", folder], ["merge", folder, "-o", out, "--method", "detail"]):
        refused = run(*command)
        assert refused.exit_code == 1, refused.output
        (line,) = refused.stderr.splitlines()
        assert holds.words in line
        assert holds.command in line
        assert "--anyway" in line
        assert not out.exists()
    if case in ANYWAY:
        assert run("merge", folder, "-o", out, "--method", "detail", "--anyway").exit_code == 0
        assert out.exists()


def test_an_audit_goes_on_where_asked(tmp_path):
    folder = write(tmp_path / "in", exposed(), times_s=CASES["exposure bracket"].times_s)
    assert run("audit", folder, "--anyway").exit_code == 0


def test_one_bracket_is_not_refused(tmp_path):
    folder = write(tmp_path / "in", scene())
    assert run("audit", folder).exit_code == 0
    assert run("merge", folder, "-o", tmp_path / "out.tif", "--method", "detail").exit_code == 0


def test_a_folder_of_folders_names_them(tmp_path):
    (tmp_path / "day").mkdir()
    for name in ("first", "second"):
        write(tmp_path / "day" / name, scene()[:2])
    for command in ("audit", "merge"):
        refused = run(command, tmp_path / "day")
        assert refused.exit_code == 1
        assert "first" in refused.stderr
        assert "second" in refused.stderr
