"""Loops of the level meter that rendering uses: two biquads per channel, and peaks between samples."""

from tapeemu.dsp.kernels.arrays import Reals2, Reals3
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["interpolated_peak", "weighted_energy"]

_STRETCH = 64
"""Samples whose peak decides whether anything between them can be larger than what is known."""


@kernel()
def weighted_energy(
    block: Reals2, coefficients: Reals2, state: Reals3, energy: Reals2, filled: int, hop: int
) -> int:
    """Add the energy behind two biquads to hop-long cells.

    Parameters
    ----------
    block : ndarray, shape (channels, samples)
        Audio.
    coefficients : ndarray, shape (2, 5)
        b0, b1, b2, a1, a2 of each biquad.
    state : ndarray, shape (channels, 2, 2)
        Transposed direct form II states, changed in place.
    energy : ndarray, shape (channels, cells)
        Sums of squares, changed in place; the first cell may be partly filled.
    filled : int
        Samples already in the first cell.
    hop : int
        Samples per cell.

    Returns
    -------
    int
        Samples in the last, incomplete cell.
    """
    samples = block.shape[1]
    for channel in range(block.shape[0]):
        for sample in range(samples):
            value = block[channel, sample]
            for stage in range(2):
                output = coefficients[stage, 0] * value + state[channel, stage, 0]
                state[channel, stage, 0] = (
                    coefficients[stage, 1] * value - coefficients[stage, 3] * output + state[channel, stage, 1]
                )
                state[channel, stage, 1] = coefficients[stage, 2] * value - coefficients[stage, 4] * output
                value = output
            energy[channel, (filled + sample) // hop] += value * value
        for stage in range(2):
            for order in range(2):
                if abs(state[channel, stage, order]) < 1e-30:  # keeps silence out of the denormals
                    state[channel, stage, order] = 0.0
    last: int = (filled + samples) % hop
    return last


@kernel()
def interpolated_peak(padded: Reals2, phases: Reals2, overshoot: float, largest: float) -> float:
    """Largest magnitude of the audio between its samples.

    Parameters
    ----------
    padded : ndarray, shape (channels, samples + taps - 1)
        Audio with the history that the filter needs in front.
    phases : ndarray, shape (positions, taps)
        Interpolation filter for each position between two samples.
    overshoot : float
        Largest sum of tap magnitudes: no interpolated value exceeds its samples by more, so quiet
        stretches need no interpolation.
    largest : float
        Largest magnitude known so far.

    Returns
    -------
    float
        Largest magnitude known now.
    """
    positions, taps = phases.shape
    samples = padded.shape[1] - taps + 1
    for channel in range(padded.shape[0]):
        for start in range(0, samples, _STRETCH):
            stop = min(start + _STRETCH, samples)
            peak = 0.0
            for sample in range(start, stop + taps - 1):
                peak = max(peak, abs(padded[channel, sample]))
            if peak * overshoot <= largest:
                continue
            for sample in range(start, stop):
                for position in range(positions):
                    total = 0.0
                    for tap in range(taps):
                        total += phases[position, tap] * padded[channel, sample + tap]
                    largest = max(largest, abs(total))
    return largest
