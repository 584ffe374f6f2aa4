"""What each constant of the stages is worth on the tuning half: halved and doubled, one by one.

    PYTHONPATH=.:tests python tests/benchmarks/bench_sensitivity.py STAGE [STAGE ...]
        [--brackets NAME ...] [--cases NAME ...] [--crop SHARE] [--only NAME ...] [--off] [--count]

STAGE: depth, blend, moving, axis, diagnose, align, defects. What a stage needs is computed once;
only what follows the constant runs again: depth, blend and moving from the first reading on (dB by
region), axis from the tiles' energies (error of steps, share of the true ones), both over the
middle of the picture, diagnose from the axis (findings, notes too), align from the reduced frames
(px, gains; its resampling by the picture), defects from the frames of one photograph with faults
put in (hot pixels, dust and false dust of four sensors, the last without faults; light lost).
Findings are those of the bracket as it is (whole), without a frame (dropped), with one twice, with
two swapped, with one soft and with one shaken, or of some ``--cases``; the first tells the steps.

Whatever freezes a constant is made anew with it: compiled loops, numbers that others are computed
from at import, default arguments, remembered results. Brackets come one after the other, and a
constant that counts on one is not tried on the next. With ``--off`` one that counts on none is set
to nothing and to a million times its value (whole numbers to eight times), too: where that changes
nothing either, what it guards against does not occur here. Whether a test holds such a case is for
the reader to see.

A constant that is worth less than 0.05 dB, 0.02 px, 0.2 % of a gain, 1 % of a step and no finding,
halved and doubled, should go away or be derived. ``--count`` only counts them.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import dataclasses
import functools
import importlib
import signal
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FunctionType, ModuleType, SimpleNamespace
from typing import Any
from unittest import mock

import numpy as np
import proving_data
from bench_helpers import kept_results
from numba.core.caching import NullCache
from numba.core.dispatcher import Dispatcher
from proving_scores import REGIONS, Scored, depth_error, frame_order, prepare, transform_error

import merge
from merge import MergeOptions, find_frames
from merge.align import StackRegistration
from merge.defects import DefectSearch, choose_sample
from merge.errors import RegistrationError
from merge.model import FrameTransform
from merge.pipeline import first_pass as first_pass_module
from merge.pipeline import merging, ordering
from merge.pipeline.inspecting import inspect_bracket

ROOT = Path(merge.__file__).parent
PICTURE = (
    "bristly-fruit-1to2-iso6400", "snowfield-18mm", "reeds-1to2-windy", "bristly-fruit-1to2",
)  # fmt: skip
SMALL = ("rocky-shore-24mm", "coins-1to1")
STAGES = {
    "depth": PICTURE, "blend": PICTURE, "moving": PICTURE[2:0:-1] + PICTURE[:1],
    "axis": SMALL, "diagnose": SMALL, "align": SMALL, "defects": (),
}  # fmt: skip
CASES = ("whole", "dropped", "twice", "swapped", "soft", "shaken")
# Below these a change counts as none: dB, px, share of a gain or of a step, number found.
NO_CHANGE = {
    "dB": 0.05, "depth px": 0.1, "px": 0.02, "gain": 0.002, "step": 0.01, "found": 0.5,
    "lost": 0.002,
}  # fmt: skip
# A value that makes a replay take more processor time than this may make it take for ever.
PATIENCE_S = 120
# Sizes of work, and names of planes: they change speed or memory, not results.
WORK = ("_BYTES", "_ROWS", "_COLUMNS", "_CHUNK", "_AT_ONCE", "_STRIP_SPIKES", "_BATCH_SHARE")
WORK_NAMES = ("PART_PX", "DETAIL_PART_PX", "LAST")


@dataclass(frozen=True)
class Constant:
    """A number at the top of a module."""

    module: str
    name: str
    value: Any

    def scaled(self, factor: float) -> Any:
        """Return the value times a factor, of its own type."""
        if isinstance(self.value, tuple):
            return tuple(type(v)(v * factor) for v in self.value)
        if isinstance(self.value, int):
            return max(1 if factor else 0, round(self.value * min(factor, 8)))
        return type(self.value)(self.value * factor)


def constants(stage: str) -> list[Constant]:
    """Return the numbers at the top of a stage's modules."""
    found = []
    for path in sorted((ROOT / stage).glob("*.py")):
        module = importlib.import_module(f"merge.{stage}.{path.stem}".removesuffix(".__init__"))
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            for name in _assigned(node):
                value = getattr(module, name)
                if _is_number(value) and not (name.endswith(WORK) or name in WORK_NAMES):
                    found.append(Constant(module.__name__, name, value))
    return found


