"""Means with errors from blocks of tiles, spreads between frames, and limits for many tries."""

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import isotonic_regression

from merge.rising import longest_rise, rising_fit
from merge.significance import (
    FALSE_WARNINGS,
    excess_spread,
    learned_spread,
    proof_limit,
    robust_mean,
    score,
    tile_blocks,
    vector_chance,
    vector_limit,
    vector_spread,
)


def test_limit_for_many_tries_leaves_one_false_warning_in_fifty_brackets():
    """Eight kinds of verdicts of 40 frames each, all by chance: normal tail by scipy.stats."""
    alone = stats.norm.sf(proof_limit(40))
    assert 1 - (1 - alone) ** (8 * 40) == pytest.approx(FALSE_WARNINGS, rel=0.02)


def test_error_of_a_mean_covers_blocks_that_err_together():
    """400 means of 30 blocks of 12 tiles; each block shares an error as large as its tiles' own."""
    rng = np.random.default_rng(4)
    blocks = np.repeat(np.arange(30), 12)
    ratios = []
    for _ in range(400):
        values = rng.standard_normal(360) + rng.standard_normal(30)[blocks]
        mean, error, count = robust_mean(values, blocks)
        assert count == 30
        ratios.append(mean / error)
    assert np.std(ratios) == pytest.approx(1, abs=0.1)


def test_mean_of_tiles_withstands_a_few_that_lie_far_off():
    rng = np.random.default_rng(5)
    values = 2 + 0.1 * rng.standard_normal(200)
    values[:20] += 50
    assert robust_mean(values, np.arange(200) // 5)[0] == pytest.approx(2, abs=0.03)


def test_one_block_proves_nothing():
    assert robust_mean(np.ones(40), np.zeros(40, int))[1] == np.inf


def test_tiles_of_six_by_six_are_one_block():
    blocks = tile_blocks((13, 12)).reshape(13, 12)
    assert len(np.unique(blocks)) == 6
    assert len(np.unique(blocks[:6, :6])) == 1


@pytest.mark.parametrize("parts", [1, 2])
def test_spread_beyond_errors_is_found_and_none_is_invented(parts):
    rng = np.random.default_rng(6)
    errors = np.full(4000, 0.5)
    for true in (0.0, 1.2):
        own = rng.standard_normal((4000, parts)) * np.hypot(0.5, true)
        lengths = np.linalg.norm(own, axis=1)
        assert excess_spread(lengths, errors, parts=parts) == pytest.approx(true, abs=0.12)


def test_few_frames_learn_little_and_many_learn_all():
    assert learned_spread(0.0, 1, 0.05)[0] == pytest.approx(0.05)
    assert learned_spread(0.2, 10_000, 0.05)[0] == pytest.approx(0.2, rel=0.01)


def test_scores_are_as_rare_as_the_deviates_they_come_from():
    """Student's t and the F distribution by scipy.stats."""
    assert stats.norm.sf(score(np.array([4.0]), 6)[0]) == pytest.approx(stats.t.sf(4.0, 6))
    assert vector_chance(3.0, 5) == pytest.approx(stats.f.sf(4.5, 2, 10))
    assert score(np.array([-2.0]), 9)[0] < 0


def test_the_limit_of_a_vector_is_passed_as_rarely_as_said():
    """Alone, with many degrees: 1 in 400 (1/50 over eight kinds); Rayleigh's distribution."""
    limit = vector_limit(1, 10_000)
    assert stats.rayleigh.sf(limit) == pytest.approx(1 / 400, rel=0.02)
    assert vector_limit(10, 4) > vector_limit(10, 40) > limit


def test_the_spread_of_vectors_is_that_of_either_part():
    moves = np.random.default_rng(8).normal(0, 0.7, (4000, 2))
    assert vector_spread(np.linalg.norm(moves, axis=1)) == pytest.approx(0.7, rel=0.05)


def test_rising_fit_is_the_isotonic_regression_of_scipy():
    rng = np.random.default_rng(8)
    for count in (1, 2, 7, 40):
        values, weights = rng.standard_normal(count), rng.uniform(0.01, 5, count)
        expected = isotonic_regression(values, weights=weights).x
        np.testing.assert_allclose(rising_fit(values, weights), expected, atol=1e-12)
    np.testing.assert_array_equal(rising_fit(np.zeros(5), np.ones(5)), np.zeros(5))


def test_the_longest_row_that_rises_leaves_out_what_moved():
    assert longest_rise(np.array([0.0, 4.0, 1987.0, 8.0, 12.0, 2.0, 16.0])) == [0, 1, 3, 4, 6]
    assert longest_rise(np.arange(5.0)) == [0, 1, 2, 3, 4]
