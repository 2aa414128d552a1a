"""A short tour over places to visit."""
