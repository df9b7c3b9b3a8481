"""Names for the arrays that run through the whole program: a column of times, counts, levels or marks.

Times are int64 nanoseconds; their absence is `presence.NO_STAMP`, never a float's NaN.
"""

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Int64s: TypeAlias = NDArray[np.int64]
Uint32s: TypeAlias = NDArray[np.uint32]
Uint8s: TypeAlias = NDArray[np.uint8]
Floats: TypeAlias = NDArray[np.float64]
Bools: TypeAlias = NDArray[np.bool_]
Places: TypeAlias = NDArray[np.intp]
