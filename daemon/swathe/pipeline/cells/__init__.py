"""Cells: what each holds, which the probe crossed, which are missing."""