def _assigned(node: ast.stmt) -> list[str]:
    """Return the names in capitals that a statement gives values to, but for numbered ones."""
    if not isinstance(node, ast.Assign | ast.AnnAssign):
        return []
    if node.value is None or "range(" in ast.unparse(node.value):
        return []
    targets = node.targets if isinstance(node, ast.Assign) else [node.target]
    return [name for target in targets for name in _names_in(target) if name.isupper()]


def _names_in(node: ast.AST) -> list[str]:
    return [n.id for n in ast.walk(node) if isinstance(n, ast.Name)]


def _is_number(value: Any) -> bool:
    if isinstance(value, tuple):
        return bool(value) and all(_is_number(v) for v in value)
    return isinstance(value, (int, float, np.floating)) and not isinstance(value, bool)


@contextlib.contextmanager
def changed(constant: Constant, value: Any) -> Iterator[None]:
    """Give a constant another value wherever it is known, and make anew what was made with it."""
    put_back: list[Callable[[], None]] = []
    try:
        before = {name: _numbers_in(loop) for name, loop in loops().items()}
        spread(sys.modules[constant.module], constant.name, value, put_back)
        rebuild(before, put_back)
        yield
    finally:
        for action in reversed(put_back):
            action()
        _forget_remembered()


def spread(module: ModuleType, name: str, value: Any, put_back: list[Callable[[], None]]) -> None:
    """Set a module's name, those that others took from it, and what they computed from it."""
    old = getattr(module, name)
    places = [module]
    if not name.startswith("_"):
        places += [
            other
            for key, other in list(sys.modules.items())
            if key.startswith("merge") and other is not module and vars(other).get(name) is old
        ]
    for place in places:
        setattr(place, name, value)
        put_back.append(functools.partial(setattr, place, name, old))
        if place.__file__ is None or place.__file__.endswith("__init__.py"):
            continue
        for node in ast.parse(Path(place.__file__).read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef):
                _new_defaults(place, node, name, put_back)
            elif isinstance(node, ast.Assign) and name in _names_in(node.value):
                for target in set(_assigned(node)) - {name}:
                    names = dict(vars(place))
                    exec(compile(ast.Module([node], []), place.__file__, "exec"), names)
                    spread(place, target, names[target], put_back)
    _forget_remembered()


def _new_defaults(
    module: ModuleType, node: ast.FunctionDef, name: str, put_back: list[Callable[[], None]]
) -> None:
    """Compute a function's default arguments again, where they follow from a name."""
    given = [d for d in (*node.args.defaults, *node.args.kw_defaults) if d is not None]
    function = getattr(module, node.name, None)
    if not any(name in _names_in(default) for default in given):
        return
    if not isinstance(function, FunctionType):
        raise TypeError(f"{module.__name__}.{node.name}: default arguments cannot be replaced")
    for attribute in ("__defaults__", "__kwdefaults__"):
        put_back.append(
            functools.partial(setattr, function, attribute, getattr(function, attribute))
        )
    code = ast.unparse(ast.FunctionDef(node.name, node.args, [ast.Pass()], [], lineno=0))
    names = dict(vars(module))
    exec("from __future__ import annotations\n" + code, names)
    function.__defaults__ = names[node.name].__defaults__
    function.__kwdefaults__ = names[node.name].__kwdefaults__


def _forget_remembered() -> None:
    for key, module in list(sys.modules.items()):
        if key.startswith("merge"):
            for thing in list(vars(module).values()):
                if hasattr(thing, "cache_clear"):
                    thing.cache_clear()


def loops() -> dict[str, Any]:
    """Return all compiled loops by module and name."""
    return {
        f"{thing.py_func.__module__}.{thing.py_func.__name__}": thing
        for key, module in list(sys.modules.items())
        if key.startswith("merge")
        for thing in list(vars(module).values())
        if isinstance(thing, Dispatcher)
    }


