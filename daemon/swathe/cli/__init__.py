"""The ``swathe`` command; it begins in ``main.py``."""
