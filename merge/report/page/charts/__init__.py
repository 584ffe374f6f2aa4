"""Charts of a report page, each a string of inline SVG.

Written directly rather than by a plotting library: a chart is then a few kilobytes instead of
tens, takes the page's colours in light and dark, keeps its text readable on a phone and carries
marks that keyboard and screen reader can visit.
"""

from merge.report.page.charts.by_f_number import (
    contrast_chart,
    edge_chart,
    plan_contrast_chart,
    region_chart,
)
from merge.report.page.charts.coverage import coverage_chart
from merge.report.page.charts.focus import focus_chart
from merge.report.page.charts.frames import frame_trends_chart, limits_chart
from merge.report.page.charts.where import where_key, where_map
