"""The table of findings against the code that makes and reads them."""

from __future__ import annotations

import ast
from pathlib import Path

from merge.finding_kinds import FINDING_KINDS

PACKAGE = Path(__file__).parents[1] / "merge"


def made_kinds() -> dict[str, str]:
    """Return every kind that a ``Finding(…)`` of ours is given, and where."""
    found = {}
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding"):
                continue
            given = [keyword.value for keyword in node.keywords if keyword.arg == "kind"]
            for value in given or node.args[:1]:
                if isinstance(value, ast.Constant):
                    found[value.value] = f"{path.name}:{node.lineno}"
    return found


def test_every_finding_that_is_made_stands_in_the_table_and_the_other_way_round():
    made = made_kinds()
    assert len(made) > 20
    assert {kind: place for kind, place in made.items() if kind not in FINDING_KINDS} == {}
    assert set(FINDING_KINDS) - set(made) == set()


def test_what_was_missed_has_a_place():
    assert all(facts.placed for facts in FINDING_KINDS.values() if facts.hole or facts.on_axis)
