"""Files that appear whole or not at all, and never in the place of an input."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import secrets
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from merge.errors import WriteError

_BLOCK_BYTES = 1 << 22
_STEM_BYTES = 90
_PARTIAL = re.compile(r"\.partial-(\d{1,10})-[0-9a-f]{16}")
# A partial file this old, in seconds, that nobody holds open belongs to nobody, whoever now has the
# number of its process; a younger one may be about to be locked.
_SETTLED_S = 60.0


@dataclass(frozen=True, eq=False)
class _Pending:
    """A file that is written whole and waits for its name."""

    file: BinaryIO
    partial: Path
    target: Path
    overwrite: bool
    inputs: tuple[Path, ...]


# The files of the innermost `written_together`; None outside of one.
_waiting: ContextVar[list[_Pending] | None] = ContextVar("waiting", default=None)


def write_json(
    path: str | Path, data: Any, *, overwrite: bool = False, inputs: Iterable[Path] = ()
) -> Path:
    """Write data as JSON (UTF-8, indented) and return the path.

    Parameters
    ----------
    path : str or Path
    data : object
        Whatever `json.dumps` takes.
    overwrite : bool
        Replace an existing file.
    inputs : iterable of Path
        Files that must never be replaced.

    Raises
    ------
    WriteError
        As `write_picture`.
    """
    with replace_atomically(Path(path), overwrite=overwrite, inputs=inputs) as file:
        file.write(encode_text(json.dumps(data, ensure_ascii=False, indent=2) + "\n"))
    return Path(path)


def encode_text(text: str) -> bytes:
    r"""Return text as UTF-8; a byte of a file name that is not UTF-8 as ``\udc`` and its number.

    In JSON that is the escape for it, so that the name can be read back.

    Examples
    --------
    >>> encode_text("a\udcff")
    b'a\\udcff'
    """
    return text.encode("utf-8", "backslashreplace")


def hash_file(path: str | Path) -> str:
    """Return the SHA-256 of a file's content as 64 hexadecimal digits."""
    digest = hashlib.sha256()
    with written_path(Path(path)).open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            digest.update(block)
    return digest.hexdigest()


@contextmanager
def written_together() -> Iterator[None]:
    """Let all files that the block writes appear when it ends well, in the order of their writing.

    Each is written whole and on the disk before the first gets its name, so that a failure or a
    kill leaves none of them; only between two renames, microseconds apart, can a kill leave the
    first without the last. Within another such block, that one decides.

    Raises
    ------
    WriteError
        If a file cannot get its name. What has got one, and was not there before, loses it again.
    """
    if _waiting.get() is not None:
        yield
        return
    pending: list[_Pending] = []
    token = _waiting.set(pending)
    try:
        try:
            yield
        finally:
            _waiting.reset(token)
        _appear(pending)
    except BaseException:
        for one in pending:
            _discard(one)
        raise


def short_stem(path: Path) -> str:
    """Return the stem of a file, cut where names made of it could get too long for a file system.

    Most take 255 bytes.
    """
    stem = os.fsencode(path.stem)
    if len(stem) <= _STEM_BYTES:
        return path.stem
    return stem[:_STEM_BYTES].decode(errors="ignore") + "_"


def written_path(path: Path) -> Path:
    """Return where the content of an output is: elsewhere while it waits for its name."""
    for one in _waiting.get() or ():
        if _same_place(one.target, path):
            return one.partial
    return path


@contextmanager
def replace_atomically(
    target: Path, *, overwrite: bool, inputs: Iterable[Path] = ()
) -> Iterator[BinaryIO]:
    """Yield an open file that becomes ``target`` when the block ends well, else vanishes.

    The file is readable and writable; whatever the block must check, it checks there. Its
    name starts with a dot, so that a search for frames in the folder passes it over. It carries the
    number of the process; what a dead one left in the folder is removed.

    Parameters
    ----------
    target : Path
    overwrite : bool
        Replace what is there.
    inputs : iterable of Path
        Files that must never be replaced.

    Raises
    ------
    WriteError
        If the target exists (without ``overwrite``), is an input, or cannot be written.
    """
    protected = tuple(inputs)
    check_target(target, overwrite=overwrite, inputs=protected)
    waiting = _waiting.get()
    if waiting is not None and any(_same_place(one.target, target) for one in waiting):
        raise WriteError(f"{target}: asked for twice; give each output its own name")
    _remove_abandoned(target.parent)
    one = _begin(target, overwrite, protected)
    try:
        yield one.file
        one.file.flush()
        os.fsync(one.file.fileno())
        if waiting is None:
            _appear([one])
    except OSError as exc:
        _discard(one)
        raise _write_error(target, exc) from exc
    except BaseException:
        _discard(one)
        raise
    if waiting is not None:
        waiting.append(one)


def check_target(target: Path, *, overwrite: bool, inputs: Iterable[Path] = ()) -> None:
    """Raise WriteError if a file must not or cannot be written."""
    try:
        _check_target(target, overwrite=overwrite, inputs=inputs)
    except OSError as exc:
        raise _write_error(target, exc) from exc
    except ValueError as exc:  # a zero byte
        raise WriteError(f"{target}: no name of a file ({exc}); choose another name") from exc


