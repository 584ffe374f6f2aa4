"""Marks that several files of tests use."""

from __future__ import annotations

from typing import Any

import pytest


def slow(*values: Any) -> Any:
    """Mark one more place for a check that has a faster one, too."""
    return pytest.param(*values, marks=pytest.mark.slow)
