"""Values that cross the borders between stages: frozen, without behaviour.

Points and transforms are (x, y) in pixels with integer coordinates at pixel centres; arrays
are indexed (row, column). "Not known" is None or NaN, never 0.
"""

from merge.model.findings import Finding, worst_first, worst_severity
from merge.model.focus import DepthMap, DepthScale, FocusAxis, FrameQuality, TileEnergies
from merge.model.frames import CaptureSettings, Frame, FrameSource, Stack
from merge.model.geometry import (
    FrameRegistration,
    FrameTransform,
    Misfit,
    Registration,
    SmoothField,
)
from merge.model.options import AuditOptions, MergeOptions
from merge.model.types import (
    Array,
    BlendMethod,
    BoolArray,
    Box,
    Extent,
    FileKind,
    FloatArray,
    Index,
    MotionModel,
    Progress,
    Severity,
)
