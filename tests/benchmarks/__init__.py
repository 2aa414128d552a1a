"""Programs that measure; run them by hand: ``python tests/benchmarks/NAME.py``."""
