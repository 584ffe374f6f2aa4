"""Numbers with units as people write them: 35cm, 6ft 2in, 1/60s, f/8, 1:2."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

import click

_NUMBER = r"([0-9]*\.?[0-9]+|[0-9]+\.)"
_FEET_AND_INCHES = re.compile(
    rf"{_NUMBER}\s*(?:'|′|’|ft|foot|feet)\s*(?:{_NUMBER}\s*(?:\"|″|”|''|in|inch|inches)?)?"
)
_INCH_MM = 25.4
"""The international inch (agreement of 1959)."""


class Quantity(click.ParamType):
    """A number above 0 with a unit, also written as a fraction; 0 too if ``zero``.

    Parameters
    ----------
    name : str
        What it is, for messages.
    example : str
        What to type.
    units : mapping of str to float
        Factor of each unit; without units the number stands alone.
    bare : str, optional
        Unit of a number without one, where the trade knows one only. Without it such a number
        is refused: to guess metres for millimetres plans another picture.
    prefix : str
        May stand before the number.
    """

    def __init__(
        self,
        name: str,
        *,
        example: str,
        units: Mapping[str, float] | None = None,
        bare: str | None = None,
        prefix: str = "",
        zero: bool = False,
    ) -> None:
        self.name, self.example, self.prefix, self.zero = name, example, prefix, zero
        self.units = dict(units or {"": 1.0})
        if bare is not None:
            self.units[""] = self.units[bare]

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the number in the unit whose factor is 1; a float is taken as it is."""
        if isinstance(value, float):
            return value
        text = " ".join(str(value).strip().lower().removeprefix(self.prefix).split())
        if "mm" in self.units and text in {"inf", "infinity", "∞"}:
            return math.inf
        number, unit = math.nan, ""
        if "ft" in self.units and (feet := _FEET_AND_INCHES.fullmatch(text)):
            number, unit = _INCH_MM * (12 * float(feet[1]) + float(feet[2] or 0)), "mm"
        elif match := re.fullmatch(rf"{_NUMBER}\s*(?:[/:]\s*{_NUMBER})?\s*([^0-9.,/:\s-]*)", text):
            top, bottom, unit = float(match[1]), float(match[2] or 1), match[3]
            number = top / bottom if bottom else math.nan
            if unit == "" and "" not in self.units:
                self.fail(f"{value!r} has no unit: write {self._with_units(text)}", param, ctx)
        if unit not in self.units or not (number > 0 or (self.zero and number == 0)):
            above = "of 0 or more" if self.zero else "above 0"
            hint = "; decimals take a point" if re.search(r"[0-9],[0-9]", str(value)) else ""
            expected = f"expected a {self.name} {above} such as {self.example}{hint}"
            self.fail(f"{value!r}: {expected}", param, ctx)
        return number * self.units[unit]

    def _with_units(self, text: str) -> str:
        known = ("mm", "cm", "m", "ft", "in", "s", "min", "%", "px")
        ways = [f"{text}{unit}" for unit in known if unit in self.units]
        return " or ".join(filter(None, (", ".join(ways[:-1]), ways[-1])))


_LENGTHS = {
    "mm": 1.0, "cm": 10.0, "m": 1000.0, "km": 1e6, "in": _INCH_MM, "inch": _INCH_MM,
    "inches": _INCH_MM, '"': _INCH_MM, "″": _INCH_MM, "”": _INCH_MM, "''": _INCH_MM,
    "ft": 12 * _INCH_MM, "yd": 36 * _INCH_MM,
}  # fmt: skip
# Micrometres: with the micro sign, and with the Greek letter that looks the same.
_FINE = {"um": 1e-3, "µm": 1e-3, "μm": 1e-3}
_TIMES = {"s": 1.0, "sec": 1.0, "min": 60.0, "h": 3600.0}

DISTANCE = Quantity("length", units=_LENGTHS, example="35cm, 0.5m, 6ft 2in or inf")
DEPTH = Quantity("length", units=_LENGTHS | _FINE, example="4mm, 0.25in or 800um")
FOCAL_LENGTH = Quantity("focal length", units={"mm": 1.0}, bare="mm", example="24mm")
F_NUMBER = Quantity("f-number", prefix="f/", example="f/5.6")
SPAN_OF_TIME = Quantity("time", units=_TIMES, example="30s or 2min")
PAUSE = Quantity("time", units=_TIMES, example="2s", zero=True)
EXPOSURE = Quantity("time", units=_TIMES, bare="s", example="1/60 or 2s")
SIZE_RATIO = Quantity("ratio", units={"": 1.0, "x": 1.0, "×": 1.0}, example="0.5, 1:2 or 2x")
PERCENT = Quantity("percentage", units={"%": 1.0}, example="20%")
PIXEL_PITCH = Quantity("size", units={"um": 1.0, "µm": 1.0, "μm": 1.0}, bare="um", example="3.76um")
BLUR = Quantity("blur", units={"px": 1.0}, example="2px")
MILLIONS = Quantity("number", units={"": 1.0, "mp": 1.0}, example="24")
