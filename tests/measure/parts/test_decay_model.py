"""The fit of decays where it finds nothing; what it finds is tested with the quantities that stand on it."""

import numpy as np
import pytest

from measure.parts import decay_model


def test_the_stated_doubt_is_the_scatter():
    """Decays without a floor, of power that scatters as chi-squared does; the cap that is added does not scatter.

    Taken for chance, it would make the doubt an eighth too large. A standard deviation of 800 is sure to 2.5 %.
    """
    rng = np.random.default_rng(11)
    t = np.linspace(0.0, 1.5, 160)
    found, stated = [], []
    for _ in range(800):
        power = np.exp(-13.8 * t) * rng.gamma(8.0, 1.0 / 8.0, t.size)
        data = decay_model.PowerBlocks(t=t, power=power + 1e-6, cap=1e-6, weight=8.0)
        model = decay_model.maximise(data, np.array([1.0]), np.array([13.8]), 1.1e-6, tolerance=1e-4)
        assert model is not None
        found.append(np.log(model.rates[0]))
        stated.append(model.rate_sigma[0])
    assert np.std(found) / np.mean(stated) == pytest.approx(1.0, abs=0.06)


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
        return here._replace(theta=here.theta + parameters, decays=here.decays * information)

    monkeypatch.setattr(decay_model, "_climb", climb)
    assert decay_model.maximise(*start) is None
