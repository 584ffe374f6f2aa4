"""How long a person waits in a review: page, overview, frames, tiles, candidates, edits, saving.

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_review.py 24 12`` (megapixels, frames). The
merge is simulated: frames of one texture, softer the farther they are from the middle one, with
known motion. The requests are those that a page makes.
"""

from __future__ import annotations

import socket
import sys
import tempfile
import threading
import time
from pathlib import Path

import cv2
import numpy as np
import uvicorn
from bench_helpers import kept_results
from browser_pages import open_browser
from starlette.testclient import TestClient

from merge.defects import SensorDefects
from merge.model import (
    DepthMap,
    FrameRegistration,
    FrameTransform,
    MergeOptions,
    Registration,
)
from merge.pipeline.inspecting import Inspection
from merge.pipeline.merging import MergeResult
from merge.pipeline.repairing import Repairs
from merge.read import find_frames, read_samples
from merge.review.app import make_app
from merge.review.guard import Guard
from merge.review.look import Look
from merge.review.session import Group, Session
from merge.sort import FrameGroup, NamedGroup, Shot

KEY, PORT = "a-key-of-this-benchmark", 8123
_FRAME = "requestAnimationFrame"
HERE = f"http://127.0.0.1:{PORT}"


def simulated_merge(folder: Path, megapixels: float, count: int) -> MergeResult:
    """Return a merge of frames written to ``folder``, its picture one of them."""
    width = int((megapixels * 1.5e6) ** 0.5) // 8 * 8
    height = round(width / 1.5)
    small = np.random.default_rng(1).integers(0, 255, (height // 4, width // 4, 3), np.uint8)
    scene = cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)
    paths, frames = [], []
    for k in range(count):
        picture = cv2.GaussianBlur(scene, (0, 0), 0.3 + abs(k - count // 2))
        paths.append(folder / f"CARD_{k + 1:04d}.jpg")
        cv2.imwrite(str(paths[-1]), picture, [cv2.IMWRITE_JPEG_QUALITY, 90])
        grown = 1 + 0.001 * (k - count // 2)
        matrix = np.array([[grown, 1e-4, 0.3 * k], [-1e-4, grown, -0.2 * k], [0, 0, 1.0]])
        transform = FrameTransform(matrix, centre=(width / 2, height / 2))
        frames.append(FrameRegistration(transform))
    stack = find_frames([str(path) for path in paths])
    registration = Registration(tuple(frames), count // 2, "similarity", (height, width))
    inspection = Inspection(registration, None, "", None, (), (), (), 2.0, None, None, None)
    samples, white = read_samples(stack.sources[count // 2])
    margin = 40
    inner = np.s_[margin : height - margin, margin : width - margin]
    pixels = np.multiply(samples[inner], np.float32(1 / white), dtype=np.float32)
    shape = pixels.shape[:2]
    slope = np.linspace(0, count - 1, shape[0], dtype=np.float32)[:, None]
    depth = DepthMap(np.tile(slope, (1, shape[1])), np.ones(shape, np.float32))
    none = SensorDefects((height, width), 0, np.empty((0, 2), np.int32))
    repairs = Repairs(none, (), "srgb", ())
    return MergeResult(pixels, (margin, margin), stack, inspection, depth, MergeOptions(), repairs)


class Clock:
    """Tells how long each thing took."""

    def __init__(self, client: TestClient) -> None:
        self._client = client

    def get(self, words: str, *addresses: str) -> None:
        """Time GET requests; the mean of several."""
        began = time.perf_counter()
        sizes = [len(self._client.get(address).content) for address in addresses]
        self._tell(words, began, len(addresses), f"{np.mean(sizes) / 1e3:.0f} kB")

    def post(self, words: str, address: str, data: dict) -> dict:
        """Time a POST request."""
        began = time.perf_counter()
        answer = self._client.post(address, json=data, headers={"Origin": HERE})
        assert answer.status_code == 200, answer.text
        self._tell(words, began, 1, f"{len(answer.content) / 1e3:.0f} kB")
        return dict(answer.json())

    def do(self, words: str, action) -> None:
        """Time anything else."""
        began = time.perf_counter()
        action()
        self._tell(words, began, 1, "")

    @staticmethod
    def _tell(words: str, began: float, count: int, size: str) -> None:
        seconds = (time.perf_counter() - began) / count
        each = "each " if count > 1 else ""
        print(f"{words:45} {each}{seconds:6.2f} s  {size}", flush=True)


def main(megapixels: float, count: int, folder: Path) -> None:
    result = simulated_merge(folder, megapixels, count)
    session = Session(folder, folder / "out")
    (folder / "out").mkdir()
    shots = tuple(Shot(source) for source in result.stack.sources)
    group = Group(NamedGroup("bracket", FrameGroup("focus bracket", shots, "simulated", 1.0)))
    session.groups = [group]
    client = TestClient(Guard(make_app(session), KEY, PORT), base_url=HERE)
    client.get(f"/start?key={KEY}")
    clock = Clock(client)

    def open_look() -> None:
        group.look = Look(result, folder / "out" / "bracket.tif", folder / "out" / "b.edits.json")
        group.look.keep_frames(lambda stage, done, total: None)

    clock.do("made ready, part of the merge", open_look)
    assert group.look is not None
    height, width = group.look.shape[:2]
    print(f"{width} x {height} px, {count} frames")
    began = time.perf_counter()
    clock.get("page", "/look/0")
    clock.get("overview", "/look/0/overview")
    clock.get("strip of frames", *(f"/look/0/frame/{k}?thumbnail" for k in range(count)))
    clock.get("loupe's frame", f"/look/0/frame/{count // 2}")
    print(f"all that opening asks for{'':21} {time.perf_counter() - began:6.2f} s")
    clock.get("tile at 100 %", *(f"/look/0/tile/{r},{c}" for r in range(3) for c in range(4)))
    clock.get("frame's tile at 100 %", *(f"/look/0/frame/1/{r},{r}" for r in range(4)))
    place = {"x": width / 2, "y": height / 2}
    for words in ("candidates, first", "candidates, again"):
        found = clock.post(words, "/look/0/candidates", place)["candidates"]
    print(f"   {len(found)} candidates, crops of {found[0]['box'][2:]} px")
    wide = place | {"size": 320 * min(height, width) / 4000}
    clock.post("candidates, larger region", "/look/0/candidates", wide)
    for which in (1, -2, -1):
        edit = found[which]["edit"]
        clock.post(f"edit: {edit['kind']}", "/look/0/take", {"edit": edit})
        row, column = (int(place[k]) // 512 for k in ("y", "x"))
        clock.get("   its tile", f"/look/0/tile/{row},{column}?v=1")
        clock.get("   overview", "/look/0/overview?v=1")
    clock.post("undo", "/look/0/undo", {})
    clock.post("save", "/look/0/save", {})
    in_browser(session, group.look)


def in_browser(session: Session, look: Look) -> None:
    """Open the page in a browser, and go over the picture at 100 %: what is seen there is right."""
    with socket.create_server(("127.0.0.1", 0)) as listening, open_browser() as browser:
        port = listening.getsockname()[1]
        config = uvicorn.Config(Guard(make_app(session), KEY, port), log_level="error")
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        page = browser.new_page(viewport={"width": 1500, "height": 1000}, bypass_csp=True)
        page.set_default_timeout(120_000)
        page.goto(f"http://127.0.0.1:{port}/start?key={KEY}")
        began = time.perf_counter()
        page.goto(f"http://127.0.0.1:{port}/look/0")
        page.locator("#main[data-ready=yes]").wait_for()
        whole = page.locator("#viewer[data-pending='0']")
        Clock._tell("in a browser: from the click to keys", began, 1, "")
        whole.wait_for()
        Clock._tell("in a browser: from the click to a page at rest", began, 1, "")
        page.locator("#canvas").focus()
        page.keyboard.press("1")
        waits = []
        for key in ["Shift+ArrowRight", "Shift+ArrowDown", "Shift+ArrowRight"] * 5:
            began = time.perf_counter()
            page.keyboard.press(key)
            page.evaluate(f"() => new Promise((go) => {_FRAME}(go))")
            whole.wait_for()
            waits.append(time.perf_counter() - began)
            assert seen_difference(page, look) < 1
        print(
            f"in a browser: half a window on at 100 %, all tiles there: median "
            f"{np.median(waits):.2f} s, worst {max(waits):.2f} s"
        )
        server.should_exit = True
        thread.join()


def seen_difference(page, look: Look) -> float:
    """Return the mean difference, 0 to 255, of the canvas's centre from the picture."""
    page.evaluate(f"() => new Promise((go) => {_FRAME}(() => {_FRAME}(go)))")
    x, y, data = page.evaluate(
        """() => {
          const [c, l] = ["canvas", "loupe"].map((id) => document.getElementById(id));
          const [left, top] = [c.width, c.height].map((side) => Math.round(side / 2) - 20);
          const pixels = c.getContext("2d").getImageData(left, top, 40, 40).data;
          return [+l.dataset.x, +l.dataset.y, [...pixels]];
        }"""
    )
    seen = np.array(data, np.int16).reshape(40, 40, 4)[..., :3]
    shifts = [(r, c) for r in (-2, -1, 0, 1, 2) for c in (-2, -1, 0, 1, 2)]
    return min(
        float(np.abs(look.part((y - 20 + r, x - 20 + c, 40, 40)).astype(np.int16) - seen).mean())
        for r, c in shifts
    )


if __name__ == "__main__":
    with kept_results(__file__), tempfile.TemporaryDirectory() as scratch:
        main(float(sys.argv[1]), int(sys.argv[2]), Path(scratch))
