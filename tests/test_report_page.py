"""The page of a merge and of an audit: what stands in the file, without a browser."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner, Result
from PIL import Image
from small_brackets import small_bracket, write_bracket, write_frame

from merge import metadata
from merge.align import warp_frame
from merge.cli import main
from merge.encoding import encode
from merge.model import (
    CaptureSettings,
    DepthMap,
    Finding,
    FocusAxis,
    FrameRegistration,
    FrameSource,
    FrameTransform,
    Registration,
)
from merge.pipeline.measuring import equalize_exposure
from merge.pipeline.page_pictures import ShownFrame, screen_pixels, shown_frames
from merge.read import find_frames, read_frame
from merge.report.findings import badness
from merge.report.page import merge_page as merge_page_module
from merge.report.page.composite import SharpestComposite
from merge.report.page.finding_crops import CROP_SHAPE, Places
from merge.report.page.pictures import (
    Crop,
    FrameBook,
    choose_quality,
    encode_depth_map,
    nearest_frame,
    page_budget,
)
from merge.report.page.shell import Section, embed_json, render_page

HOSTILE = "<img src=x onerror=alert(1)>&\"'"


class Reader(HTMLParser):
    """Elements, addresses and scripts of a page, as a parser of HTML sees them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: dict[str, str] = {}
        self.text = ""
        self._inside = ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        """Keep an element."""
        self.tags.append((tag, dict(attrs)))
        if tag in {"script", "style"}:
            self._inside = dict(attrs).get("id") or tag

    def handle_startendtag(self, tag, attrs):
        """Keep an empty element."""
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        """Leave a script."""
        if tag in {"script", "style"}:
            self._inside = ""

    def handle_data(self, data):
        """Keep text."""
        if self._inside:
            self.scripts[self._inside] = self.scripts.get(self._inside, "") + data
        else:
            self.text += data + "\n"

    def json(self, name: str) -> Any:
        """Return the JSON of a script element."""
        return json.loads(self.scripts[name])


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, list(map(str, arguments)))


def written(folder: Path) -> dict[str, Any]:
    """Merge and audit one bracket with hostile names; return pages and JSON."""
    frames = folder / "in"
    frames.mkdir()
    for i, picture in enumerate(small_bracket(4, height=260, width=390)[0], 1):
        write_frame(frames / f"{HOSTILE.replace('/', '')}_{i}.tif", picture)
    merged = run("merge", frames, "-o", folder / "m.tif", "--report", folder / "m.html", "--json")
    audited = run("audit", frames, "--report", folder / "a.html", "--json")
    assert (merged.exit_code, audited.exit_code) == (0, 0), merged.output + audited.output
    return {
        "picture": tifffile.imread(folder / "m.tif"),
        "merge": (Reader((folder / "m.html").read_text("utf-8")), json.loads(merged.stdout)),
        "audit": (Reader((folder / "a.html").read_text("utf-8")), json.loads(audited.stdout)),
    }


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    return written(tmp_path_factory.mktemp("pages"))


@pytest.fixture
def bracket(tmp_path) -> Path:
    write_bracket(tmp_path / "in", suffix=".jpg")
    return tmp_path / "in"


def decoded(text: str) -> np.ndarray:
    with Image.open(io.BytesIO(base64.b64decode(text))) as picture:
        return np.asarray(picture)


@pytest.mark.parametrize("kind", ["merge", "audit"])
def test_the_page_holds_the_same_json_as_the_command_prints(pages, kind):
    reader, printed = pages[kind]
    inside = reader.json("run-data")
    added = inside.pop("page")
    assert inside == printed
    assert set(added) == {"sharp_share", "tolerance_px"}


def test_numbers_on_the_page_are_those_of_the_json(pages):
    reader, record = pages["merge"]
    shown = " ".join(reader.text.split())
    assert f"shift up to {record['measured']['shift_px']:.1f} px" in shown
    assert f"Time {sum(record['seconds'].values()):.1f} s" in shown
    assert f"{record['peak_memory_bytes'] / 2**20:.0f} MiB" in shown
    for finding in record["findings"]:
        assert " ".join(finding["message"].split()) in shown
    share = reader.json("run-data")["page"]["sharp_share"]
    assert f"{100 * share:.1f} % of the picture's detail" in shown


