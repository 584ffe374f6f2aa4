"""What sorting gives: shots, the groups that they form, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from merge.model import CaptureSettings, FrameSource

GroupKind = Literal["focus bracket", "aperture series", "exposure bracket", "single"]


@dataclass(frozen=True)
class Shot:
    """One press of the shutter: the file to work with and further files of the same exposure.

    Attributes
    ----------
    source : FrameSource
        The raw file of a pair, otherwise the only file.
    companions : tuple of FrameSource
        Files of the same exposure, such as the JPEG beside a raw file.
    problem : str
        Why the file cannot be used; empty if it can.
    remark : str
        What else to know about it, for the notes of its group.
    """

    source: FrameSource
    companions: tuple[FrameSource, ...] = ()
    problem: str = ""
    remark: str = ""

    @property
    def settings(self) -> CaptureSettings:
        """Settings of the first file of the shot that knows its time, else of the source."""
        for file in self.files:
            if file.settings.captured_at is not None:
                return file.settings
        return self.source.settings

    @property
    def files(self) -> tuple[FrameSource, ...]:
        """Every file of the shot, the one to work with first."""
        return (self.source, *self.companions)


@dataclass(frozen=True)
class FrameGroup:
    """Shots that belong together.

    Attributes
    ----------
    kind : {"focus bracket", "aperture series", "exposure bracket", "single"}
    shots : tuple of Shot
        In shooting order.
    reason : str
        One sentence: what made them a group of this kind.
    certainty : float
        0 = a guess, 1 = certain.
    notes : tuple of str
        Things to know about the group, such as an interruption.
    """

    kind: GroupKind
    shots: tuple[Shot, ...]
    reason: str
    certainty: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class GroupSet:
    """Groups that were taken as one thing, such as a focus bracket at several exposures.

    Attributes
    ----------
    words : str
        What they are together.
    groups : tuple of int
        Positions in `SortedFrames.groups`.
    """

    words: str
    groups: tuple[int, ...]


@dataclass(frozen=True)
class SortedFrames:
    """Every file of a folder, in a group or named as left out.

    Attributes
    ----------
    groups : tuple of FrameGroup
        Camera by camera, in shooting order.
    skipped : tuple of str
        One line for each file that is in no group, with the reason.
    sets : tuple of GroupSet
        What groups are together.
    """

    groups: tuple[FrameGroup, ...]
    skipped: tuple[str, ...] = ()
    sets: tuple[GroupSet, ...] = ()
