"""Rasters: lines cut at the zones, and the moves that scan them."""
