"""The fit of decays where it finds nothing; what it finds is tested with the quantities that stand on it."""

import numpy as np
import pytest

from measure.parts import decay_model


@pytest.mark.parametrize(("parameters", "information"), [(np.nan, 1.0), (0.0, np.nan)])
def test_a_search_that_ends_at_no_finite_numbers_gives_nothing(monkeypatch, parameters, information):
    """Numbers without end leave no covariance: the singular values of such a matrix do not converge."""
    t = np.linspace(0.0, 1.0, 50)
    data = decay_model.PowerBlocks(t=t, power=np.exp(-10.0 * t), cap=1e-6, weight=10.0)
    start = (data, np.array([1.0]), np.array([10.0]), 1e-6)
    found = decay_model.maximise(*start)
    assert found is not None
    assert found.rates == pytest.approx([10.0], rel=1e-3)

    def climb(data, here, tolerance):
        return here._replace(theta=here.theta + parameters), information * np.eye(3)

    monkeypatch.setattr(decay_model, "_climb", climb)
    assert decay_model.maximise(*start) is None