def _frozen(loop: Any) -> dict[str, Any]:
    """Return what a loop takes from its module: numbers, and other loops."""
    own = loop.py_func.__globals__
    return {name: own[name] for name in loop.py_func.__code__.co_names if name in own}


def _numbers_in(loop: Any) -> dict[str, Any]:
    return {name: value for name, value in _frozen(loop).items() if _is_number(value)}


def rebuild(before: dict[str, dict[str, Any]], put_back: list[Callable[[], None]]) -> None:
    """Build the loops again whose numbers are no longer as before, and those that call them."""
    everything = loops()
    stale = {name for name in before if _numbers_in(everything[name]) != before[name]}
    again = True
    while again:
        again = False
        for name, loop in everything.items():
            called = {id(v) for v in _frozen(loop).values()}
            if name not in stale and called & {id(everything[s]) for s in stale}:
                stale.add(name)
                again = True
    chosen = [everything[name] for name in _inner_first(everything, stale)]
    if chosen:
        _build(chosen, kept=False)
        put_back.insert(0, functools.partial(_build, chosen, kept=True))


def _inner_first(everything: dict[str, Any], stale: set[str]) -> list[str]:
    order: list[str] = []

    def visit(name: str) -> None:
        if name in order:
            return
        called = {id(v) for v in _frozen(everything[name]).values()}
        for other in sorted(stale - {name}):
            if id(everything[other]) in called:
                visit(other)
        order.append(name)

    for name in sorted(stale):
        visit(name)
    return order


def _build(chosen: list[Any], *, kept: bool) -> None:
    """Compile loops for the types they had, from what is kept on disk or anew."""
    for loop in chosen:
        own = loop._cache
        try:
            if not kept:
                loop._cache = NullCache()
            loop.recompile()
        finally:
            loop._cache = own


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


def _shaken(cells: Any) -> Any:
    """Return a frame's measures as if it were shaken along x: its finest slopes there fall."""
    maps = list(cells.maps)
    for place, left in ((0, 0.82), (5, 0.6), (7, 0.77)):  # energy, slopes along x, their product
        maps[place] = maps[place] * np.float16(left)
    return dataclasses.replace(cells, maps=maps)


def _middle_tiles(tiles: Any, share: float) -> Any:
    """Return a frame's measures in the middle of the picture."""
    rows, columns = (
        slice(n - round(share * n) >> 1, n + round(share * n) >> 1) for n in tiles.level.shape
    )
    kept = ("energy", "orientation", "coarse_orientation", "level", "clipped")
    return dataclasses.replace(tiles, **{k: getattr(tiles, k)[..., rows, columns] for k in kept})


