"""Type aliases of the arrays that the daemon computes with."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bools", "Cells", "Floats", "Ints", "Times"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Cells = NDArray[np.int64]
"""Numbers of grid cells: ``scan number · number of lines + line``."""
Times = NDArray[np.int64]
"""Times in ns: of the host's monotonic clock, unless said otherwise."""