@pytest.mark.parametrize("kind", ["merge", "audit"])
def test_nothing_is_loaded_and_only_the_one_script_may_run(pages, kind):
    reader, _ = pages[kind]
    addresses = [a[k] for _, a in reader.tags for k in ("src", "href") if a.get(k)]
    assert len(addresses) > 8
    assert all(address.startswith(("data:", "#")) for address in addresses)
    assert not re.search(r"url\(|@import|https?://", reader.scripts["style"])
    policy = next(a["content"] for t, a in reader.tags if t == "meta" and "http-equiv" in a)
    digest = hashlib.sha256(reader.scripts["script"].encode()).digest()
    assert f"script-src 'sha256-{base64.b64encode(digest).decode()}'" in policy
    assert "default-src 'none'" in policy


@pytest.mark.parametrize("kind", ["merge", "audit"])
def test_file_names_with_html_in_them_stay_text(pages, kind):
    reader, _ = pages[kind]
    assert not [a for _, a in reader.tags if any(name.startswith("on") for name in a)]
    assert not [a for t, a in reader.tags if t == "img" and a.get("src") == "x"]
    assert HOSTILE in reader.text
    assert reader.json("pictures")["frames"][0]["name"].startswith(HOSTILE)


@pytest.mark.parametrize("kind", ["merge", "audit"])
def test_every_picture_has_words_and_every_field_a_name(pages, kind):
    reader, _ = pages[kind]
    assert all("alt" in a for t, a in reader.tags if t == "img")
    ids = [a["id"] for _, a in reader.tags if "id" in a]
    assert len(ids) == len(set(ids))
    targets = {a["for"] for t, a in reader.tags if t == "label" and "for" in a}
    assert targets <= set(ids)


def test_the_tiles_are_the_merged_picture(pages):
    book = pages["merge"][0].json("pictures")
    picture = pages["picture"].astype(np.float32) / 257
    assert (book["height"], book["width"]) == picture.shape[:2]
    whole = np.zeros_like(picture)
    for place, text in book["tiles"].items():
        row, column = (int(n) * book["tileSide"] for n in place.split(","))
        tile = decoded(text)
        whole[row : row + tile.shape[0], column : column + tile.shape[1]] = tile
    # The format stores colours at half the resolution: light is compared, weights of BT.601.
    light = np.array([0.299, 0.587, 0.114])
    assert np.abs((whole - picture) @ light).mean() < 2.5


