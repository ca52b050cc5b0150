"""Types of the numeric subset that kernels are written in: what an annotation says, all targets obey.

An annotation names the element and the number of dimensions of an array, the last dimension contiguous, and
the width of a number. In Python all real numbers are float64; a C build may hold those called "real" in
single precision, never those called "precise".
"""

from collections.abc import Mapping
from typing import Annotated

import numpy as np
import numpy.typing as npt

__all__ = [
    "ELEMENTS",
    "Hashes1",
    "Hashes2",
    "Integers1",
    "Integers2",
    "Places1",
    "Precise",
    "Precises1",
    "Precises2",
    "Precises3",
    "Reals1",
    "Reals2",
    "Reals3",
    "Singles1",
]

Precise = Annotated[float, "double"]
"""A real number that stays in double precision everywhere: places on the tape, slow poles."""

_Float64 = npt.NDArray[np.float64]

Reals1 = Annotated[_Float64, "real", 1]
Reals2 = Annotated[_Float64, "real", 2]
Reals3 = Annotated[_Float64, "real", 3]
"""Arrays of real numbers, of one, two and three dimensions."""

Precises1 = Annotated[_Float64, "double", 1]
Precises2 = Annotated[_Float64, "double", 2]
Precises3 = Annotated[_Float64, "double", 3]
"""Arrays of numbers that stay in double precision everywhere."""

Singles1 = Annotated[npt.NDArray[np.float32], "float", 1]
"""Arrays in single precision everywhere."""

Integers1 = Annotated[npt.NDArray[np.int64], "int64_t", 1]
Integers2 = Annotated[npt.NDArray[np.int64], "int64_t", 2]
Places1 = Annotated[npt.NDArray[np.int32], "int32_t", 1]
Hashes1 = Annotated[npt.NDArray[np.uint64], "uint64_t", 1]
Hashes2 = Annotated[npt.NDArray[np.uint64], "uint64_t", 2]
"""Arrays of integers, 64 and 32 bits wide and unsigned."""

ELEMENTS: Mapping[str, npt.DTypeLike] = {
    "real": np.float64,
    "double": np.float64,
    "float": np.float32,
    "int64_t": np.int64,
    "int32_t": np.int32,
    "uint64_t": np.uint64,
}
"""What holds an element of each name in Python."""
