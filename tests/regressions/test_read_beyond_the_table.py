"""A share that rounds to one read beside the interpolation table."""

import numpy as np
import pytest
from interpolated import read


@pytest.mark.parametrize("taps", [32, 48])
def test_fraction_that_rounds_to_one_stays_inside_the_table(taps, rng):
    """-1e-18 has floor -1 and a fraction that is 1 in floating point: the sample at 0, by the last row but one."""
    line = rng.standard_normal((2, 200))
    got = read(line, np.full(60, 1e-18), taps, origin=80)
    np.testing.assert_array_equal(got, line[:, 80:140])