class Replay:
    """One bracket, read and aligned once."""

    def __init__(self, name: str, *, cases: Sequence[str], crop: float) -> None:
        self._wanted, self._crop = cases, crop
        bracket = proving_data.load(name)
        self.name = name
        self.scored: Scored = prepare(bracket)[0]
        self.stack = find_frames(bracket.folder)
        self.options = MergeOptions()
        self.cells: dict[str, Any] = {}
        self.tiles: dict[str, Any] = {}
        self.looks: list[tuple[Any, Any]] = []
        real, looks = first_pass_module.order_by_focus, self.looks

        def keep(*given: Any, **named: Any) -> Any:
            self.cells = {"given": given, "named": named}
            return real(*given, **named)

        class Keeping(StackRegistration):
            def __init__(self, *given: Any, **named: Any) -> None:
                looks.clear()
                self.made = (given, named)
                super().__init__(*given, **named)

            def add(self, picture: Any, colours: Any = None) -> None:
                looks.append((picture, colours))
                super().add(picture, colours)

        with (
            mock.patch.object(first_pass_module, "order_by_focus", keep),
            mock.patch.object(first_pass_module, "StackRegistration", Keeping),
        ):
            self._open = merging.first_pass(self.stack, self.options, lambda *_: None, 1 << 40)
            self.first = self._open.__enter__()
        # A merge lets go of the kept frames as soon as it can; here they serve many merges.
        self._let_go = self.first.cache.close
        self.first.cache.close = lambda: None  # type: ignore[method-assign]

    def close(self) -> None:
        """Let the kept frames go."""
        self._let_go()
        self._open.__exit__(None, None, None)

    def measure(self, stage: str, module: str = "") -> dict[str, Any]:
        """Return the numbers that a stage's constants act on, by unit and name."""
        if stage == "diagnose":
            return {"findings": self._findings(self.cases(), notes=True)}
        if stage == "axis":
            brackets = self._fitted_again()
            return {
                "step": self._step_error(brackets[self._wanted[0]]),
                "findings": self._findings(brackets),
            }
        if stage == "align" and not module.endswith((".warp", ".area")):
            return self._alignment()

        @contextlib.contextmanager
        def again(*_: Any) -> Iterator[Any]:
            yield self.first

        def middle(*given: Any) -> Any:
            top, left, height, width = whole(*given)
            tall, wide = round(self._crop * height), round(self._crop * width)
            return top + (height - tall) // 2, left + (width - wide) // 2, tall, wide

        whole = merging._output_box
        with (
            mock.patch.object(merging, "first_pass", again),
            mock.patch.object(merging, "_output_box", middle),
            mock.patch.object(merging, "inspect_bracket", return_value=self._inspection),
        ):
            detail = dataclasses.replace(self.options, method="detail")
            options = detail if module.endswith(".detail") else self.options
            return self._picture(merging.merge_stack(self.stack, options))

    @functools.cached_property
    def _inspection(self) -> Any:
        return inspect_bracket(self.first.bracket, self.options.audit)

    def _picture(self, result: Any) -> dict[str, Any]:
        psnr = self.scored.psnr(result.pixels, result.origin)
        kinds = sorted(f.kind for f in result.findings if f.severity != "note")
        return {
            "dB": [psnr[region] for region in REGIONS],
            "depth px": depth_error(self.scored, result),
            "findings": kinds,
        }

    def _alignment(self) -> dict[str, Any]:
        """Align anew, from the reduced frames, with the parallax that the known axis bears out."""
        shape = self.stack.sources[0].shape[:2]
        registrar = StackRegistration(
            shape, reduction=shape[0] // self.looks[0][0].shape[0], transfer="linear"
        )
        for picture, colours in self.looks:
            registrar.add(picture, colours)
        read = registrar.finish(None)
        order = self.first.bracket.order
        known = dataclasses.replace(self.first.bracket, registration=ordering._reorder(read, order))
        if read.aligned == tuple(range(len(order))):  # as the known axis has them
            known = ordering.refine_by_depth(known, registrar, read)
        found, misfit = known.registration, registrar.misfit()
        words = [found.model, *(f"left out {i}" for i, f in enumerate(found.frames) if f.reason)]
        result: Any = SimpleNamespace(registration=found, stack=self.first.bracket.stack)
        true = self.scored.bracket.gains.mean(axis=1)[frame_order(self.scored.bracket, result)]
        gains = np.array([frame.gain for frame in found.frames])
        return {
            "px": transform_error(self.scored, result)["px"],
            "gain": float(np.abs(gains * true[found.reference] / true - 1).max()),
            "findings": sorted(words + ["misfit"] * (misfit is not None)),
        }

    @functools.cache  # noqa: B019 - one object for each bracket, alive to the end
    def cases(self) -> dict[str, Any]:
        """Return the bracket as it is and with faults, each with its axis."""
        stack, registration, cells = self.cells["given"]
        k = len(stack) // 2 - 1
        everything = list(range(len(stack)))
        kinds = {
            "whole": everything,
            "dropped": everything[:k] + everything[k + 1 :],
            "twice": [*everything[: k + 1], k, *everything[k + 1 :]],
            "swapped": [*everything[:k], k + 1, k, *everything[k + 2 :]],
            "soft": everything,
            "shaken": everything,
        }
        spoilt = {"soft": _softened, "shaken": _shaken}
        out = {}
        for name in self._wanted:
            with mock.patch.object(ordering, "fit_focus_axis", self._keep_tiles(name)):
                given = dict(cells)
                if name in spoilt:
                    given[k] = spoilt[name](cells[k])
                some = _subset(stack, registration, given, kinds[name])
                out[name] = ordering.order_by_focus(*some, **self.cells["named"])
        return out

    def _keep_tiles(self, case: str) -> Callable[..., Any]:
        real = ordering.fit_focus_axis

        def keep(tiles: Any, **named: Any) -> Any:
            self.tiles[case] = ([_middle_tiles(t, self._crop) for t in tiles], named)
            return real(tiles, **named)

        return keep

    def _fitted_again(self) -> dict[str, Any]:
        """Return the cases with an axis from the middle tiles, in the order that was found."""
        again = {}
        for case, bracket in self.cases().items():
            tiles, named = self.tiles[case]
            try:
                axis = ordering.fit_focus_axis(tiles, **named)
            except RegistrationError:
                axis = None
            again[case] = dataclasses.replace(bracket, axis=axis)
        return again

    def _findings(self, brackets: dict[str, Any], *, notes: bool = False) -> list[str]:
        found = []
        for case, bracket in brackets.items():
            for finding in inspect_bracket(bracket, self.options.audit).findings:
                if notes or finding.severity != "note":
                    found.append(f"{case}: {finding.severity} {finding.kind}")
        return sorted(found)

    def _step_error(self, bracket: Any) -> float:
        if bracket.axis is None:
            return float("nan")
        truth = np.abs(np.diff(self.scored.bracket.positions_px))
        found = np.diff(bracket.axis.positions_px)
        if len(found) != len(truth):
            return float("nan")
        return float(np.sqrt(np.mean((found / truth - 1) ** 2)))


