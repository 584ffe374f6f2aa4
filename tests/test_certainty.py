"""How sure a sort says it is, against how often it was right on cards that it was not fitted to."""

import itertools
import json
from pathlib import Path

import numpy as np
import pytest

from merge.sort.certainty import certainty_of

MEASURED = Path(__file__).parent / "benchmarks" / "results" / "sort-margins.json"
# Fewer groups in a class tell nothing within five points.
FEWEST = 50


@pytest.fixture(scope="module")
def measured():
    """Return margins and whether the groups were right, of seeds that nothing was fitted to."""
    data = json.loads(MEASURED.read_text(encoding="utf-8"))
    return np.array(data["groups"], float).T


def test_certainty_is_within_five_points_of_what_was_right(measured):
    margins, right = measured
    said = np.array([certainty_of(m) for m in margins])
    classes = 0
    for low, high in itertools.pairwise((0.0, 0.9, 0.98, 1.0)):
        part = (said >= low) & (said < high)
        if part.sum() >= FEWEST:
            classes += 1
            assert abs(said[part].mean() - right[part].mean()) <= 0.05, (low, part.sum())
    assert classes >= 2
    assert len(margins) > 1000


def test_what_is_unsure_is_more_often_wrong(measured):
    margins, right = measured
    unsure = np.array([certainty_of(m) < 0.9 for m in margins])
    assert right[unsure].mean() < 0.8 < 0.95 < right[~unsure].mean()


def test_certainty_grows_with_the_margin():
    said = [certainty_of(m) for m in np.linspace(0, 20, 400)]
    assert said == sorted(said)
    assert 0 < said[0] < 0.5 < said[-1] < 1