def check_writable(target: Path, *, overwrite: bool = False, inputs: Iterable[Path] = ()) -> None:
    """Check what `replace_atomically` will, as far as that can be known before.

    Parameters
    ----------
    target, overwrite, inputs
        As for `replace_atomically`.

    Raises
    ------
    WriteError
        If the target exists (without ``overwrite``), is an input, or its folder takes no files.
    """
    check_target(target, overwrite=overwrite, inputs=inputs)
    if not os.access(target.absolute().parent, os.W_OK):
        raise WriteError(f"{target}: no permission to write there; choose another folder")


def _check_target(target: Path, *, overwrite: bool, inputs: Iterable[Path]) -> None:
    if target.is_dir():
        raise WriteError(f"{target}: a folder, expected a file name; add one")
    if not target.parent.is_dir():
        raise WriteError(f"{target}: the folder {target.parent} does not exist; make it first")
    if not os.path.lexists(target):
        return
    for source in map(Path, inputs):
        if target.exists() and source.exists() and os.path.samefile(target, source):
            raise WriteError(
                f"{target}: is the input {source.name}; source files are never changed, "
                "choose another name"
            )
    if not overwrite:
        raise WriteError(f"{target}: exists already; choose another name or give --overwrite")
    if target.exists() and not target.is_file():
        raise WriteError(f"{target}: no ordinary file; choose another name")


def _begin(target: Path, overwrite: bool, inputs: tuple[Path, ...]) -> _Pending:
    """Open a new file beside the target, under a name that nobody can know before."""
    partial = target.with_name(f".partial-{os.getpid()}-{secrets.token_hex(8)}")
    try:
        # Mode cut down by the umask, as for any new file.
        file = open(partial, "x+b", opener=_not_linked)
    except OSError as exc:
        raise _write_error(target, exc) from exc
    lock_file(file.fileno())
    return _Pending(file, partial, target, overwrite, inputs)


def _not_linked(path: str, flags: int) -> int:
    """Open a file, not through a link, whoever put one there."""
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0), 0o666)


def _appear(pending: list[_Pending]) -> None:
    """Give files their names, all of them or, as far as the system allows, none."""
    for one in pending:  # something may have appeared there since
        check_target(one.target, overwrite=one.overwrite, inputs=one.inputs)
    new: list[Path] = []
    for one in pending:
        try:
            before = os.path.lexists(one.target)
            _rename(one)
            if not before:
                new.append(one.target)
        except OSError as exc:
            for path in new:
                with suppress(OSError):
                    path.unlink()
            raise _write_error(one.target, exc) from exc
    for folder in {one.target.parent for one in pending}:
        _sync_folder(folder)


def _rename(one: _Pending) -> None:
    if os.name != "posix":
        one.file.close()  # the lock is only needed where an open file can be removed
        (os.replace if one.overwrite else os.rename)(one.partial, one.target)
        return
    if not one.overwrite:
        try:
            os.link(one.partial, one.target)  # never over a file that came into being meanwhile
        except FileExistsError:
            raise
        except OSError:  # a file system without second names
            pass
        else:
            one.partial.unlink()
            one.file.close()
            return
    os.replace(one.partial, one.target)
    one.file.close()


def _discard(one: _Pending) -> None:
    with suppress(OSError, ValueError):  # what is left in its buffer may not fit either
        one.file.close()
    with suppress(OSError):
        one.partial.unlink()


def _remove_abandoned(folder: Path) -> None:
    """Remove the partial files of processes that were killed."""
    try:
        found = [entry for entry in os.scandir(folder) if _PARTIAL.fullmatch(entry.name)]
    except OSError:
        return
    for entry in found:
        with suppress(OSError):  # another one's, or another process was faster
            if entry.is_file(follow_symlinks=False) and _is_abandoned(entry):
                os.unlink(entry.path)


def _is_abandoned(entry: os.DirEntry[str]) -> bool:
    match = _PARTIAL.fullmatch(entry.name)
    assert match is not None
    process = int(match[1])
    if process == os.getpid():
        return False
    if os.name != "posix":
        return True  # the system does not let go of a file that is open
    settled = time.time() - entry.stat(follow_symlinks=False).st_mtime > _SETTLED_S
    if not settled and _is_alive(process):
        return False
    number = os.open(entry.path, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK)
    try:
        locked = lock_file(number)
        return locked is True or (locked is None and not _is_alive(process))
    finally:
        os.close(number)


def lock_file(number: int) -> bool | None:
    """Return whether an open file could be locked as ours; None where locks are unknown."""
    if os.name != "posix":
        return None
    import fcntl

    try:
        fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return None
    return True


def _is_alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def _same_place(first: Path, second: Path) -> bool:
    def place(path: Path) -> tuple[str, str]:
        return os.path.realpath(path.absolute().parent), os.path.normcase(path.name)

    return place(first) == place(second)


def _write_error(target: Path, exc: OSError) -> WriteError:
    if isinstance(exc, PermissionError):
        return WriteError(f"{target}: no permission to write there; choose another folder")
    if isinstance(exc, FileExistsError):
        return WriteError(f"{target}: exists already; choose another name or give --overwrite")
    # Without a number it comes from a library that was told to write more than there was room for.
    reason = exc.strerror or f"the disk took no more of it: {exc}"
    advice = {errno.ENAMETOOLONG: "choose a shorter name", errno.EROFS: "choose another folder"}
    what = advice.get(exc.errno or 0, "free space or change the folder")
    return WriteError(f"{target}: cannot be written ({reason}); {what}")


def _sync_folder(folder: Path) -> None:
    """Make the new name survive a power cut, where the system can do that for folders."""
    if os.name != "posix":
        return
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
