"""Whole jobs: the stages joined, with memory and files in view."""
