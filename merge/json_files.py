"""JSON that comes from outside: read within limits, checked against a schema."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from merge.errors import ReadError

# An audit of 10,000 frames takes some 20 MB.
_MAX_BYTES = 64 << 20
_BYTE_ORDER_MARKS = (
    (b"\xff\xfe\0\0", "utf-32"), (b"\0\0\xfe\xff", "utf-32"),
    (b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"),
)  # fmt: skip
_SHOWN = 60


def read_json(path: Path, *, schema: Mapping[str, Any], source: str) -> dict[str, Any]:
    """Return the object that a JSON file holds.

    UTF-8, or UTF-16 and a byte-order mark as shells of Windows write them.

    Parameters
    ----------
    path : Path
    schema : mapping
        JSON Schema, draft 2020-12, of an object.
    source : str
        The command that writes such a file, for the message.

    Raises
    ------
    ReadError
        If the file cannot be read, is too large, no JSON, or does not fit the schema.
    """
    advice = f"expected the output of '{source}'; give that file"
    try:
        with path.open("rb") as file:
            data = file.read(_MAX_BYTES + 1)
    except (OSError, ValueError) as exc:
        found = getattr(exc, "strerror", None) or exc
        raise ReadError(f"{path}: cannot be read ({found}); check the name") from exc
    if len(data) > _MAX_BYTES:
        raise ReadError(f"{path}: more than {_MAX_BYTES >> 20} MiB, {advice}")
    try:
        content = json.loads(_decode(data), parse_constant=_refuse, parse_float=_finite)
    except (ValueError, RecursionError) as exc:
        raise ReadError(f"{path}: no JSON, {advice}") from exc
    check_json(content, path, schema=schema, source=source)
    return dict(content)


def check_json(content: Any, path: Path, *, schema: Mapping[str, Any], source: str) -> None:
    """Raise ReadError unless JSON from a file fits a schema; arguments as `read_json`."""
    fault = find_fault(content, schema)
    if fault:
        raise ReadError(f"{path}: {fault}, expected the output of '{source}'; give that file")


def _decode(data: bytes) -> str:
    for mark, encoding in _BYTE_ORDER_MARKS:
        if data.startswith(mark):
            return data.decode(encoding)
    if data[1:2] == b"\0":
        return data.decode("utf-16-le")
    return data.decode("utf-16-be" if data[:1] == b"\0" else "utf-8")


def _refuse(name: str) -> float:
    raise ValueError(f"{name} is no number of JSON")


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text} is too large")
    return number


def find_fault(content: Any, schema: Mapping[str, Any]) -> str | None:
    """Return where and how JSON does not fit a schema; None if all does."""
    # Loaded here: most commands need none of it.
    from jsonschema import Draft202012Validator
    from jsonschema.exceptions import best_match

    try:
        error = best_match(Draft202012Validator(schema).iter_errors(content))
    except (RecursionError, OverflowError) as exc:
        return f"JSON that goes too deep ({type(exc).__name__})"
    if error is None:
        return None
    place = "".join(f"[{p}]" if isinstance(p, int) else f".{p}" for p in error.absolute_path)
    message = error.message if len(error.message) <= _SHOWN else error.message[:_SHOWN] + "…"
    return f"JSON of another kind ({place.lstrip('.') or 'the whole'}: {message})"


def size(least: float, most: float) -> dict[str, Any]:
    """Return the schema of a number above 0 within limits; 0 or null for not known."""
    return {"anyOf": [{"enum": [None, 0]}, {"type": "number", "minimum": least, "maximum": most}]}


def number(least: float, most: float) -> dict[str, Any]:
    """Return the schema of a number within limits, or null for not known."""
    return {"type": ["number", "null"], "minimum": least, "maximum": most}
