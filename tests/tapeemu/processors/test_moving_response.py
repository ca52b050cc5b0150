"""Where a tape saturates along a curve: each stretch is the tape that is set so."""

from typing import Any

import numpy as np
import pytest
from fed_blocks import in_blocks
from moving_settings import curve, moved

from measure import harmonic_distortion
from tapeemu import TapeResponse
from tapeemu.errors import ParameterError

RATE = 48_000
TAPE = TapeResponse(self_erasure_db=3.0, mol_db=0.0, face_length_mm=0.0)


def tone(hertz: float, samples: int, peak: float) -> Any:
    return peak * np.sin(2.0 * np.pi * hertz * np.arange(samples) / RATE)


def third_percent(audio: Any, hertz: float = 1_000.0) -> float:
    """Third harmonic of whole cycles, by the Fourier sums of numpy."""
    spectrum = np.abs(np.fft.rfft(audio))
    at = round(hertz * audio.size / RATE)
    return float(100.0 * spectrum[3 * at] / spectrum[at])


def test_mol_is_where_the_curve_says() -> None:
    """A sine at the level of each stretch has 3 % third harmonic there, by its definition."""
    audio = np.concatenate([tone(1_000.0, RATE, 10.0 ** ((-18.0 + level) / 20.0)) for level in (-3.0, 3.0)])
    heard = moved(TAPE, curve("mol_db", (1.0, -3.0, "hold"), (1.0, 3.0)))(audio, RATE)
    for first in (RATE // 2, 3 * RATE // 2):
        assert third_percent(heard[first : first + 4_800 * 4]) == pytest.approx(3.0, abs=0.02)


def test_both_ends_of_a_curve_read_as_if_set() -> None:
    """Sample by sample where 0.5 s have settled what the high-passes keep, and by the laboratory's THD."""
    audio = tone(1_000.0, 3 * RATE, 0.25)
    for name, first, last in (("mol_db", -6.0, 6.0), ("reference_level_dbfs", -24.0, -12.0)):
        heard = moved(TAPE, curve(name, (1.5, first, "hold"), (1.5, last)))(audio, RATE)
        for value, part in (
            (first, slice(RATE // 2, 7 * RATE // 5)),
            (last, slice(5 * RATE // 2, 29 * RATE // 10)),
        ):
            standing = TAPE.replace(**{name: value})(audio, RATE)
            assert np.max(np.abs(heard - standing)[part]) < 1e-4 * np.max(np.abs(standing[part]))
            came, expected = (harmonic_distortion(each[part], RATE).thd_f for each in (heard, standing))
            assert came.value == pytest.approx(expected.value, abs=max(came.uncertainty, 1e-3 * expected.value))


def test_a_ramp_meets_each_sound_at_its_own_place() -> None:
    """Of a tone so loud that its output is saturated: that is one over the gain, whose logarithm is a line.

    So the output rises with MOL, decibel for decibel; half a sample late were 1.2e-5 of 10 dB a second.
    """
    tape = TAPE.replace(self_erasure_db=0.0, high_pass_hz=0.5)
    loud = 40.0 * tone(250.0, RATE, 1.0)
    rising = moved(tape, curve("mol_db", (0.0, -10.0), (1.0, 0.0)))(loud, RATE)
    steady = tape.replace(mol_db=-5.0)(loud, RATE)
    part = slice(RATE // 4, 3 * RATE // 4)
    clear = np.abs(steady[part]) > 0.7 * np.max(np.abs(steady[part]))
    gain = 10.0 ** ((-5.0 + 10.0 * np.arange(RATE) / RATE) / 20.0)
    share = (rising / steady / gain)[part][clear]
    # Samples of what is nearly a square are off by what the filters' ringing sees of the ramp; their mean is not.
    assert np.max(np.abs(share - 1.0)) < 1e-2
    assert abs(np.mean(share) - 1.0) < 2e-4


def test_no_cut_and_no_beginning_changes_a_bit() -> None:
    audio = 0.5 * np.random.default_rng(4).standard_normal((2, 12_000))
    points = ((0.05, -10.0), (0.1, 5.0, "hold"), (0.13, -4.0, "smooth"), (0.2, 0.0))
    made = moved(TAPE, curve("mol_db", *points), curve("reference_level_dbfs", (0.1, -20.0), (0.2, -14.0)))
    late = made.stream(sample_rate=RATE, channels=2).latency
    came = [
        in_blocks(made.stream(sample_rate=RATE, channels=2), audio, sizes, tail=0)
        for sizes in ((12_000,), (1, 700, 0, 37) * 16, (241,))
    ]
    assert np.array_equal(came[0], came[1])
    assert np.array_equal(came[0], came[2])
    first = 4_096  # where a frame begins
    audio[:, :first] = 0.0
    whole = made.stream(sample_rate=RATE, channels=2).process(audio)
    later = made.stream(sample_rate=RATE, channels=2, start_sample=first).process(audio[:, first:])
    assert np.array_equal(later[:, late:], whole[:, first + late :])


def test_mol_stands_where_sol_is_set() -> None:
    tape = TapeResponse(sol_10khz_db=6.0)
    with pytest.raises(ParameterError, match="sol_10khz_db is set, and the losses"):
        moved(tape, curve("mol_db", (0.0, 6.0), (1.0, 9.0)))
    audio = tone(1_000.0, 9_600, 0.1)
    # The losses are the same at any reference level, for both count from it.
    heard = moved(tape, curve("reference_level_dbfs", (0.0, -18.0), (0.05, -12.0)))(audio, RATE)
    other = tape.replace(reference_level_dbfs=-12.0)(audio, RATE)
    assert np.max(np.abs(heard - other)[8_000:]) < 1e-3


def test_what_is_driven_harder_folds_no_more() -> None:
    """A tone of 18.1 kHz, 27 dB further into the curve than where the stream was made for; prime in length."""
    size, place = 4_999, 1_885
    tape = TapeResponse(tape_speed_cm_s=19.05, treble_time_constant_us=50.0, mol_db=24.0, self_erasure_db=0.0)
    stream: Any = tape.stream(sample_rate=RATE, channels=1)
    stream.change(tape.replace(mol_db=-3.0).kernel_settings())
    heard = stream.process(np.sin(2.0 * np.pi * place * np.arange(RATE) / size)[np.newaxis])[0, -size:]
    power = np.abs(np.fft.rfft(heard)) ** 2
    power[:2] = 0.0
    tone = power[place]
    power[place] = 0.0
    assert 10.0 * np.log10(power[: int(20_000.0 / RATE * size)].sum() / tone) < -100.0
