"""MOL, SOL and compression by frequency: curves of known formula between a pre-emphasis and its inverse."""

import importlib
import math

import numpy as np
import pytest

from measure import MeasureError, saturation

RATE = 48_000.0
MOL_DBFS = -8.0  # input level of 3 % third harmonic where nothing is emphasised
REFERENCE_DBFS = -18.0
# tanh(g sin): third harmonic 3 % at g = 0.6287864, where the fundamental has lost 0.795 dB (closed form, series of
# Fourier coefficients; standards' table of waveshapers).
TANH_3_PERCENT, TANH_LOSS_DB = 0.6287864, 0.795
TANH_HIGHEST_DB = 20.0 * math.log10(4.0 / math.pi / TANH_3_PERCENT)


class SqueezedTreble:
    """Pre-emphasis of so many dB above 3.5 kHz, tanh at eight times the rate, de-emphasis."""

    def __init__(self, emphasis_db: float) -> None:
        self.emphasis = 10.0 ** (emphasis_db / 20.0)
        self.gain = TANH_3_PERCENT / 10.0 ** (MOL_DBFS / 20.0)

    def __call__(self, audio, rate):
        from scipy.signal import resample_poly

        fine = resample_poly(self.tilted(audio, rate, self.emphasis), 8, 1)
        return self.tilted(resample_poly(np.tanh(self.gain * fine) / self.gain, 1, 8), rate, 1.0 / self.emphasis)

    @staticmethod
    def tilted(audio, rate, gain):
        spectrum = np.fft.rfft(audio)
        spectrum[np.fft.rfftfreq(len(audio), 1.0 / rate) > 3_500.0] *= gain
        return np.fft.irfft(spectrum, len(audio))


# Gain change of the fundamental in dB at 20 dB below the level of 3 % (without emphasis), and at it, by emphasis:
# table computed from the Fourier coefficients of tanh(g sin x), to 0.01 dB.
COMPRESSION = {0.0: (-0.01, -0.79), 6.0: (-0.03, -2.62), 12.0: (-0.13, -6.56), 15.0: (-0.26, -9.19)}


@pytest.mark.parametrize(
    "emphasis_db", [12.0, *(pytest.param(db, marks=pytest.mark.long) for db in (0.0, 6.0, 15.0))]
)
def test_emphasised_treble_is_squeezed_as_the_table_has_it(emphasis_db):
    result = saturation(SqueezedTreble(emphasis_db), RATE, frequencies_hz=(1_000.0, 10_000.0))
    treble, middle = result.tones["10000hz"], result.tones["1000hz"]
    soft, loud = COMPRESSION[emphasis_db]
    assert treble.compression.value == pytest.approx(loud - soft, abs=0.025)
    assert middle.compression.value == pytest.approx(-0.79 + 0.01, abs=0.015)
    assert middle.mol.value == pytest.approx(MOL_DBFS - TANH_LOSS_DB - REFERENCE_DBFS, abs=0.005)
    # The highest output is that of a square wave: MOL (output) + 6.92 dB less the emphasis.
    highest = MOL_DBFS + TANH_HIGHEST_DB - emphasis_db - REFERENCE_DBFS
    assert treble.sol.value == pytest.approx(highest, abs=0.1)
    assert abs(treble.sol.value - highest) < 2.0 * treble.sol.uncertainty
    assert "still rises" in treble.sol.warnings[0]
    assert not treble.mol.defined
    assert "30000 Hz" in treble.mol.warnings[0]
    np.testing.assert_array_equal(result.sol.x, [1_000.0, 10_000.0])
    assert result.sol.y[1] == treble.sol.value


def cubic(audio, rate):
    """x - 1.5 x^3, of whose fundamental A - 9/8 A^3 the crest is 2/3 A at A^2 = 8/27."""
    return audio - 1.5 * audio**3


