"""Text from files, made fit for a terminal."""

from __future__ import annotations

import re

# Controls of a terminal, marks that turn the direction of writing, separators of lines that only
# some programs know, and the bytes of a file name that is not UTF-8.
_UNFIT = "\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff"
_IN_TEXT = re.compile(f"[{_UNFIT}]")
_IN_NAME = re.compile(f"[\t\n{_UNFIT}]")


def printable(text: str) -> str:
    r"""Return text with all that a terminal might obey written as an escape; lines stay lines.

    Examples
    --------
    >>> print(printable("a\x1b[31mb"))
    a\x1b[31mb
    """
    return _IN_TEXT.sub(_escape, text)


def printable_name(name: str) -> str:
    r"""Return the name of a file as one line, with all that a terminal might obey escaped.

    Examples
    --------
    >>> print(printable_name("two\nlines\udcff.jpg"))
    two\x0alines\xff.jpg
    """
    return _IN_NAME.sub(_escape, name)


def printable_json(text: str) -> str:
    r"""Return JSON with all that a terminal might obey, or that is no UTF-8, as JSON's own escapes.

    Examples
    --------
    >>> print(printable_json('["\x9b\udcff"]'))
    ["\u009b\udcff"]
    """
    return _IN_TEXT.sub(lambda match: f"\\u{ord(match[0]):04x}", text)


def _escape(match: re.Match[str]) -> str:
    code = ord(match[0])
    if 0xDC80 <= code <= 0xDCFF:  # stands for one byte: PEP 383
        code -= 0xDC00
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"
