"""Every report page in a real browser: quiet, self-contained, usable by pointer, keys and voice."""

import json
from contextlib import ExitStack
from functools import lru_cache

import pytest
from browser_pages import (
    HOSTILE,
    PAGES,
    skip_without_browser,
    visit,
    write_pages,
)

pytestmark = pytest.mark.slow  # writing the pages alone takes ten seconds
PICTURE_PAGES = ("merge", "audit")
# Whatever a Tab can stop at. Of radio buttons of one name only the chosen one is a stop.
STOPS = """() => [...document.querySelectorAll(
  'a[href],button,input,select,summary,[tabindex]')].filter((e) => e.tabIndex >= 0 && !e.disabled
  && e.checkVisibility({visibilityProperty: true}) && e.getClientRects().length
  && !(e.type === 'radio' && !e.checked))"""
# Whether what has the focus shows it: by an outline of its own, of its label, or of its mark.
SHOWN = """() => {
  const e = document.activeElement;
  const outlined = (x) => x && getComputedStyle(x).outlineStyle !== 'none'
    && parseFloat(getComputedStyle(x).outlineWidth) >= 1.5;
  const label = e.closest('label');
  const drawn = [...e.querySelectorAll('.hit')].some((h) =>
    getComputedStyle(h).stroke !== 'none' && parseFloat(getComputedStyle(h).strokeWidth) >= 1.5);
  return outlined(e) || outlined(label) || (label && [...label.children].some(outlined)) || drawn;
}"""

# Notes of each stop, once it is reached, whether it shows that.
NOTE_STOPS = """((find, shows) => {
  window.stops = find();
  document.addEventListener('focusin', (event) => { event.target.shown ??= shows(); });
  return stops.length;
})"""


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    skip_without_browser()
    return write_pages(tmp_path_factory.mktemp("pages"))


@pytest.fixture(scope="module")
def opened(browser, pages):
    """Open each page once for the tests that press, point at and switch nothing."""
    with ExitStack() as stack:
        yield lru_cache(lambda name: stack.enter_context(visit(browser, pages[name].path)))


def run_data(page):
    return json.loads(page.locator("#run-data").text_content())


def picture_of(page, canvas):
    """Return a canvas's pixels as text, drawn anew."""
    page.evaluate(
        "() => new Promise((go) => requestAnimationFrame(() => requestAnimationFrame(go)))"
    )
    return page.evaluate("(id) => document.getElementById(id).toDataURL()", canvas)


def settled(page):
    """Wait for the maps of the picture viewer: the readout then tells the sharpest frame."""
    # Not `wait_for_function`: it evaluates text, which the page's policy forbids.
    page.locator("#readout", has_text="sharpest").wait_for()
    page.locator("#viewer[data-pending='0']").wait_for()


@pytest.mark.parametrize("name", PAGES)
def test_a_page_loads_without_complaint_asks_for_nothing_and_carries_its_json(opened, pages, name):
    seen = opened(name)
    seen.page.wait_for_load_state("networkidle")
    assert seen.page.locator("main section h2").count() >= 2
    assert seen.complaints == []
    assert seen.requests == []
    data = run_data(seen.page)
    expected = pages[name].record
    assert expected
    assert {key: data.get(key) for key in expected} == expected


def test_the_check_for_requests_sees_one(browser, tmp_path):
    """The test above could not fail if a request went unseen."""
    page = tmp_path / "asks.html"
    page.write_text("<img src='http://localhost:9/x.png'><img src='beside.png'>", encoding="utf-8")
    with visit(browser, page) as seen:
        seen.page.wait_for_load_state("networkidle")
        assert len(seen.requests) == 2
        assert seen.complaints


@pytest.mark.parametrize("name", PAGES)
def test_nothing_is_wider_than_the_window(opened, name):
    page = opened(name).page
    for width in (360, 390, 820, 1440):
        page.set_viewport_size({"width": width, "height": 800})
        wide = page.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
        assert wide == [width, width]
    # What a mark says when it is visited has room, too.
    page.set_viewport_size({"width": 390, "height": 800})
    widest = page.evaluate(
        """() => Math.max(0, ...[...document.querySelectorAll('.mark')].map((mark) => {
          mark.focus();
          return document.documentElement.scrollWidth;
        }))"""
    )
    assert widest <= 390


@pytest.mark.parametrize("name", PAGES)
def test_an_accessibility_check_finds_nothing_serious(browser, pages, name):
    """axe-core (MPL-2.0), all its rules for WCAG 2 and good practice."""
    from axe_playwright_python.sync_playwright import Axe

    with visit(browser, pages[name].path, width=390) as seen:
        for details in seen.page.locator("details").all():
            details.evaluate("(e) => { e.open = true; }")
        assert serious(Axe().run(seen.page).response["violations"]) == []
        seen.page.emulate_media(color_scheme="dark")
        # Nothing but the colours has changed.
        again = Axe().run(seen.page, options={"runOnly": ["color-contrast"]}).response
        assert again["passes"]
        assert serious(again["violations"]) == []


