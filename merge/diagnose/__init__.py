"""From measurements to findings: what a photographer should know about a bracket, worst first.

`diagnose_stack` judges the focus axis, the registration and the settings; `describe_slices`
tells for every frame what limits its sharpness. Both read what other stages measured.
"""

from merge.diagnose.coverage import Coverage, measure_coverage
from merge.diagnose.distances import FocusPlace, find_distance_conflicts, locate_frames
from merge.diagnose.findings import diagnose_stack
from merge.diagnose.kind import find_aperture_series, find_other_kind
from merge.diagnose.limits import DetectionLimits, measure_limits
from merge.diagnose.sequence import leads_back
from merge.diagnose.slices import SliceLimits, describe_slices, find_diffraction
