"""Spots: named measurement locations that are read one at a time, without an encoder."""
