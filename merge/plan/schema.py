"""What of an audit's JSON a plan reads, as JSON Schema."""

from __future__ import annotations

from typing import Any

from merge.json_files import number, size

_MOST_FRAMES = 100_000
_INDICES = {
    "type": "array",
    "maxItems": _MOST_FRAMES,
    "items": {"type": "integer", "minimum": 0, "maximum": _MOST_FRAMES},
}
# Blur wider than any picture is no measurement.
_POSITIONS = {"type": "array", "maxItems": _MOST_FRAMES, "items": number(-1e5, 1e5)}
_SETTINGS = {
    "tolerance_px": number(0.01, 1e5),
    "pixel_pitch_um": size(1e-3, 1e3),
    "magnification": size(1e-6, 1e3),
    "f_number": size(0.1, 1e3),
    "effective_f_number": size(0.1, 1e6),
    "focal_length_mm": size(0.01, 1e5),
}
AUDIT_SCHEMA: dict[str, Any] = {
    "type": "object",
    "properties": {
        **_SETTINGS,
        "settings": {"type": ["object", "null"], "properties": _SETTINGS},
        "positions_px": _POSITIONS,
        "focus_axis": {
            "type": ["object", "null"],
            "properties": {
                "positions_px": _POSITIONS,
                "frames": {"anyOf": [_INDICES, {"type": "null"}]},
            },
        },
        "findings": {
            "type": ["array", "null"],
            "maxItems": _MOST_FRAMES,
            "items": {
                "type": "object",
                "properties": {
                    "kind": {"type": "string"},
                    "severity": {"type": "string"},
                    "frames": {"anyOf": [_INDICES, {"type": "null"}]},
                    "value": number(-1e5, 1e5),
                },
            },
        },
        "frames": {
            "type": ["array", "null"],
            "maxItems": _MOST_FRAMES,
            "items": {
                "type": "object",
                "properties": {
                    "name": {"type": ["string", "null"]},
                    "focus_distance_m": size(1e-6, 1e9),
                },
            },
        },
    },
}
