"""Two hundred damaged files in the normal suite; thousands by campaign.py beside this."""

from collections import Counter

import campaign
import pytest
from campaign import is_bad, plan_jobs, run_jobs
from mutants import KINDS, make_mutant, seeds

from merge.read import probe_frame, read_frame

COUNT = 200


@pytest.mark.slow
def test_damaged_files_are_read_right_or_refused_in_one_line():
    answers = list(run_jobs(plan_jobs(COUNT, seed=2031)))
    assert [a for a in answers if is_bad(a)] == []
    outcomes = Counter((a["kind"], a["outcome"]) for a in answers)
    assert {kind for kind, _ in outcomes} == set(KINDS)
    # Else the mutants are all alike, or nothing is looked at.
    assert sum(n for (_, word), n in outcomes.items() if word == "refused") > COUNT // 4
    assert sum(n for (_, word), n in outcomes.items() if word == "read") > COUNT // 8


def test_a_mutant_is_made_again_from_its_numbers():
    for kind, seed, number in plan_jobs(50, seed=3):
        assert make_mutant(kind, seed, number) == make_mutant(kind, seed, number)


def test_whole_files_are_read(tmp_path):
    """Else every mutant of a kind is refused, and nothing is tested."""
    for kind in ("jpeg", "png", "tiff", "dng"):
        for data in seeds()[kind]:
            path = tmp_path / "a"
            path.write_bytes(data)
            assert read_frame(probe_frame(path)).pixels.std() > 0.1


def test_a_crash_and_a_wrong_picture_are_counted(monkeypatch):
    """A check that cannot fail is none: the child dies, and reads wrongly."""

    class Fake:
        answers = iter([None, {"outcome": "read", "text": "WRONG: x"}])

        def ask(self, job):
            return next(self.answers)

        def close(self):
            return -11

    monkeypatch.setattr(campaign, "_Child", Fake)
    answers = list(run_jobs(plan_jobs(2, seed=1)))
    assert all(is_bad(a) for a in answers)
    assert answers[0]["text"] == "died, code -11"