class FaultySensors:
    """The open photograph's bracket from sensors with and without faults, plain and as JPEG."""

    name = "photograph"

    def __init__(self) -> None:
        from bench_defects import as_jpeg
        from scenes import photograph_stack, sensor_faults, with_faults

        self.known = photograph_stack()
        self.sample = choose_sample(range(len(self.known.frames)))
        self.cases = []
        for seed, store in ((11, None), (12, None), (11, as_jpeg), (None, as_jpeg)):
            frames, faults = [self.known.frames[i] for i in self.sample], None
            if seed is not None:
                faults = sensor_faults(self.known.truth.shape, seed=seed)
                frames = [with_faults(frame, faults) for frame in frames]
            if store is not None:
                frames = [store(frame, i) for i, frame in enumerate(frames)]
            self.cases.append((faults, frames))

    def measure(self, *_: Any) -> dict[str, Any]:
        """Return what is found by case (hot, dust, false ones), and the worst error of light."""
        counts: list[int] = []
        errors = [0.0]
        for faults, frames in self.cases:
            search = DefectSearch(len(frames), "srgb")
            for frame in frames:
                search.add(frame, 1.0)
            found = search.finish(
                [FrameTransform(self.known.transforms[i]) for i in self.sample],
                self.known.positions_px[list(self.sample)],
            )
            if faults is None:
                counts += [0, 0, found.spots + len(found.dust)]
                continue
            true = {tuple(p) for p in faults.hot.tolist()}
            hot, dust = len({tuple(p) for p in found.pixels.tolist()} & true), 0
            for spot in found.dust:
                away = np.hypot(*(faults.dust[:, :2] - (spot.row, spot.column)).T)
                if away.min() <= 4:
                    dust += 1
                    errors.append(abs(1 - spot.transmission[0] - faults.dust[away.argmin(), 3]))
            counts += [hot, dust, len(found.dust) - dust]
        return {"found": counts, "lost": max(errors), "findings": []}

    def close(self) -> None:
        """Do nothing."""


def differences(base: dict[str, Any], now: dict[str, Any]) -> tuple[str, bool]:
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
        told = f"{worst:+.3f}" if unit != "found" else str([round(c) for c in change])
        words.append(f"{told} {unit}")
    if base["findings"] != now["findings"]:
        counts = True
        more = sorted(set(now["findings"]) - set(base["findings"]))
        less = sorted(set(base["findings"]) - set(now["findings"]))
        words.append(f"findings {len(now['findings']) - len(base['findings']):+} +{more} -{less}")
    return ", ".join(words), counts


