"""What equations take and give."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Values = float | Array  # a number, or numbers of any shape that fit each other
