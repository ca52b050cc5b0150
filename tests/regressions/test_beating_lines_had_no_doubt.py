"""Several lines in two-sigma read 0.125248 +/- 0.000013 %; exact is 0.125545."""

import numpy as np

from measure.parts.signals import Modulation, modulated_tone
from measure.quantities.flutter import flutter

FS = 8000


CARRIER = 3150.0


def test_lines_that_beat_leave_a_doubt() -> None:
    """Of three lines over 12 s: exact is what their distribution gives over all phases (2 million draws)."""
    parts = ((0.55, 0.08), (5.05, 0.07), (7.7, 0.05))
    speed = [Modulation(rate_hz=r, peak_percent=p, phase_radians=i) for i, (r, p) in enumerate(parts)]
    signal = modulated_tone(CARRIER, duration_seconds=12, sample_rate=FS, speed=speed)
    reading = flutter(signal, FS).unweighted["two_sigma"]
    rng = np.random.default_rng(0)
    draws = sum(p * np.sin(rng.uniform(0, 2 * np.pi, 2_000_000)) for _, p in parts)
    exact = float(np.quantile(np.abs(draws), 0.95))
    assert abs(reading.value - exact) < 2 * reading.uncertainty
    assert reading.uncertainty < 0.02 * exact
    # Lines in step with one another have one waveform, which any stretch holds.
    locked = [Modulation(rate_hz=2.0 * k, peak_percent=0.1 / k) for k in (1, 2, 3)]
    signal = modulated_tone(CARRIER, duration_seconds=12, sample_rate=FS, speed=locked)
    assert flutter(signal, FS).unweighted["two_sigma"].uncertainty < 1e-3 * 0.1
