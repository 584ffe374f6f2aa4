"""Report pages as the commands write them, and a browser to look at them with."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aperture_scenes
import cv2
import pytest
from blurred_scenes import slanted_stack
from click.testing import CliRunner
from io_samples import coded
from test_apertures import save

from merge.cli import main

# File names that would break out of text, an attribute or a script if they were not escaped.
# Windows has no such names; the tests run where Chromium from Debian does.
HOSTILE = "<img src=x onerror=document.title='taken'>&\"'{{7*7}}"
CHROMIUM_NAMES = ("chromium", "chromium-browser", "google-chrome")
PAGES = ("merge", "audit", "apertures", "plan", "plan-rail", "reshoot")


@dataclass(frozen=True)
class WrittenPage:
    """One page on disk, and what the same command printed with ``--json``."""

    path: Path
    record: dict[str, Any] | None


def run_command(*arguments: object) -> str:
    """Return a command's standard output; it must succeed."""
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    assert result.exit_code == 0, result.output
    return result.stdout


def write_pages(folder: Path) -> dict[str, WrittenPage]:
    """Write a page of every kind, from frames with hostile names where there are frames."""
    bracket = _bracket(folder / "bracket")
    series = _series(folder / "series")
    pages = {}
    merged, record = folder / "merged.tif", folder / "record.json"
    target = folder / "merge.html"
    run_command("merge", bracket, "-o", merged, "--record", record, "--report", target)
    pages["merge"] = WrittenPage(target, json.loads(record.read_text(encoding="utf-8")))
    commands: dict[str, Sequence[object]] = {
        "audit": ("audit", bracket),
        "apertures": ("apertures", series),
        "plan": ("plan", "--pixel-pitch", 4, "--focal-length", 24, "--near", "0.7m", "--far",
                 "inf", "--exposure", "1/50", "--exposure-at", "f/8"),
        "plan-rail": ("plan", "--pixel-pitch", 4, "--magnification", "1:1", "--depth", "3mm"),
    }  # fmt: skip
    for name, command in commands.items():
        pages[name] = _written(folder / f"{name}.html", command)
    audit = folder / "audit.json"
    audit.write_text(json.dumps(pages["audit"].record), encoding="utf-8")
    pages["reshoot"] = _written(folder / "reshoot.html", ("plan", "--from", audit))
    return pages


def _written(target: Path, command: Sequence[object]) -> WrittenPage:
    printed = run_command(*command, "--report", target, "--json")
    return WrittenPage(target, json.loads(printed))


def _bracket(folder: Path) -> Path:
    """Write a bracket that misses its fifth slice."""
    folder.mkdir()
    for i, light in enumerate(slanted_stack(9, step_px=3.0, shape=(324, 432)).frames):
        if i == 4:
            continue
        grey = cv2.merge([coded(light)] * 3)
        _, data = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, 92])
        (folder / f"{HOSTILE}_{i + 1}.jpg").write_bytes(data.tobytes())
    return folder


def _series(folder: Path) -> Path:
    """Write an aperture series with a frame shaken."""
    f_numbers = [4.0, 5.6, 8.0, 11.0, 16.0]
    shakes = [(0.0, 0.0)] * 3 + [(2.5, 1.0)] + [(0.0, 0.0)]
    lens = aperture_scenes.Lens(widest=4.0)
    shot = aperture_scenes.photograph_series("gravel", f_numbers, lens=lens, shakes=shakes)
    save(folder, shot.frames, f_numbers)
    for path in sorted(folder.iterdir()):
        path.rename(folder / f"{HOSTILE}_{path.name}")
    return folder


@dataclass
class Visit:
    """A page open in the browser, with everything it complained about or asked for."""

    page: Any
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


def missing_browser() -> str:
    """Return why no browser can be driven, or nothing."""
    try:
        import playwright.sync_api  # noqa: F401
    except ImportError:
        return "playwright is not installed: pip install -e '.[dev]'"
    if chromium_path() is None:
        return "no Chromium found: apt-get install chromium"
    return ""


def chromium_path() -> str | None:
    """Return the system's Chromium."""
    return next(filter(None, map(shutil.which, CHROMIUM_NAMES)), None)


def skip_without_browser() -> None:
    """Skip with the reason; where CI=true, fail instead: there the tests must run."""
    reason = missing_browser()
    if reason and os.environ.get("CI") == "true":
        pytest.fail(reason)
    if reason:
        pytest.skip(reason)


@contextmanager
def open_browser() -> Iterator[Any]:
    """Give a headless Chromium."""
    from playwright.sync_api import sync_playwright

    # Chromium's own sandbox refuses to run as root, as in a container.
    arguments = ["--no-sandbox"] if os.name == "posix" and os.geteuid() == 0 else []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium_path(), args=arguments)
        yield browser
        browser.close()


@contextmanager
def visit(
    browser: Any, path: Path, *, width: int = 1000, scheme: str = "light", **options: Any
) -> Iterator[Visit]:
    """Open a page from disk, with every request for anything else refused and written down."""
    size = {"width": width, "height": 900}
    context = browser.new_context(viewport=size, color_scheme=scheme, **options)
    page = context.new_page()
    here = path.as_uri()
    seen = Visit(page)

    def judge(route: Any) -> None:
        if route.request.url == here:
            route.continue_()
        else:
            seen.requests.append(route.request.url)
            route.abort()

    context.route(re.compile(r"^(?!data:|blob:)"), judge)
    page.on("console", lambda message: seen.complaints.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: seen.complaints.append(str(error)))
    page.goto(here)
    try:
        yield seen
    finally:
        context.close()