def test_an_output_that_falls_again_has_its_highest_level_read():
    result = saturation(cubic, RATE, frequencies_hz=(315.0, 10_000.0))
    crest = math.sqrt(8.0 / 27.0)
    for name in ("315hz", "10000hz"):
        tone = result.tones[name]
        assert tone.sol.value == pytest.approx(20.0 * math.log10(2.0 / 3.0 * crest) + 18.0, abs=0.002)
        assert tone.sol_input.value == pytest.approx(20.0 * math.log10(crest) + 18.0, abs=0.05)
        assert not tone.sol.warnings
    # 3 % at u = a A^2 = 0.11009, where the fundamental has lost 0.749 dB (closed form).
    at_limit = 10.0 * math.log10(0.11009 / 1.5) - 0.749 + 18.0
    assert result.tones["315hz"].mol.value == pytest.approx(at_limit, abs=0.003)


@pytest.mark.long
def test_flutter_and_hiss_count_for_nothing():
    noise = 1e-4 * np.random.default_rng(5).standard_normal(round(30 * RATE))

    def worn(audio, rate):
        n = np.arange(len(audio))
        place = n - 20.0 * np.sin(2.0 * np.pi * 1.5 * n / rate)  # 0.4 % peak
        from scipy.ndimage import map_coordinates
        from scipy.signal import resample_poly

        moved = map_coordinates(resample_poly(audio, 4, 1), [4.0 * place], order=5, mode="nearest")
        return cubic(moved, rate) + noise[: len(audio)]

    tone = saturation(worn, RATE, frequencies_hz=(6_300.0,)).tones["6300hz"]
    assert tone.sol.value == pytest.approx(20.0 * math.log10(2.0 / 3.0 * math.sqrt(8.0 / 27.0)) + 18.0, abs=0.02)
    assert tone.sol.uncertainty < 0.05


def test_what_has_no_figure_says_why():
    plain = saturation(lambda x, _: x, RATE, frequencies_hz=(10_000.0,))
    treble, middle = plain.tones["10000hz"], plain.tones["1000hz"]
    assert not treble.sol.defined
    assert "still rises by 1 dB per dB" in treble.sol.warnings[0]
    assert not middle.mol.defined
    assert not treble.compression.defined
    assert treble.gain.y == pytest.approx(0.0, abs=1e-6)
    beyond = saturation(cubic, RATE, frequencies_hz=(10_000.0,), levels_db=(14.0, 15.0, 16.0)).tones["10000hz"]
    assert not beyond.sol.defined
    assert "falls from the lowest level" in beyond.sol.warnings[0]
    silent = saturation(lambda x, _: 0.0 * x, RATE, frequencies_hz=(10_000.0,)).tones["10000hz"]
    assert not silent.sol.defined
    assert "noise" in silent.sol.warnings[0]
    broken = saturation(lambda x, _: x + np.nan, RATE, frequencies_hz=(10_000.0,)).tones["10000hz"]
    assert not broken.sol.defined
    # At 16 kHz there is no room for a tone of 10 kHz.
    assert list(saturation(cubic, 16_000.0, frequencies_hz=(315.0, 10_000.0)).tones) == ["315hz", "1000hz"]


@pytest.mark.parametrize(
    ("wrong", "what"),
    [
        ({"levels_db": (0.0, 3.0)}, "levels_db"),
        ({"levels_db": (0.0, 3.0, 2.0)}, "levels_db"),
        ({"frequencies_hz": (0.0,)}, "frequencies_hz"),
        ({"reference_hz": 30_000.0}, "reference_hz"),
        ({"reference_level_dbfs": math.inf}, "reference_level_dbfs"),
    ],
)
def test_wrong_arguments_are_refused(wrong, what):
    with pytest.raises(MeasureError, match=what):
        saturation(cubic, RATE, **wrong)


def test_any_frequency_above_zero_is_sent(monkeypatch):
    """However low; what it takes to be read is another question."""

    class SentError(Exception):
        pass

    def runner(*_):
        raise SentError

    monkeypatch.setattr(importlib.import_module("measure.quantities.saturation"), "_Sent", runner)
    with pytest.raises(SentError):
        saturation(cubic, RATE, frequencies_hz=(0.5,))
