"""What holds for every process of the tests."""

from __future__ import annotations

import os

import pytest

# Workers side by side have one core each. Threads of linear algebra and of OpenCV spin while they
# wait for one another: on busy cores products of matrices took up to fifty times as long.
if "PYTEST_XDIST_WORKER" in os.environ:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("OPENCV_FOR_THREADS_NUM", "1")
    # The product's own threads do not spin, but handing small work over takes a sixth of an audit.
    # That threads change no result is a test of its own; commands in child processes have them.
    os.cpu_count = lambda: 1


@pytest.fixture(scope="module")
def browser():
    """Give a headless Chromium, or skip."""
    from browser_pages import open_browser, skip_without_browser

    skip_without_browser()
    with open_browser() as opened:
        yield opened
