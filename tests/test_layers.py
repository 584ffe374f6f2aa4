"""Imports point down: cli → report → pipeline → stages → base."""

import ast
from functools import cache
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "merge"
STAGES = {
    "read", "metadata", "sort", "align", "focus", "axis", "depth",
    "blend", "defects", "diagnose", "apertures", "moving", "write", "plan", "edits",
}  # fmt: skip
BASE = {
    "allocator", "atomic", "blank", "compiled", "demo", "disks", "encoding", "errors",
    "finding_kinds", "gaussian", "json_files", "model", "naming", "optics", "printable", "pyramid",
    "records", "resizing", "rising", "samples", "scratch", "significance", "threads", "tiles",
}  # fmt: skip
LAYER = (
    {name: 1 for name in BASE}
    | {name: 2 for name in STAGES}
    | {"pipeline": 3, "report": 4, "review": 5, "cli": 6}
)
# Third-party modules that one module of ours alone may import.
SOLE_IMPORTER = {
    "rawpy": "read",
    "pillow_heif": "read",
    "exifread": "metadata",
    "click": "cli",
    "numba": "compiled",
}
# (importer, imported) pairs that break the arrow rule on purpose, each with its reason.
EXCEPTIONS: dict[tuple[str, str], str] = {
    ("read", "metadata"): "a frame's header is read once, with its settings",
    ("write", "metadata"): "a file is written once, with its metadata",
}


def module_of(path: Path) -> str:
    relative = path.relative_to(PACKAGE)
    return relative.parts[0].removesuffix(".py")


@cache
def imports_of(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import; write 'from merge…'"
            names.add(node.module or "")
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


SOURCES = [p for p in sorted(PACKAGE.rglob("*.py")) if p.name != "__main__.py"]


def own_arrows(path: Path) -> set[tuple[str, str]]:
    here = module_of(path)
    if here == "__init__":
        return set()
    targets = {n.split(".")[1] for n in imports_of(path) if n.startswith("merge.")}
    return {(here, t) for t in targets if t in LAYER and t != here}


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_down(path):
    if module_of(path) != "__init__":
        assert module_of(path) in LAYER, f"{path}: give this module a layer"
    for here, target in own_arrows(path) - set(EXCEPTIONS):
        if here in BASE:
            assert target in BASE, f"{path} imports {target}"
            assert here not in {"errors", "optics"}, f"{path} imports {target}"
        else:
            assert LAYER[target] < LAYER[here], f"{path} imports {target}"


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_wrapped_library_is_imported_in_its_one_module(path):
    for name in imports_of(path):
        owner = SOLE_IMPORTER.get(name.split(".")[0])
        assert owner in {None, module_of(path)}, f"{path} imports {name}"


def test_every_exception_is_still_used():
    used = set().union(*(own_arrows(path) for path in SOURCES))
    assert set(EXCEPTIONS) <= used
