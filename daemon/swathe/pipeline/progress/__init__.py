"""Snapshots of a survey for publication, and the rates in them."""
