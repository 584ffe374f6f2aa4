"""The review driven as a person would: card, check, merge, repair, undo, save."""

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from test_review import write_card

from merge.cli import main
from merge.read import probe_frame, read_samples

pytestmark = pytest.mark.slow
NAME = "focus-bracket-CARD_0001"


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """Start the command on a card of two brackets; return its start address and its folder."""
    folder = tmp_path_factory.mktemp("review")
    write_card(folder / "card", brackets=2)
    command = [sys.executable, "-m", "merge", "review", str(folder / "card"), "--no-browser"]
    server = subprocess.Popen(
        [*command, "--into", str(folder / "out")],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[1],
    )
    yield re.search(r"http\S+", server.stdout.readline())[0], folder
    server.terminate()
    assert server.wait(timeout=60) in (0, 143)
    server.stdout.close()


@pytest.fixture
def page(browser, address):
    context = browser.new_context(viewport={"width": 1200, "height": 900}, bypass_csp=True)
    opened = context.new_page()
    complaints = []
    opened.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
    opened.on("pageerror", lambda error: complaints.append(str(error)))
    # The first merge after installing compiles loops: a minute on busy cores.
    opened.set_default_timeout(240_000)
    opened.goto(address[0])
    yield opened
    context.close()
    assert complaints == []


def candidates_at(page, x, y):
    """Click a place of the picture, in shares of its width and height; return the candidates."""
    ready(page)
    page.locator("#canvas").scroll_into_view_if_needed()
    book = page.evaluate("JSON.parse(document.getElementById('pictures').textContent)")
    box = page.locator("#canvas").bounding_box()
    scale = min(box["width"] / book["width"], box["height"] / book["height"])
    left = box["x"] + (box["width"] - book["width"] * scale) / 2
    top = box["y"] + (box["height"] - book["height"] * scale) / 2
    page.mouse.click(left + x * book["width"] * scale, top + y * book["height"] * scale)
    page.locator("#main[data-waiting='']").wait_for()
    page.locator(".candidate").first.wait_for()
    return page.locator(".candidate")


def ready(page):
    """Wait until a merge's page knows its edits, takes keys and shows its pictures."""
    page.locator("#main[data-ready=yes]").wait_for()
    page.locator("#viewer[data-pending='0']").wait_for()


def open_look(page):
    """Go from the groups to the first bracket's merge, which is made where it is not there."""
    group = page.locator(".group", has_text=NAME)
    group.get_by_role("button", name=re.compile("Merge")).wait_for()
    if not group.get_by_role("link", name="Look and repair").is_visible():
        group.get_by_role("button", name=re.compile("Merge")).click()
    group.get_by_role("link", name="Look and repair").click()
    ready(page)


def edits_of(page):
    return page.locator("#edits li")


def test_from_a_card_to_a_repaired_picture_without_typing(page, address):
    folder = address[1]
    group = page.locator(".group", has_text=NAME)
    group.get_by_role("button", name="Check").click()
    group.get_by_text("Check: done").wait_for()
    group.get_by_role("button", name="Merge").click()
    # A page that is loaded anew in the middle of it shows the same work.
    page.reload()
    group.get_by_role("link", name="Look and repair").click()

    for count, (x, y) in enumerate(((0.15, 0.4), (0.6, 0.5))):
        found = candidates_at(page, x, y)
        found.nth(1).hover()
        found.nth(1).click()
        page.locator("#candidates").wait_for(state="hidden")
        edits_of(page).nth(count).wait_for()
    page.locator("#undo").click()
    edits_of(page).nth(1).wait_for(state="detached")
    assert edits_of(page).count() == 1
    assert page.locator("#redo").is_enabled()
    target = folder / "out" / f"{NAME}.tif"
    before = read_samples(probe_frame(target))[0].copy()
    page.keyboard.press("s")
    page.get_by_text(f"{NAME}.tif is up to date").wait_for()

    saved = read_samples(probe_frame(target))[0].copy()
    assert not np.array_equal(saved, before)
    record = json.loads(target.with_suffix(".json").read_text(encoding="utf-8"))
    assert len(record["edits"]) == 1
    frames = sorted((folder / "card").iterdir())[:4]
    edits = target.with_name(f"{NAME}.edits.json")
    command = ["merge", *frames, "-o", folder / "again.tif", "--edits", edits]
    result = CliRunner().invoke(main, [str(c) for c in command])
    assert result.exit_code == 0, result.output
    assert np.array_equal(read_samples(probe_frame(folder / "again.tif"))[0], saved)

    other = page.context.new_page()  # a second tab sees what the first one did
    other.goto(page.url)
    edits_of(other).first.wait_for()
    other.locator("#before").click()
    assert other.locator("#before").get_attribute("aria-pressed") == "true"


def test_keys_alone_reach_a_repair(page):
    open_look(page)
    page.locator("#canvas").focus()
    page.keyboard.press("r")
    page.locator(".candidate").first.wait_for()
    page.keyboard.press(".")
    page.locator("#main[data-waiting='']").wait_for()
    page.keyboard.press("Escape")
    page.locator("#candidates").wait_for(state="hidden")


def test_a_key_pressed_before_the_page_can_act_on_it_is_not_lost(page):
    open_look(page)
    page.goto("about:blank")
    held = []
    page.route("**/look.js", lambda route: held.append(route))
    page.go_back(wait_until="commit")
    page.locator("#canvas").wait_for(state="attached")
    page.keyboard.press("r")
    while not held:
        page.wait_for_timeout(20)
    assert page.locator("#main").get_attribute("data-ready") is None
    held[0].continue_()
    page.locator(".candidate").first.wait_for()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nobody_is_kept_out(page, scheme):
    """Rules of WCAG 2.2 as axe-core checks them."""
    from axe_playwright_python.sync_playwright import Axe

    page.emulate_media(color_scheme=scheme)
    page.locator(".group").first.wait_for()
    for step in (lambda: None, lambda: open_look(page), lambda: candidates_at(page, 0.5, 0.5)):
        step()
        found = Axe().run(page).response["violations"]
        assert [(v["id"], v["nodes"][0]["html"]) for v in found] == []
