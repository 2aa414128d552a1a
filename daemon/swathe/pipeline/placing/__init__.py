"""Placing: from bytes to readings at known positions, and the path of the probe."""
