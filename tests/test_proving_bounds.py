"""Default merges of the checking half stay as near to the truth as they have been measured.

Scored against what choosing every pixel by the true depth gives, with the same true placement. No
constant of the product may be chosen on these brackets.
"""

from __future__ import annotations

import numpy as np
import proving_data
import pytest
from proving_scores import Scored, choice_by_true_depth, hard_rims, prepare

from merge import find_frames, merge_stack

# dB over the choice by true depth that must not be lost: all pixels, depth edges (None: too few).
FLOORS: dict[str, tuple[float, float | None]] = {
    "harbour-16mm-raw": (-0.3, None),
    "ridge-meadow-20mm": (0.2, 0.7),
    "foggy-path-16mm": (0.0, None),
    "market-stall-50mm": (-0.2, 1.9),
    "watchworks-1to1": (5.8, 8.7),
    "thistle-1to2": (3.0, 3.0),
    "gnat-3to1-rail": (-0.8, -0.5),
    "fern-35mm-windy": (2.2, 3.0),
    "lichen-1to1-60": (1.4, 1.6),
}
FAST = "harbour-16mm-raw"
# Pixels in 10,000 with an edge that no frame has near there (at most 0.1 measured).
MOST_RIMS = 0.5


def margins(name: str) -> tuple[float, float | None, float]:
    scored, _ = prepare(proving_data.load(name))
    result = merge_stack(find_frames(scored.bracket.folder))
    auto = scored.psnr(result.pixels, result.origin)
    choice = scored.psnr(choice_by_true_depth(scored))
    edges = None if auto["edges"] is None else auto["edges"] - choice["edges"]
    rims = 1e4 * float(hard_rims(scored, result.pixels, result.origin).mean())
    whole = auto["all"] - choice["all"]
    print(f"{name}: {auto}, over the choice {whole:+.2f}, edges {edges}, rims {rims:.2f}")
    return whole, edges, rims


def check(name: str) -> None:
    whole, edges, rims = margins(name)
    assert rims < MOST_RIMS
    floor, edge_floor = FLOORS[name]
    assert whole > floor
    if edge_floor is not None:
        assert edges > edge_floor


def test_every_checking_bracket_has_a_bound():
    assert set(FLOORS) == set(proving_data.names("checking"))


@pytest.mark.parametrize("step", [0.0, 0.06])
def test_a_rim_is_an_edge_that_no_frame_has(step):
    """Two noisy frames with a ramp and one edge; the picture has another edge, or none."""
    rng = np.random.default_rng(3)
    ramp = np.linspace(0.3, 0.5, 120, dtype=np.float32)[None, :, None] * np.ones((90, 1, 3))
    ramp[:, 80:] += 0.2
    frames = [(ramp + 0.01 * rng.standard_normal(ramp.shape)).astype(np.float32) for _ in "ab"]
    picture = frames[1].copy()
    picture[:, 40:60] += np.float32(step)
    everywhere = np.ones((90, 120), bool)
    scored = Scored(None, frames, everywhere, ~everywhere)
    rim = hard_rims(scored, picture)
    assert not rim[:, 65:].any()
    assert not rim[:, :35].any()
    assert rim[12:-12, 38:43].any(axis=1).mean() > 0.5 if step else not rim.any()


def test_two_raw_frames_reach_their_bound():
    check(FAST)


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in FLOORS if name != FAST])
def test_bracket_reaches_its_bound(name):
    check(name)
