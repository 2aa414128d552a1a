"""Calibration checks, and the cells that a failed one makes suspect."""
