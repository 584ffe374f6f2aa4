"""Public functions say what they take, give and refuse, as numpydoc lays it out."""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import re
import textwrap
from collections.abc import Callable, Iterator
from typing import Any

import pytest

import merge


def public() -> Iterator[tuple[str, Callable[..., Any]]]:
    """Yield the functions that packages list in ``__all__`` or else import, once each."""
    packages = [merge] + [
        importlib.import_module(found.name)
        for found in pkgutil.walk_packages(merge.__path__, "merge.")
        if found.ispkg
    ]
    seen = set()
    for package in packages:
        for name in getattr(package, "__all__", sorted(vars(package))):
            thing = getattr(package, name)
            own = inspect.isfunction(thing) and thing.__module__.startswith("merge.")
            if own and not name.startswith("_") and thing not in seen:
                seen.add(thing)
                yield f"{thing.__module__}.{name}", thing


FUNCTIONS = dict(public())
# What tells an array's shape: itself, by another's, or that numbers do as well.
SHAPE = re.compile(r"\([\w ,./]+\)|same shape|As |(float|int) or ndarray")


def sections(thing: Callable[..., Any]) -> dict[str, str]:
    """Return the text under every underlined heading of a docstring."""
    text = inspect.getdoc(thing) or ""
    parts = re.split(r"^(\w[\w ]*)\n-{3,}\n", text, flags=re.M)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def entries(section: str) -> dict[str, str]:
    """Return what stands at each name of a section: its type, and the lines below it."""
    found = re.findall(r"^(\S[^\n]*)\n((?:[ \t]+[^\n]*\n?|\n)*)", section + "\n", flags=re.M)
    told = {}
    for head, body in found:
        names, _, kind = head.partition(" : ")
        for name in names.split(","):
            told[name.strip().lstrip("*")] = f"{kind} {body}"
    return told


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_public_function_says_what_it_takes_gives_and_refuses(name):
    thing = FUNCTIONS[name]
    text, told, signature = inspect.getdoc(thing) or "", sections(thing), inspect.signature(thing)
    parameters = entries(told.get("Parameters", ""))
    if parameters or len(signature.parameters) > 2:
        assert sorted(parameters) == sorted(signature.parameters)
    for parameter, one in signature.parameters.items():
        if re.search(r"\b\w*Array\b", str(one.annotation)):
            words = parameters.get(parameter, text)
            assert re.search(r"(float|int) or ndarray|\([\w ,./]+\)|same shape|As ", words), (
                parameter
            )
    if signature.return_annotation not in {None, "None", "Iterator[None]"}:
        assert {"Returns", "Yields"} & set(told) or re.search(
            "[Rr]eturn|Yield", text.partition("\n")[0]
        )
    body = ast.parse(textwrap.dedent(inspect.getsource(thing)))
    if any(isinstance(node, ast.Raise) and node.exc is not None for node in ast.walk(body)):
        assert "Raises" in told