def test_the_map_names_the_frame_that_is_sharpest_in_every_band(pages):
    """Truth: `small_bracket` keeps band i sharp in frame i alone."""
    book = pages["merge"][0].json("pictures")
    channels = decoded(book["depth"]["png"]).astype(int)
    position = (channels[..., 0] * 256 + channels[..., 1]) * book["depth"]["step"]
    width = position.shape[1]
    for band in range(4):
        middle = position[:, (2 * band + 1) * width // 8 - 8 : (2 * band + 1) * width // 8 + 8]
        assert np.mean(np.abs(middle - band) < 0.5) > 0.9


def test_small_brackets_are_shown_at_full_size_throughout(pages):
    reader, _ = pages["audit"]
    book = reader.json("pictures")
    assert book["reduction"] == 1
    for frame in book["frames"]:
        assert decoded(frame["picture"]).shape[:2] == (book["height"], book["width"])


def test_a_target_that_exists_is_refused_before_the_work(bracket, tmp_path):
    page = tmp_path / "page.html"
    page.write_text("precious")
    for command in (("merge", "-o", tmp_path / "out.tif"), ("audit",)):
        result = run(command[0], bracket, *command[1:], "--report", page)
        assert result.exit_code == 1
        assert "exists already" in result.stderr
    assert page.read_text() == "precious"
    assert not (tmp_path / "out.tif").exists()
    assert run("audit", bracket, "--report", page, "--overwrite").exit_code == 0
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")


def test_a_page_never_replaces_a_frame_or_another_output(bracket, tmp_path):
    frame, page = bracket / "frame_1.jpg", tmp_path / "page.html"
    page.symlink_to(frame)
    before = frame.read_bytes()
    for command in (("merge", "-o", tmp_path / "o.tif"), ("audit",)):
        result = run(command[0], bracket, *command[1:], "--report", page, "--overwrite")
        assert result.exit_code == 1
        assert "source files are never changed" in result.stderr
    assert frame.read_bytes() == before
    page = tmp_path / "o.html"
    result = run("merge", bracket, "-o", tmp_path / "o.tif", "--record", page, "--report", page)
    assert result.exit_code == 2


def test_a_page_that_fails_leaves_no_file(bracket, tmp_path, monkeypatch):
    def fail(*arguments, **options):
        raise KeyboardInterrupt

    monkeypatch.setattr(merge_page_module, "bracket_page", fail)
    result = run("merge", bracket, "-o", tmp_path / "o.tif", "--report", tmp_path / "p.html")
    assert result.exit_code == 130
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in"]  # all of a run or nothing


def test_frames_too_small_to_measure_still_make_a_page(tmp_path):
    for i, picture in enumerate(small_bracket(3, height=60, width=90)[0]):
        write_frame(tmp_path / f"f_{i}.tif", picture)
    result = run("merge", tmp_path, "-o", tmp_path / "o.png", "--report", tmp_path / "p.html",
                 "--method", "detail")  # fmt: skip
    assert result.exit_code == 0, result.output
    reader = Reader((tmp_path / "p.html").read_text("utf-8"))
    assert "could not be measured" in reader.text
    assert reader.json("pictures")["blur"] is None
    assert reader.json("run-data")["page"]["sharp_share"] is None


def test_json_cannot_end_its_element():
    nasty = {"a": "</script><!--", "b": ["\u2028", float("inf")], "c": (1, None)}
    text = str(embed_json(nasty))
    assert not set("<>&\u2028") & set(text)
    assert json.loads(text) == {"a": "</script><!--", "b": ["\u2028", None], "c": [1, None]}


def test_headings_are_escaped_and_sections_are_not():
    page = render_page(
        title="<b>", summary="a & b", sections=[Section("s", "<i>", "<p>kept</p>")], data={}
    )
    assert "<title>&lt;b&gt;</title>" in page
    assert "&lt;i&gt;" in page
    assert "<p>kept</p>" in page


def source_with(profile: bytes | None, transfer: str, channels: int = 3) -> FrameSource:
    return FrameSource(
        Path("f.tif"), "tiff", (4, 4, channels), 16, transfer, profile, CaptureSettings()
    )


def test_wide_colours_are_shown_as_a_screen_needs_them():
    """ITU-R BT.2087-0, table 2: linear BT.709 to BT.2020 (four digits)."""
    to_wide = np.array(
        [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
    )
    wanted = np.array([[200, 40, 90], [30, 160, 60], [128, 128, 128], [20, 60, 220]])
    linear = np.where(
        wanted / 255 <= 0.04045, wanted / 255 / 12.92, ((wanted / 255 + 0.055) / 1.055) ** 2.4
    )
    wide = encode((linear @ to_wide.T).astype(np.float32).reshape(2, 2, 3), "srgb")
    shown = screen_pixels(wide, source_with(metadata.working_profile(), "srgb"))
    assert np.abs(shown.reshape(4, 3).astype(int) - wanted).max() <= 2


def test_frames_are_shown_as_the_merge_samples_them(bracket):
    """In bands, each frame is what `warp_frame` gives in one piece, with its light evened out."""
    stack = find_frames([bracket])
    turn = np.array([[1.01, -0.02, 3.3], [0.02, 1.01, -2.7], [0, 0, 1]])
    moved = FrameRegistration(FrameTransform(turn), gain=1.2, falloff=0.1)
    still = FrameRegistration(FrameTransform(np.eye(3)))
    lost = FrameRegistration(None, reason="foreign")
    registration = Registration((still, lost, moved), 0, "similarity", (160, 240))
    box = (4, 6, 150, 230)
    shown = list(shown_frames(stack, registration, box))
    assert [frame.index for frame in shown] == [0, 2]
    for frame in shown:
        source, place = stack.sources[frame.index], registration.frames[frame.index]
        pixels = equalize_exposure(read_frame(source).pixels, place, "srgb")
        whole = warp_frame(pixels, place.transform, box=box)
        known = ~np.isnan(whole[..., 0])
        assert known[frame.valid].all()
        assert known.mean() - frame.valid.mean() < 0.01
        expected = screen_pixels(np.nan_to_num(whole), source).astype(int)
        assert np.abs(expected - frame.pixels)[frame.valid].max() <= 1
        assert not frame.valid.all() or frame.index == 0


def test_linear_and_grey_pictures_are_shown_as_a_screen_needs_them():
    """IEC 61966-2-1: linear 0.2140 is stored as 0.5, between 127 and 128 of 255."""
    grey = screen_pixels(np.full((2, 2, 1), 0.2140, np.float32), source_with(None, "linear", 1))
    assert grey.shape == (2, 2, 3)
    assert np.unique(grey).tolist() in ([127], [128])


def test_full_size_tiles_go_where_the_frame_is_sharpest_within_the_budget():
    rng = np.random.default_rng(3)
    shape = (1024, 1536)
    choice = np.zeros((64, 96), np.int32)
    choice[:, 48:] = 1
    crop = Crop(0, (600, 1300, 40, 40))
    book = FrameBook(shape, choice, 75, 200, [crop])
    assert book.reduction == 4  # 200 times 1.6 megapixels in 20
    for index in (0, 1):
        pixels = rng.integers(0, 255, (*shape, 3)).astype(np.uint8)
        book.add(ShownFrame(index, pixels, np.ones(shape, bool)))
    every = book.tiles(10**9)
    assert set(every[1]) == {(r, c) for r in range(4) for c in range(3, 6)}
    assert set(every[0]) == {(r, c) for r in range(4) for c in range(3)} | {(2, 5)}
    one = len(every[0][2, 5])
    few = book.tiles(int(3.5 * one))
    assert sum(map(len, few.values())) == 3
    assert (2, 5) in few[0]  # a finding's place comes first
    assert book.shares == {0: 0.5, 1: 0.5}


def test_reduced_frames_keep_to_their_part_of_the_budget_in_heavy_noise():
    rng = np.random.default_rng(6)
    shape = (1000, 1500)
    book = FrameBook(shape, np.zeros((10, 15), np.int32), 75, 60)
    # Noise of 25 of 255 that survives the reduction: far more than a camera's.
    coarse = np.clip(rng.normal(128, 25, (334, 500, 3)), 0, 255).astype(np.uint8)
    noise = np.repeat(np.repeat(coarse, 3, axis=0), 3, axis=1)[: shape[0], : shape[1]]
    book.add(ShownFrame(1, np.ascontiguousarray(noise), np.ones(shape, bool)))
    assert len(book.reduced[1]) <= 0.25 * page_budget(shape) / 60


@pytest.mark.slow
def test_quality_gives_way_to_the_budget(monkeypatch):
    """An eighth of 24 megapixels along each side, for a sixty-fourth of the bytes."""
    budget = page_budget((4000, 6000)) / 64
    monkeypatch.setattr("merge.report.page.pictures.page_budget", lambda shape: budget)
    calm = np.full((500, 750, 3), 128, np.uint8)
    assert choose_quality(calm) == 90
    noise = np.random.default_rng(4).integers(0, 255, calm.shape).astype(np.uint8)
    assert choose_quality(noise) < 75
    assert page_budget((4000, 6000)) == page_budget((40, 60)) < page_budget((6000, 9000))


def test_the_depth_map_is_kept_to_a_thousandth_of_its_range():
    rng = np.random.default_rng(5)
    depth = DepthMap(
        rng.uniform(0, 199, (50, 80)).astype(np.float32), rng.random((50, 80), np.float32)
    )
    stored = encode_depth_map(depth, 199)
    with Image.open(io.BytesIO(stored.png)) as picture:
        channels = np.asarray(picture).astype(float)
    position = (channels[..., 0] * 256 + channels[..., 1]) * stored.step
    assert np.abs(position - depth.position).max() <= 199 / 1024 / 2 + 1e-3
    assert np.abs(channels[..., 2] / 255 - depth.confidence).max() <= 1 / 255


def test_positions_go_to_the_nearest_frame_that_was_used():
    position = np.array([0.0, 1.4, 1.6, 2.4, 2.6, 9.0], np.float32)
    assert nearest_frame(position, [0, 3, 9]).tolist() == [0, 0, 3, 3, 3, 9]


def test_a_composite_takes_each_part_from_its_frame_and_holes_from_the_reference():
    shape, choice = (300, 400), np.zeros((30, 40), np.int32)
    choice[:, 20:] = 1
    composite = SharpestComposite(shape, choice, 0)
    whole, hole = np.ones(shape, bool), np.ones(shape, bool)
    hole[:20] = False
    composite.add(ShownFrame(0, np.full((*shape, 3), 50, np.uint8), whole))
    composite.add(ShownFrame(1, np.full((*shape, 3), 90, np.uint8), hole))
    pixels = composite.pixels()
    assert np.all(pixels[:, :180] == 50)
    assert np.all(pixels[20:, 220:] == 90)
    assert np.all(pixels[:20, 220:] == 50)
    assert pixels[20:].min() == 50  # seams lie between the two
    assert pixels.max() == 90


def axis_with_gap() -> FocusAxis:
    """Three frames at 0, 3 and 15 px; tiles at 1 px, but a block of them in the gap at 9 px."""
    tiles = np.full((50, 75), 1.0)
    tiles[30:36, 50:56] = 9.0
    tiles[:, :3] = np.nan
    return FocusAxis(
        np.array([0.0, 3.0, 15.0]), np.zeros(2), np.zeros(2), tiles, np.ones(tiles.shape), 12
    )


def places_with_gap() -> Places:
    axis = axis_with_gap()
    choice = np.zeros((50, 75), np.int32)
    return Places((20, 30, 560, 860), axis, (0, 1, 2), 2.0, choice, np.ones((50, 75), np.float32))


def test_the_crop_of_a_gap_shows_what_lies_in_it():
    finding = Finding("gap", "problem", "m", frames=(1, 2), box=(0, 0, 600, 900))
    crops = places_with_gap().crops_of(finding)
    assert [crop.frame for crop in crops] == [None, 1, 2]
    row, column, height, width = crops[0].box
    assert (height, width) == CROP_SHAPE
    # The block in pixels of the page's picture, which starts at (20, 30) of the reference frame.
    assert row <= 360 - 20 <= 432 - 20 <= row + height
    assert column <= 600 - 30 <= 672 - 30 <= column + width
    assert row + height <= 560
    assert column + width <= 860


def test_findings_without_a_place_get_no_crop():
    places = places_with_gap()
    assert places.crops_of(Finding("fine steps", "note", "m")) == ()
    assert places.crops_of(Finding("not aligned", "problem", "m", frames=(7,))) == ()


def test_findings_stand_worst_first():
    found = [
        Finding("gap", "warning", "small", value=2.2, threshold=2.0),
        Finding("diffraction", "note", "note"),
        Finding("soft frame", "problem", "soft", value=0.2, threshold=0.8),
        Finding("gap", "problem", "wide", value=6.0, threshold=2.0),
        Finding("not aligned", "problem", "foreign", frames=(3,)),
        Finding("gap", "warning", "larger", value=3.0, threshold=2.0),
    ]
    order = [f.message for f in sorted(found, key=badness)]
    assert order == ["foreign", "soft", "wide", "larger", "small", "note"]


def test_blur_left_is_the_distance_to_the_nearest_frame():
    blur = places_with_gap().blur_px()
    assert blur is not None
    assert np.isnan(blur[0, 0])
    assert blur[10, 20] == 1.0
    assert blur[32, 52] == 6.0
