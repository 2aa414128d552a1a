"""The Python API: surveys, station files and arrays without ports.

``import swathe`` offers what is public here; see ``swathe.__all__``.
"""
