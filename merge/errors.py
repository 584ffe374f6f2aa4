"""Exceptions.

::

    MergeError                 everything a user can cause with files and settings
    ├── ReadError              file missing, damaged, unsupported
    ├── FrameMismatchError     shape, channels or orientation differ in a sequence
    ├── RegistrationError      a frame cannot be aligned
    ├── WriteError             output exists, folder not writable, disk full
    ├── MemoryLimitError       the budget is too small for one tile
    └── OptionError            a setting is none of those that are possible; a ValueError, too

A message says which frame, what was found, what was expected, what to do, in one line.
"""


class MergeError(Exception):
    """Everything a user can cause with files and settings."""


class ReadError(MergeError):
    """A file is missing, damaged or of an unsupported kind."""


class FrameMismatchError(MergeError):
    """Shape, channels or orientation differ within one sequence."""


class RegistrationError(MergeError):
    """A frame cannot be aligned."""


class WriteError(MergeError):
    """The output exists already, its folder is not writable, or the disk is full."""


class MemoryLimitError(MergeError):
    """The memory budget is too small for the smallest piece of work."""


class OptionError(MergeError, ValueError):
    """A setting is none of those that are possible."""
