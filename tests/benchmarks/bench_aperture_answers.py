"""Answers about sixty aperture series of scenes with depth, against their truth.

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_aperture_answers.py [NUMBER…]``; with
numbers those series only (0 to 59).
"""

from __future__ import annotations

import math
import sys

import numpy as np
from aperture_depth_scenes import BLOCK, FieldSeries, field_series, sixty_depth_series
from bench_helpers import kept_results
from scipy.ndimage import map_coordinates
from test_apertures import assess

from merge.apertures import ApertureReport, choose_tiles, region_masks


def part_losses(series: FieldSeries, report: ApertureReport) -> list[float]:
    """Return the share of the best contrast that the f-number said for each part loses."""
    grid = choose_tiles(series.frames[len(series.frames) // 2])
    at = ((grid.corners + grid.tile_px / 2) / BLOCK - 0.5).T
    contrast = np.stack(
        [
            map_coordinates(c, at, order=1, mode="nearest")
            for c in np.moveaxis(series.contrast, 2, 0)
        ],
        axis=1,
    )
    seen = map_coordinates(series.textured.astype(float), at, order=0, mode="nearest") > 0.5
    masks = region_masks(grid)
    losses = []
    for region in report.regions:
        inside = masks[region.name] & seen
        if region.name != "whole picture" and inside.sum() >= 5:
            mean = contrast[inside].mean(axis=0)
            losses.append(float(1 - mean[region.best] / mean.max()))
    return losses


def main() -> None:
    chosen = [int(a) for a in sys.argv[1:]] or list(range(60))
    whole, parts, off = [], [], []
    for k, settings in enumerate(sixty_depth_series()):
        if k not in chosen:
            continue
        series = field_series(**settings)
        report = assess(series)
        truth = series.whole()
        whole.append(float(1 - truth[report.best] / truth.max()))
        parts += part_losses(series, report)
        span = np.ptp(series.blur_px[series.textured]) * 8 / report.in_focus_f_number
        frames = max(1, math.ceil(span / (2 * report.tolerance_px) - 1e-9))
        off.append(abs(report.frames_needed - frames))
        print(
            f"{k:2} {settings['kind']:8} {settings['reach']:4.0f} px: whole loses "
            f"{100 * whole[-1]:.1f} %, {report.frames_needed} frames ({frames} true)",
            flush=True,
        )
    within = np.mean(np.array(parts) <= 0.03)
    good = int(np.sum(np.array(whole) <= 0.03))
    print(
        f"whole within 3 % of the best contrast: {good} of {len(whole)}; "
        f"parts: {100 * within:.1f} % of {len(parts)}; frames within one: "
        f"{np.sum(np.array(off) <= 1)} of {len(off)}"
    )


if __name__ == "__main__":
    with kept_results(__file__):
        main()
