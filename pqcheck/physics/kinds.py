"""Types of arguments and results of `pqcheck.physics`: arrays that name their unit.

The unit is repeated in the docstring of every function; a test compares the two. Inputs may be arrays, lists or
numbers, of any width; results are float64 arrays.
"""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

Same = Annotated[ArrayLike, "same unit"]
Squares = Annotated[ArrayLike, "squared unit"]
Volts = Annotated[ArrayLike, "V"]
Amperes = Annotated[ArrayLike, "A"]
Watts = Annotated[ArrayLike, "W"]
Vars = Annotated[ArrayLike, "var"]
VoltAmperes = Annotated[ArrayLike, "VA"]
Percent = Annotated[ArrayLike, "%"]
Ratio = Annotated[ArrayLike, "1"]
Orders = Annotated[ArrayLike, "order"]
Seconds = Annotated[ArrayLike, "s"]
Count = Annotated[int, "count"]

SameArray = Annotated[Array, "same unit"]
AmpereArray = Annotated[Array, "A"]
VoltAmpereArray = Annotated[Array, "VA"]
PercentArray = Annotated[Array, "%"]
RatioArray = Annotated[Array, "1"]

Phasors = Annotated[ArrayLike, "V"]
"""Complex; rms magnitude in V."""


def array(values: ArrayLike) -> Array:
    """The values as float64, copied only where the width changes."""
    return np.asarray(values, dtype=np.float64)


def ratio(numerator: Any, denominator: Any) -> Array:
    """Quotient that is NaN where the denominator is not above zero."""
    above, below = np.broadcast_arrays(array(numerator), array(denominator))
    result: Array = np.divide(above, below, out=np.full(below.shape, np.nan), where=below > 0)
    return result
