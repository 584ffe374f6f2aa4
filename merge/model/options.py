"""Settings of merges and audits; the defaults live here and nowhere else."""

from __future__ import annotations

from dataclasses import dataclass

from merge.model.types import BlendMethod, Extent, MotionModel


@dataclass(frozen=True)
class AuditOptions:
    """Settings of an audit; the defaults live here and nowhere else.

    Attributes
    ----------
    tolerance : str
        Blur-circle diameter allowed: "2px", "0.03mm" on the sensor or "d/1500" of its diagonal.
    pixel_pitch_um, magnification, f_number : float or None
        In place of what the files tell.
    pupil_ratio : float
        Exit-pupil over entrance-pupil diameter of the lens.
    anyway : bool
        Take also what is no focus bracket: an aperture series, an exposure bracket, a burst at one
        focus, one bracket twice, two scenes.
    quick : bool
        An audit looks at reduced pictures: the previews in raw files, JPEGs as the decoder reduces
        them. For a merge it means nothing.
    """

    tolerance: str = "2px"
    pixel_pitch_um: float | None = None
    magnification: float | None = None
    pupil_ratio: float = 1.0
    f_number: float | None = None
    anyway: bool = False
    quick: bool = False


@dataclass(frozen=True)
class MergeOptions:
    """Settings of a merge; the defaults live here and nowhere else.

    Attributes
    ----------
    method : {"auto", "detail", "surface"}
        How the frames are joined.
    motion : {"auto", "shift", "similarity", "camera", "affine", "perspective", "none"}
        Allowed between frames; "auto" chooses by what the frames bear out.
    extent : {"common", "reference"}
        Area that all frames cover, or the whole reference frame.
    reference : int or None
        Index of the reference frame; None = the middle one.
    equalize_exposure : bool
        Undo exposure differences between frames.
    strict : bool
        Fail when a frame cannot be aligned, instead of leaving it out.
    memory_limit_bytes : int or None
        Upper limit of resident memory; None = as it comes.
    audit : AuditOptions
        By which the bracket is inspected.
    """

    method: BlendMethod = "auto"
    motion: MotionModel = "auto"
    extent: Extent = "common"
    reference: int | None = None
    equalize_exposure: bool = True
    strict: bool = False
    memory_limit_bytes: int | None = None
    audit: AuditOptions = AuditOptions()
