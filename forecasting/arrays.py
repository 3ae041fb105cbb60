"""Arrays of numbers, of truth values, of positions and of text."""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]
StrArray = npt.NDArray[np.str_]
