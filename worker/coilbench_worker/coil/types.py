"""Array types of the electrical model."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Polynomial = NDArray[np.floating[Any]]
"""Coefficients, lowest power first, as numpy's functions give them."""
