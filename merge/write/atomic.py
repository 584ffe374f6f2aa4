"""Files that appear whole or not at all."""

from __future__ import annotations

import hashlib
import json
import os
import secrets
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from merge.errors import WriteError

_BLOCK_BYTES = 1 << 22


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
    text = json.dumps(data, ensure_ascii=False, indent=2) + "\n"
    with replace_atomically(Path(path), overwrite=overwrite, inputs=inputs) as file:
        file.write(text.encode("utf-8"))
    return Path(path)


def hash_file(path: str | Path) -> str:
    """Return the SHA-256 of a file's content as 64 hexadecimal digits."""
    digest = hashlib.sha256()
    with Path(path).open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            digest.update(block)
    return digest.hexdigest()


@contextmanager
def replace_atomically(
    target: Path, *, overwrite: bool, inputs: Iterable[Path] = ()
) -> Iterator[BinaryIO]:
    """Give an open file that becomes ``target`` when the block ends well, else vanishes.

    The file is readable and writable; whatever the block must check, it checks there. Its
    name starts with a dot, so that a search for frames in the folder passes it over.

    Raises
    ------
    WriteError
        If the target exists (without ``overwrite``), is an input, or cannot be written.
    """
    partial = target.with_name(f".partial-{secrets.token_hex(8)}")
    protected = list(inputs)  # walked twice
    check_target(target, overwrite=overwrite, inputs=protected)
    try:
        with partial.open("x+b") as file:  # mode cut down by the umask, as for any new file
            yield file
            file.flush()
            os.fsync(file.fileno())
        check_target(target, overwrite=overwrite, inputs=protected)  # it may have appeared since
        os.replace(partial, target)
        _sync_folder(target.parent)
    except OSError as exc:
        partial.unlink(missing_ok=True)
        raise _write_error(target, exc) from exc
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


def check_target(target: Path, *, overwrite: bool, inputs: Iterable[Path]) -> None:
    """Raise WriteError if a file must not or cannot be written."""
    try:
        _check_target(target, overwrite=overwrite, inputs=inputs)
    except OSError as exc:
        raise _write_error(target, exc) from exc


def _check_target(target: Path, *, overwrite: bool, inputs: Iterable[Path]) -> None:
    if target.is_dir():
        raise WriteError(f"{target}: a folder, expected a file name; add one")
    if not target.parent.is_dir():
        raise WriteError(f"{target}: the folder {target.parent} does not exist; make it first")
    if not target.exists():
        return
    for source in inputs:
        if source.exists() and os.path.samefile(target, source):
            raise WriteError(
                f"{target}: is the input {source.name}; source files are never changed, "
                "choose another name"
            )
    if not overwrite:
        raise WriteError(f"{target}: exists already; choose another name or give --overwrite")


def _write_error(target: Path, exc: OSError) -> WriteError:
    if isinstance(exc, PermissionError):
        return WriteError(f"{target}: no permission to write there; choose another folder")
    reason = exc.strerror or str(exc)
    return WriteError(f"{target}: cannot be written ({reason}); free space or change the folder")


def _sync_folder(folder: Path) -> None:
    """Make the new name survive a power cut, where the system can do that for folders."""
    if os.name != "posix":
        return
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