def test_the_accessibility_check_sees_a_fault(browser, tmp_path):
    from axe_playwright_python.sync_playwright import Axe

    page = tmp_path / "poor.html"
    page.write_text("<p style='color:#ccc;background:#fff'>pale</p><button></button>")
    with visit(browser, page) as seen:
        found = serious(Axe().run(seen.page).response["violations"])
    assert {"color-contrast", "button-name"} <= {rule for rule, *_ in found}


def serious(violations):
    """Return what of axe-core's findings keeps somebody from using the page."""
    return [
        (v["id"], v["impact"], v["nodes"][0]["html"][:200], v["nodes"][0]["failureSummary"])
        for v in violations
        if v["impact"] in {"serious", "critical"}
    ]


@pytest.mark.parametrize("name", PAGES)
def test_tab_reaches_everything_and_shows_where_it_is(browser, pages, name):
    with visit(browser, pages[name].path) as seen:
        page = seen.page
        if name in PICTURE_PAGES:
            settled(page)
        count = page.evaluate(f"{NOTE_STOPS}({STOPS}, {SHOWN})")
        assert count > 3
        for _ in range(count + 5):
            page.keyboard.press("Tab")
        stops = page.evaluate("stops.map((stop) => [stop.outerHTML.slice(0, 160), stop.shown])")
    assert len(stops) == count
    assert [html for html, shown in stops if shown is None] == []  # not reached
    assert [html for html, shown in stops if not shown] == []


@pytest.mark.parametrize("name", ["merge", "audit", "apertures"])
def test_file_names_with_html_in_them_are_harmless(opened, name):
    page = opened(name).page
    page.wait_for_load_state("networkidle")
    assert HOSTILE in page.locator("body").inner_text()
    assert page.title() != "taken"
    assert page.locator("img[src=x],[onerror]").count() == 0
    assert page.evaluate(
        "[...document.querySelectorAll('[aria-label]')]"
        f".some((e) => e.getAttribute('aria-label').includes({json.dumps(HOSTILE)}))"
    )


@pytest.mark.parametrize("name", PICTURE_PAGES)
def test_layers_switch_by_key(browser, pages, name):
    with visit(browser, pages[name].path) as seen:
        page = seen.page
        settled(page)
        chosen = page.locator("input[name=layer]:checked")
        count = page.locator("input[name=layer]").count()
        assert count >= 4
        chosen.focus()
        pictures = [picture_of(page, "canvas")]
        for _ in range(count - 1):
            page.keyboard.press("ArrowRight")
            pictures.append(picture_of(page, "canvas"))
            assert page.locator("#legend").is_visible()
            assert page.locator("#viewer").get_attribute("data-layer") == chosen.input_value()
        assert len(set(pictures)) == count
        page.keyboard.press("ArrowRight")
        assert picture_of(page, "canvas") == pictures[0]


@pytest.mark.parametrize("name", PICTURE_PAGES)
def test_the_loupe_follows_the_pointer_and_compares_any_frame(browser, pages, name):
    with visit(browser, pages[name].path) as seen:
        page = seen.page
        settled(page)
        page.locator("#canvas").scroll_into_view_if_needed()
        box = page.locator("#canvas").bounding_box()
        seen_at = []
        for share in (0.3, 0.7):
            told = page.locator("#readout").inner_text()
            page.mouse.move(box["x"] + share * box["width"], box["y"] + share * box["height"])
            page.wait_for_function(
                "(told) => document.getElementById('readout').innerText !== told", arg=told
            )
            settled(page)
            readout = page.locator("#readout").inner_text()
            seen_at.append(
                (readout, picture_of(page, "loupe-main"), picture_of(page, "loupe-other"))
            )
        for before, after in zip(*seen_at, strict=True):
            assert before != after
        before = seen_at[1][2]
        first = page.locator("#loupe-frame option:not([value=auto])").first.get_attribute("value")
        page.locator("#loupe-frame").select_option(first)
        page.locator(f"#loupe[data-compared='{first}']").wait_for()
        settled(page)
        other = picture_of(page, "loupe-other")
        assert other != before
        page.locator("input[name=loupe-zoom][value='2']").check(force=True)
        settled(page)
        assert picture_of(page, "loupe-other") != other


def test_the_arrows_beside_the_loupe_step_through_the_frames_and_light_nothing(browser, pages):
    with visit(browser, pages["merge"].path) as seen:
        page = seen.page
        settled(page)
        page.locator("#loupe-frame").select_option("0")
        for wanted in ("1", "2"):
            page.locator("[data-step='1']").click()
            assert page.locator("#loupe-frame").input_value() == wanted
            page.wait_for_function(
                "(k) => document.getElementById('loupe').dataset.compared === k", arg=wanted
            )
        page.locator("#loupe-other").hover()
        assert not page.locator("#viewer").get_attribute("data-lit")


def test_a_strip_wider_than_the_page_says_that_there_is_more(browser, pages):
    with visit(browser, pages["merge"].path) as seen:
        page = seen.page
        page.set_viewport_size({"width": 360, "height": 800})
        strip = page.locator(".along:has(#strip)")
        for place, ends in ((0, "after"), (60, "before after"), (100000, "before")):
            strip.evaluate("(e, x) => { e.scrollLeft = x; }", place)
            page.wait_for_function(
                "([e, ends]) => e.dataset.more === ends", arg=[strip.element_handle(), ends]
            )


