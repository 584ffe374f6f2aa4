"""What each constant of the stages is worth on the tuning half: halved and doubled, one by one.

    PYTHONPATH=.:tests python tests/benchmarks/bench_sensitivity.py STAGE [STAGE ...]
        [--brackets NAME ...] [--whole]

STAGE: depth, blend, moving, axis, diagnose, align, defects. What a stage needs is computed once;
only what follows the constant runs again: depth, blend and moving from the first reading on (dB by
region), axis from the tiles' energies (error of steps, share of the true ones), diagnose from the
axis (findings), align and defects from the files (px, dB). Findings are those of the bracket as it
is and, unless ``--whole``, without a frame, with one twice, with two swapped and with one soft.
Constants inside compiled loops are frozen there and only listed; of those that others are computed
from at import only the own use is tried.

A constant that is worth less than 0.05 dB, 0.02 px, 1 % of a step and no finding, halved and
doubled, should go away or be derived.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import dataclasses
import functools
import importlib
import sys
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any
from unittest import mock

import numpy as np
import proving_data
from bench_helpers import kept_results
from proving_scores import REGIONS, Scored, prepare, transform_error

import merge
from merge import MergeOptions, find_frames
from merge.pipeline import first_pass as first_pass_module
from merge.pipeline import merging, ordering
from merge.pipeline.inspecting import inspect_bracket

ROOT = Path(merge.__file__).parent
STAGES = ("depth", "blend", "moving", "axis", "diagnose", "align", "defects")
BRACKETS = ("bristly-fruit-1to2", "reeds-1to2-windy", "rocky-shore-24mm", "coins-1to1")
# Below these a change counts as none: dB, px, share of a step.
NO_CHANGE = {"dB": 0.05, "px": 0.02, "step": 0.01}
# Sizes of work: they change speed or memory, not results.
WORK = ("_BYTES", "_ROWS", "_CHUNK", "_AT_ONCE", "_PIXELS", "STRIP", "BATCH", "_GROUP")


@dataclass(frozen=True)
class Constant:
    """A number at the top of a module."""

    module: str
    name: str
    value: Any
    compiled: bool

    def scaled(self, factor: float) -> Any:
        """Return the value times a factor, of its own type; whole numbers stay at least 1."""
        if isinstance(self.value, tuple):
            return tuple(v * factor for v in self.value)
        if isinstance(self.value, int):
            return max(1, round(self.value * factor))
        return type(self.value)(self.value * factor)


def constants(stage: str) -> list[Constant]:
    """Return the numbers at the top of a stage's modules."""
    found = []
    for path in sorted((ROOT / stage).glob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        module = importlib.import_module(f"merge.{stage}.{path.stem}")
        compiled = _names_in_compiled(tree)
        for node in tree.body:
            targets = (
                node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
            )
            for target in targets:
                if isinstance(target, ast.Name) and target.id.isupper():
                    value = getattr(module, target.id)
                    if _is_number(value) and not any(w in target.id for w in WORK):
                        found.append(
                            Constant(module.__name__, target.id, value, target.id in compiled)
                        )
    return found


def _is_number(value: Any) -> bool:
    if isinstance(value, tuple):
        return bool(value) and all(isinstance(v, float) for v in value)
    return isinstance(value, (int, float, np.floating)) and not isinstance(value, bool)


def _names_in_compiled(tree: ast.Module) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and any(
            "njit" in ast.unparse(decorator) for decorator in node.decorator_list
        ):
            names |= {n.id for n in ast.walk(node) if isinstance(n, ast.Name)}
    return names


@contextlib.contextmanager
def changed(constant: Constant, value: Any) -> Iterator[None]:
    """Give a constant another value in its module and wherever it was imported by name."""
    places: list[ModuleType] = [
        module
        for name, module in list(sys.modules.items())
        if name.startswith("merge") and getattr(module, constant.name, None) is constant.value
    ]
    with contextlib.ExitStack() as stack:
        for module in places:
            stack.enter_context(mock.patch.object(module, constant.name, value))
        yield


def _subset(stack: Any, registration: Any, cells: dict[int, Any], frames: list[int]) -> tuple:
    """Return some frames of a bracket, in a given order; a frame may come twice."""
    return (
        dataclasses.replace(stack, sources=tuple(stack.sources[i] for i in frames)),
        dataclasses.replace(
            registration,
            frames=tuple(registration.frames[i] for i in frames),
            reference=frames.index(registration.reference),
        ),
        {place: cells[i] for place, i in enumerate(frames) if i in cells},
    )


def _softened(cells: Any) -> Any:
    """Return a frame's measures as if it were soft: its two finest bands lose contrast."""
    maps = list(cells.maps)
    maps[0], maps[1] = maps[0] * np.float16(0.6), maps[1] * np.float16(0.8)
    return dataclasses.replace(cells, maps=maps)


class Replay:
    """One bracket, read and aligned once."""

    def __init__(self, name: str, *, faults: bool) -> None:
        self._faults = faults
        bracket = proving_data.load(name)
        self.name = name
        self.scored: Scored = prepare(bracket)[0]
        self.stack = find_frames(bracket.folder)
        self.options = MergeOptions()
        self.cells: dict[str, Any] = {}
        real = first_pass_module.order_by_focus

        def keep(*given: Any, **named: Any) -> Any:
            self.cells = {"given": given, "named": named}
            return real(*given, **named)

        with mock.patch.object(first_pass_module, "order_by_focus", keep):
            self._open = merging.first_pass(self.stack, self.options, lambda *_: None, 1 << 40)
            self.first = self._open.__enter__()
        # A merge lets go of the kept frames as soon as it can; here they serve many merges.
        self._let_go = self.first.cache.close
        self.first.cache.close = lambda: None  # type: ignore[method-assign]

    def close(self) -> None:
        """Let the kept frames go."""
        self._let_go()
        self._open.__exit__(None, None, None)

    def measure(self, stage: str) -> dict[str, Any]:
        """Return the numbers that a stage's constants act on, by unit and name."""
        if stage == "diagnose":
            return {"findings": self._findings(self.cases())}
        if stage == "axis":
            brackets = self._ordered_cases()
            return {
                "step": self._step_error(brackets["whole"]),
                "findings": self._findings(brackets),
            }
        if stage in ("align", "defects"):
            result = merging.merge_stack(self.stack, self.options)
            return self._picture(result) | {"px": transform_error(self.scored, result)["px"]}

        @contextlib.contextmanager
        def again(*_: Any) -> Iterator[Any]:
            yield self.first

        with mock.patch.object(merging, "first_pass", again):
            return self._picture(merging.merge_stack(self.stack, self.options))

    def _picture(self, result: Any) -> dict[str, Any]:
        psnr = self.scored.psnr(result.pixels, result.origin)
        kinds = sorted(f.kind for f in result.findings if f.severity != "note")
        return {"dB": [psnr[region] for region in REGIONS], "findings": kinds}

    @functools.cache  # noqa: B019 - one object for each bracket, alive to the end
    def cases(self) -> dict[str, Any]:
        """Return the bracket as it is and with faults, each with its axis."""
        return self._ordered_cases()

    def _ordered_cases(self) -> dict[str, Any]:
        stack, registration, cells = self.cells["given"]
        count, named = len(stack), self.cells["named"]
        k = count // 2 - 1
        everything = list(range(count))
        kinds = {
            "whole": everything,
            "dropped": everything[:k] + everything[k + 1 :],
            "twice": [*everything[: k + 1], k, *everything[k + 1 :]],
            "swapped": [*everything[:k], k + 1, k, *everything[k + 2 :]],
        }
        if not self._faults:
            kinds = {"whole": everything}
        out = {}
        for name, frames in kinds.items():
            out[name] = ordering.order_by_focus(
                *_subset(stack, registration, cells, frames), **named
            )
        if not self._faults:
            return out
        soft = dict(cells) | {k: _softened(cells[k])}
        out["soft"] = ordering.order_by_focus(stack, registration, soft, **named)
        return out

    def _findings(self, brackets: dict[str, Any]) -> list[str]:
        found = []
        for case, bracket in brackets.items():
            for finding in inspect_bracket(bracket, self.options.audit).findings:
                if finding.severity != "note":
                    found.append(f"{case}: {finding.kind}")
        return sorted(found)

    def _step_error(self, bracket: Any) -> float:
        if bracket.axis is None:
            return float("nan")
        truth = np.abs(np.diff(self.scored.bracket.positions_px))
        found = np.diff(bracket.axis.positions_px)
        if len(found) != len(truth):
            return float("nan")
        return float(np.sqrt(np.mean((found / truth - 1) ** 2)))


def differences(base: dict[str, Any], now: dict[str, Any]) -> tuple[list[str], bool]:
    """Return what changed, in words, and whether it counts."""
    words, counts = [], False
    for unit, least in NO_CHANGE.items():
        if unit not in base:
            continue
        pairs = zip(np.atleast_1d(base[unit]), np.atleast_1d(now[unit]), strict=True)
        change = [float(b - a) for a, b in pairs if a is not None and b is not None]
        worst = max(change, key=abs, default=0.0)
        if abs(worst) >= least or np.isnan(worst):
            counts = True
        words.append(f"{worst:+.3f} {unit}")
    if base["findings"] != now["findings"]:
        counts = True
        more = sorted(set(now["findings"]) - set(base["findings"]))
        less = sorted(set(base["findings"]) - set(now["findings"]))
        words.append(f"findings +{more} -{less}")
    return words, counts


def try_constant(constant: Constant, stage: str, replays: list[Replay], bases: list[dict]) -> bool:
    """Print what halving and doubling a constant changes; return whether it counts."""
    matters = False
    for factor in (0.5, 2.0):
        lines = []
        for replay, base in zip(replays, bases, strict=True):
            try:
                with changed(constant, constant.scaled(factor)):
                    words, counts = differences(base, replay.measure(stage))
            except Exception as error:  # a value that the stage cannot work with is worth knowing
                words, counts = [f"{type(error).__name__}"], True
            matters |= counts
            lines.append(f"{replay.name}: {', '.join(words)}")
        print(f"    x {factor:g}  " + "; ".join(lines), flush=True)
    return matters


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("stages", nargs="+", choices=STAGES)
    parser.add_argument("--brackets", nargs="+", default=list(BRACKETS))
    parser.add_argument("--whole", action="store_true", help="without faults put in")
    options = parser.parse_args(arguments)
    if not set(options.brackets) <= set(proving_data.names("tuning")):
        parser.error("only brackets of the tuning half may decide about constants")
    warnings.simplefilter("ignore")
    replays = [Replay(name, faults=not options.whole) for name in options.brackets]
    for stage in options.stages:
        bases = [replay.measure(stage) for replay in replays]
        none = []
        for constant in constants(stage):
            label = f"{constant.module}.{constant.name} = {constant.value}"
            if constant.compiled:
                print(f"{label}: in a compiled loop, not tried", flush=True)
                continue
            print(label, flush=True)
            if not try_constant(constant, stage, replays, bases):
                none.append(label)
        print(f"\n{stage}: worth nothing on these brackets:\n  " + "\n  ".join(none), flush=True)
    for replay in replays:
        replay.close()


if __name__ == "__main__":
    with kept_results(__file__):
        main(sys.argv[1:])
