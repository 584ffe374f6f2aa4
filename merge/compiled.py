"""Loops compiled to machine code, and kept for the next run wherever there is a place to keep them.

The place is the folder of the module, else the user's cache folder (`XDG_CACHE_HOME`,
`~/Library/Caches`, `LOCALAPPDATA`). Where neither takes a file the loops are compiled anew in every
run. A file that is cut short or changed is passed over and written again: each carries a digest.
What one process builds, another that needs it waits for, where the system knows locks.
"""

from __future__ import annotations

import hashlib
import logging
import os
import pickle
import secrets
import sys
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any

import numba
from numba.core import caching
from numba.core.caching import CompileResultCacheImpl, FunctionCache
from numba.core.dispatcher import Dispatcher
from numba.core.serialize import dumps

from merge.atomic import lock_file

_LOG = logging.getLogger(__name__)
_DIGEST_BYTES = 32
_PLACES = ("UserProvidedCacheLocator", "InTreeCacheLocator", "UserWideCacheLocator")
# What the compiler gives; its declared type does not tell of the cache.
_COMPILED: Any = Dispatcher
_told = False
# Loops whose types are declared, by module, in the order of the source.
_DECLARED: dict[str, list[tuple[Any, tuple[Any, ...]]]] = {}
_SCALARS = {
    "f": numba.float32, "d": numba.float64, "h": numba.int16, "i": numba.int64, "u": numba.uint8,
    "b": numba.boolean,
}  # fmt: skip
_at_first_miss: list[Callable[[], None]] = []
# Set where another process builds beside this one: then it need not wait idly for what that builds.
_in_company = False
# Where another process takes longer than any loop does, it is stopped or has failed.
_LONGEST_BUILD_S = 60.0


def njit(
    *, inner: bool = False, takes: str = "", **options: Any
) -> Callable[[Callable[..., Any]], Any]:
    """Return a decorator as `numba.njit`, whose result is kept where that is possible.

    Parameters
    ----------
    inner : bool
        The loop is called by compiled loops alone: nothing is built to call it from Python, which
        takes a third of the time that a small one needs.
    takes : str
        The types of its arguments, for `build_declared`, a word each: ``f`` float32, ``d``
        float64, ``h`` int16, ``i`` int64, ``u`` uint8, ``b`` boolean; ``f2`` a contiguous array of
        two dimensions, ``fv2`` one with any strides, ``ft2`` a tuple of two.
    **options
        As for `numba.njit`, without ``cache``.

    Examples
    --------
    >>> @njit(nogil=True)
    ... def double(number):
    ...     return 2 * number
    >>> double(21)
    42
    """

    def decorate(function: Callable[..., Any]) -> Any:
        # No entry for C either, which nothing here uses.
        building = {**options, "no_cfunc_wrapper": True, "no_cpython_wrapper": inner}
        dispatcher: Any = numba.njit(**building)(function)
        # Not with NUMBA_DISABLE_JIT, which leaves the function as it is.
        if isinstance(dispatcher, _COMPILED):
            try:
                dispatcher._cache = _FileCache(function, shared=not inner)
            except Exception as exc:  # whatever caching meets, it compiles all the same
                _tell(exc)
            if takes:
                types = tuple(_type_of(word) for word in takes.split())
                _DECLARED.setdefault(function.__module__, []).append((dispatcher, types))
        return dispatcher

    return decorate


def build_declared(modules: Iterable[str], stop: Callable[[], bool]) -> None:
    """Build the loops that modules declare, unless they are kept or another process builds them.

    Parameters
    ----------
    modules : iterable of str
        Full names, in the order of building.
    stop : callable
        Asked before every loop: whether to leave the others.
    """
    for name in modules:
        import_module(name)
        for dispatcher, types in _DECLARED.get(name, []):
            # Where nothing can be kept, the work would be lost with this process.
            if stop() or _told:
                return
            if dispatcher._cache.claim(types, dispatcher.targetctx):
                dispatcher.compile(types)


def _build_another() -> bool:
    """Build or load one more of the loops that declare types; tell whether there was one."""
    for dispatcher, types in (loop for loops in list(_DECLARED.values()) for loop in loops):
        free = types not in dispatcher.overloads and isinstance(dispatcher._cache, _FileCache)
        if free and dispatcher._cache.claim(types, dispatcher.targetctx):
            dispatcher.compile(types)
            return True
    return False


def built_types() -> dict[str, tuple[Any, list[Any]]]:
    """Return by loop the types that it declares and those that this process has built it for."""
    return {
        f"{module}.{dispatcher.py_func.__name__}": (declared, list(dispatcher.signatures))
        for module, loops in _DECLARED.items()
        for dispatcher, declared in loops
    }


def call_at_first_miss(action: Callable[[], None]) -> None:
    """Call this, which has loops built beside, once one is not among those of earlier runs."""
    global _in_company
    _at_first_miss[:], _in_company = [action], True


