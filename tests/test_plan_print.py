"""A plan on paper: one page, with every frame to tick off."""

import re
from dataclasses import replace

import pytest
from browser_pages import visit
from test_plan import LANDSCAPE, MACRO

from merge.plan import PlanRequest, plan_bracket
from merge.report.page.plan_page import plan_page
from merge.report.plan import plan_record

MANY = PlanRequest(
    pixel_pitch_um=3.76, tolerance_px=2.0, focal_length_mm=105.0, near_mm=450.0, depth_mm=30.0,
    f_number=4.0, exposure_s=0.5, exposure_f_number=4.0,
)  # fmt: skip
PLANS = {
    "landscape": LANDSCAPE,
    "rail": MACRO,
    "rail, two lists": replace(MACRO, frames=36),
    "rail, every tenth": replace(MACRO, depth_mm=30.0),
    "six lists": MANY,
}


@pytest.mark.slow
@pytest.mark.parametrize("name", PLANS)
def test_a_plan_is_printed_on_one_page_with_its_table_whole(browser, tmp_path, name):
    plan = plan_bracket(PLANS[name])
    path = tmp_path / "plan.html"
    path.write_text(plan_page(plan, plan_record(plan)), encoding="utf-8")
    with visit(browser, path) as seen:
        page = seen.page
        margin = dict.fromkeys(("top", "bottom", "left", "right"), "1cm")
        for paper in ("A4", "Letter"):
            pdf = page.pdf(format=paper, margin=margin)
            assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1, paper
        page.emulate_media(media="print")
        rows = page.locator("#focus tbody tr")
        every_tenth = name == "rail, every tenth"
        frames = plan.chosen.frames
        assert rows.count() == (len({*range(0, frames, 10), frames - 1}) if every_tenth else frames)
        # The width of A4, the narrower, less its margins: nothing of a table hangs over.
        page.set_viewport_size({"width": 718, "height": 1000})
        right = max(
            box["x"] + box["width"]
            for box in (t.bounding_box() for t in page.locator("#focus table").all())
        )
        assert right <= page.viewport_size["width"] + 1
        assert not page.locator("#stops").is_visible()