def try_value(
    constant: Constant, factor: float, stage: str, replay: Any, base: dict
) -> tuple[str, bool]:
    """Return what a factor on a constant changes, in words, and whether it counts."""
    signal.setitimer(signal.ITIMER_PROF, PATIENCE_S)
    try:
        with changed(constant, constant.scaled(factor)):
            return differences(base, replay.measure(stage, constant.module))
    except Exception as error:  # a value that the stage cannot work with is worth knowing
        return type(error).__name__, True
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)


def give_up(*_: Any) -> None:
    """End a replay that takes too long."""
    raise TimeoutError


def try_constant(
    constant: Constant, stage: str, replays: list[Any], bases: list[dict], with_off: bool
) -> str:
    """Print what halving and doubling a constant changes; return whether it counts, and how."""
    lines: dict[float, list[str]] = {0.5: [], 2.0: [], 0.0: [], 1e6: []}
    counts = off = False
    for replay, base in zip(replays, bases, strict=True):
        for factor in (0.5, 2.0):
            if constant.scaled(factor) == constant.value:
                continue
            words, matters = try_value(constant, factor, stage, replay, base)
            counts |= matters
            lines[factor].append(f"{replay.name}: {words}")
        if counts:
            break
    for replay, base in zip(replays, bases, strict=True):
        for factor in (0.0, 1e6) if with_off and not counts else ():
            words, matters = try_value(constant, factor, stage, replay, base)
            off |= matters
            lines[factor].append(f"{replay.name}: {words}")
    for factor, told in lines.items():
        if told:
            print(f"    x {factor:g}  " + "; ".join(told), flush=True)
    return "counts" if counts else "counts at 0 or without limit" if off else "nothing"


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("stages", nargs="+", choices=STAGES)
    parser.add_argument("--brackets", nargs="+")
    parser.add_argument("--cases", nargs="+", choices=CASES, default=CASES, help="faults put in")
    parser.add_argument("--crop", type=float, default=0.45, help="share of each side that is taken")
    parser.add_argument("--only", nargs="+", default=[], help="constants or modules by name")
    parser.add_argument("--off", action="store_true", help="try nothing and no limit, too")
    parser.add_argument("--count", action="store_true")
    options = parser.parse_args(arguments)
    if not set(options.brackets or ()) <= set(proving_data.names("tuning")):
        parser.error("only brackets of the tuning half may decide about constants")
    warnings.simplefilter("ignore")
    signal.signal(signal.SIGPROF, give_up)
    known: dict[str, Any] = {}
    for stage in options.stages:
        chosen = [
            c
            for c in constants(stage)
            if not options.only or {c.name, c.module.rsplit(".", 1)[1]} & set(options.only)
        ]
        print(f"{stage}: {len(chosen)} constants", flush=True)
        if options.count:
            continue
        names = options.brackets or STAGES[stage]
        for name in set(names) - set(known):
            known[name] = Replay(name, cases=options.cases, crop=options.crop)
        replays = [FaultySensors()] if stage == "defects" else [known[name] for name in names]
        try_stage(stage, chosen, replays, with_off=options.off)
    for replay in known.values():
        replay.close()


def try_stage(stage: str, chosen: list[Constant], replays: list[Any], *, with_off: bool) -> None:
    """Print every constant of a stage, then those that are worth nothing."""
    bases: dict[str, list[dict]] = {}
    results: dict[str, list[str]] = {}
    for constant in chosen:
        way = constant.module.rsplit(".", 1)[1]
        if way not in bases:
            bases[way] = [replay.measure(stage, constant.module) for replay in replays]
        label = f"{constant.module}.{constant.name} = {constant.value}"
        print(label, flush=True)
        verdict = try_constant(constant, stage, replays, bases[way], with_off)
        results.setdefault(verdict, []).append(label)
    for verdict, labels in results.items():
        if verdict != "counts":
            print(f"\n{stage}: halved and doubled nothing, {verdict}:", *labels, sep="\n  ")
    told = ", ".join(f"{verdict}: {len(labels)}" for verdict, labels in results.items())
    print(f"\n{stage}: {told}", flush=True)


if __name__ == "__main__":
    with kept_results(__file__) if "--count" not in sys.argv else contextlib.nullcontext():
        main(sys.argv[1:])
