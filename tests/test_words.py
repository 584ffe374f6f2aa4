"""Words that readers stumbled over stay out of what the program says."""

import ast
import re
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
STUMBLED = (
    r"not to be told from",
    r"reckoned",
    r"[Vv]isit a frame",
    r"lead to expect",
    r"of the energy (of|that)",
    r"agrees with no neighbour",
    r"needed \{?\w*CORRELATION",
    r"finer than needed",
    r"\ba f-number",
    r"without either",
)


def said_texts(tree):
    """Yield every text of a module but docstrings, f-strings in one piece."""
    docs = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            yield ast.unparse(node)
        elif (
            isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs
        ):
            yield node.value


@cache
def all_texts():
    """Return (file, text) of all that is said anywhere."""
    texts = [
        (path.name, text)
        for path in sorted((ROOT / "merge").rglob("*.py"))
        for text in said_texts(ast.parse(path.read_text(encoding="utf-8")))
    ]
    pages = [p for p in (ROOT / "merge").rglob("*") if p.suffix in {".j2", ".js"}]
    return texts + [(p.name, p.read_text(encoding="utf-8")) for p in [*pages, ROOT / "README.md"]]


@pytest.mark.parametrize("words", STUMBLED)
def test_what_is_said_avoids_words_that_readers_stumbled_over(words):
    assert [(name, words) for name, text in all_texts() if re.search(words, text)] == []


def test_the_check_sees_a_text_in_two_parts():
    """Texts that the compiler joins are looked at joined."""
    tree = ast.parse(
        "def f():\n    'not to be told from'\n    return f'not to ' 'be told from {f}'"
    )
    assert [t for t in said_texts(tree) if "not to be told from" in t]
    assert sum("not to be told from" in t for t in said_texts(tree)) < 3
