"""What holds for all tests."""

from __future__ import annotations

from hypothesis import settings

# A machine that does other work beside is slow now and then; that is no fault of what is tested.
settings.register_profile("swathe", deadline=None)
settings.load_profile("swathe")