@pytest.mark.parametrize("visited", ["hover", "focus"])
def test_a_gap_shows_its_place_and_its_frames(browser, pages, visited):
    gap = next(
        f
        for f in pages["audit"].record["findings"]
        if f["kind"] == "gap" and f["severity"] == "problem"
    )
    frames = " ".join(map(str, gap["frames"]))
    with visit(browser, pages["audit"].path) as seen:
        page = seen.page
        settled(page)
        before = picture_of(page, "canvas")
        mark = page.locator(f"#coverage .mark[data-frame='{frames}']")
        mark.locator(".hit").hover() if visited == "hover" else mark.focus()
        assert page.locator("#viewer").get_attribute("data-lit") == frames
        assert picture_of(page, "canvas") != before
        assert f"{gap['value']:.1f} px of blur" in mark.locator(".say").first.text_content()
        assert mark.locator(".say").first.is_visible()
        page.mouse.move(0, 0)
        page.locator("a.skip").focus()
        assert page.locator("#viewer").get_attribute("data-lit") == ""


def test_numbers_of_the_audit_are_those_of_its_json(opened):
    page, data = opened("audit").page, run_data(opened("audit").page)
    text = page.locator("main").inner_text()
    for finding in data["findings"]:
        if finding["severity"] != "note":
            assert finding["message"] in text
    for index, position in zip(
        data["focus_axis"]["frames"], data["focus_axis"]["positions_px"], strict=True
    ):
        label = page.locator(f"#coverage .mark[data-frame='{index}'][aria-label^='Frame']")
        assert f"at {position:.1f} px" in label.get_attribute("aria-label")
    for s in data["slices"]:
        label = page.locator(f"#limits .mark[data-frame='{s['frame']}']")
        pixel = f"pixel {100 * s['pixel_contrast']:.0f} %"
        assert pixel in label.get_attribute("aria-label")


def test_numbers_of_the_series_are_those_of_its_json(browser, pages):
    with visit(browser, pages["apertures"].path) as seen:
        page, data = seen.page, run_data(seen.page)
        rows = page.locator("#why table").last.locator("tbody tr")
        assert rows.count() == len(data["frames"])
        for row, frame in zip(rows.all(), data["frames"], strict=True):
            cells = row.locator("th,td").all_inner_texts()
            assert cells[0] == frame["name"]
            assert cells[1] == f"f/{frame['f_number']:.2g}"
            assert cells[2] == f"{100 * frame['contrast']:.1f} %"
            assert cells[5] == (frame["fault"] or ("sharpest" if "sharpest" in cells[5] else ""))
        assert f"f/{data['set']['picture']:.2g}" in page.locator(".summary").inner_text()
        crops = page.locator(".series img")
        assert crops.count() >= 3 * len(data["frames"])
        shown = crops.first.evaluate("(e) => [e.clientWidth, e.naturalWidth]")
        assert shown[0] == shown[1]  # 100 %: a pixel of the frame for one of the screen
        page.locator("#size-200").check()
        assert crops.first.evaluate("(e) => e.clientWidth") == 2 * shown[1]


def test_a_fine_screen_shows_crops_pixel_for_pixel(browser, pages):
    with visit(browser, pages["apertures"].path, device_scale_factor=2) as seen:
        shown = seen.page.locator(".series img").first.evaluate(
            "(e) => [e.clientWidth * devicePixelRatio, e.naturalWidth]"
        )
        assert shown[0] == shown[1]


def test_numbers_of_the_plan_are_those_of_its_json(opened):
    page, data = opened("plan").page, run_data(opened("plan").page)
    rows = page.locator("#focus table tbody tr")
    assert rows.count() == data["chosen"]["frames"] == len(data["positions"])
    for row, position in zip(rows.all(), data["positions"], strict=True):
        shown = row.locator("td").nth(1).inner_text()
        assert float(shown.removesuffix(" m")) == pytest.approx(
            position["focus_mm"] / 1000, rel=0.005
        )
    assert data["caution"] in page.locator(".caution").inner_text()
    assert f"f/{data['chosen']['f_number']:g}" in page.locator(".summary").inner_text()


@pytest.mark.parametrize("name", PAGES)
def test_a_page_prints_and_reads_without_its_script(browser, pages, name):
    with visit(browser, pages[name].path, java_script_enabled=False) as seen:
        page = seen.page
        page.emulate_media(media="print")
        if name in {"merge", "plan"}:
            assert page.pdf(format="A4").startswith(b"%PDF")
        # A printed plan is one page: its numbers stand in the table, without the second chart.
        charts = page.locator("svg.chart").all()
        for chart in charts[:1] if name in {"plan", "plan-rail"} else charts:
            assert chart.is_visible()
            assert chart.bounding_box()["height"] > 60
        if name in PICTURE_PAGES:
            assert page.locator("#overview").is_visible()
        assert not page.locator(".js-only").first.is_visible()