def _type_of(word: str) -> Any:
    scalar, kind, count = _SCALARS[word[0]], word[1:].rstrip("1234"), word.lstrip("fdhiubvt")
    if not count:
        return scalar
    if kind == "t":
        return numba.types.UniTuple(scalar, int(count))
    return numba.types.Array(scalar, int(count), "A" if kind == "v" else "C")


def _tell(reason: object) -> None:
    """Say once in a process that nothing is kept."""
    global _told
    if not _told:
        _told = True
        _LOG.info(
            "compiled loops cannot be kept for the next run, which starts as slowly as this one "
            "(%s); make the cache folder writable or name another in NUMBA_CACHE_DIR",
            reason,
        )


class _Locations(CompileResultCacheImpl):
    # Older releases have the same classes with an underscore.
    _locator_classes = [  # noqa: RUF012
        getattr(caching, name, None) or getattr(caching, f"_{name}") for name in _PLACES
    ]

    def get_filename_base(self, fullname: str, abiflags: str) -> str:
        """Return a name without the line's number, so that a new version replaces the old one."""
        plain = fullname.replace("<", "").replace(">", "")
        return f"{plain}.py{sys.version_info[0]}{sys.version_info[1]}{abiflags}"


class _FileCache(FunctionCache):
    """One file a function and its argument types, read only where its digest is right."""

    _impl_class = _Locations

    def __init__(self, function: Callable[..., Any], shared: bool) -> None:
        super().__init__(function)
        self._stamp = _source_stamp(function, self._impl.locator.get_source_stamp())
        self._shared = shared
        self._claims: dict[Path, int] = {}

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Return the compiled function, or None if it is not there or not whole: then build it.

        Where another process is building it, it is waited for, and others are built meanwhile.
        """
        path = self._place(sig, target_context.codegen())[1]
        found = self._load(sig, target_context)
        if found is None and _at_first_miss:
            _at_first_miss.pop()()
        if found is None and self._shared and path not in self._claims:
            end = time.monotonic() + _LONGEST_BUILD_S
            while not self.claim(sig, target_context) and time.monotonic() < end:
                if not (_in_company and _build_another()):
                    time.sleep(0.02)
            found = self._load(sig, target_context)
        if found is not None:
            self._drop(path)
        return found

    def claim(self, sig: Any, target_context: Any) -> bool:
        """Return False where another process is building this; else this one is to."""
        path = self._place(sig, target_context.codegen())[1]
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            number = os.open(f"{path}.lock", os.O_RDWR | os.O_CREAT, 0o666)
        except OSError:  # nothing can be kept there either
            return True
        locked = lock_file(number)
        if locked:
            self._claims[path] = number
        else:
            os.close(number)
        return locked is not False

    def _drop(self, path: Path) -> None:
        """Let others build what this process was to."""
        if path in self._claims:
            with suppress(OSError):
                os.unlink(f"{path}.lock")
            os.close(self._claims.pop(path))

    def _load(self, sig: Any, target_context: Any) -> Any:
        target_context.refresh()
        key, path = self._place(sig, target_context.codegen())
        try:
            content = path.read_bytes()
            digest, body = content[:_DIGEST_BYTES], content[_DIGEST_BYTES:]
            if digest != hashlib.sha256(key + body).digest():
                return None
            return self._impl.rebuild(target_context, pickle.loads(body))
        except Exception:  # another library's pickle or object code: anything may come of it
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep a compiled function, if that is possible."""
        key, path = self._place(sig, data.codegen)
        partial = path.with_name(f"{path.name}.{secrets.token_hex(8)}")
        try:
            if self._impl.check_cachable(data):
                body = dumps(self._impl.reduce(data))
                path.parent.mkdir(parents=True, exist_ok=True)
                with partial.open("xb") as file:
                    file.write(hashlib.sha256(key + body).digest() + body)
                os.replace(partial, path)
        except Exception as exc:  # disk full, folder gone, not to be pickled: it stays in memory
            _tell(exc)
            with suppress(OSError):
                partial.unlink()
        finally:
            self._drop(path)

    def flush(self) -> None:
        """Do nothing: a file that does not fit is not read."""

    def _place(self, sig: Any, codegen: Any) -> tuple[bytes, Path]:
        """Return what the file must belong to, and the file."""
        kind = repr((sig, codegen.magic_tuple()))
        key = repr((numba.__version__, self._stamp, kind)).encode()
        name = f"{self._impl.filename_base}.{hashlib.sha256(kind.encode()).hexdigest()[:16]}.nbc"
        return key, Path(self._cache_path) / name


def _source_stamp(function: Callable[..., Any], own: Any) -> tuple[Any, ...]:
    """Return what the machine code follows from: the source, and what it takes from others.

    The compiler freezes numbers and compiled functions of other modules into the code; its own
    stamp, of the function's own file, would not tell that they changed.
    """
    used: list[Any] = [function.__globals__.get(name) for name in function.__code__.co_names]
    numbers = tuple(repr(value) for value in used if isinstance(value, bool | int | float | tuple))
    inner = tuple(
        value._cache._stamp
        for value in used
        if isinstance(value, _COMPILED) and isinstance(value._cache, _FileCache)
    )
    return (own, numbers, inner)
