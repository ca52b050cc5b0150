"""How much wider two sigma are where the deviation itself is told from few values."""

__all__ = ["widened"]

_UP_TO_TWO_SIGMA = 0.97725


def widened(degrees: float) -> float:
    """Half of what holds 95.4 % of Student's distribution: a factor of 1 for endless `degrees` of freedom."""
    from scipy.special import stdtrit

    return 0.5 * float(stdtrit(degrees, _UP_TO_TWO_SIGMA))
