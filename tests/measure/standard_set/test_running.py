"""Each row is sent as its table says, and what comes back of it is told by the right names."""

import math

import numpy as np
import pytest

from measure.standard_set.rows import STANDARD_SET
from measure.standard_set.running import READERS, Setting

RATE = 48_000
SETTING = Setting(rate=RATE, reference_dbfs=-20.0, latency_seconds=0.0, decay_seconds=0.0, reverberates=False)
ROWS = {row.name: row for row in STANDARD_SET}


class HeardError(Exception):
    """What was sent first."""


def sent(name: str) -> np.ndarray:
    def system(audio, _):
        raise HeardError(np.array(audio))

    with pytest.raises(HeardError) as heard:
        READERS[name](ROWS[name], SETTING, system)
    return heard.value.args[0]


@pytest.mark.parametrize("name", ["flutter tone", "high tone", "distortion tone", "modulation pair", "prime tone"])
def test_tones_peak_at_the_level_of_their_row(name):
    peak_db = 20.0 * math.log10(np.max(np.abs(sent(name))))
    assert peak_db == pytest.approx(SETTING.reference_dbfs + ROWS[name].level_db, abs=0.1)


def test_bursts_of_noise_have_the_reference_level_as_their_mean():
    """AES17: full scale is the level of a sine that peaks there."""
    burst = sent("noise bursts")
    sounding = burst[: np.flatnonzero(burst)[-1] + 1]
    assert 20.0 * math.log10(np.std(sounding) * math.sqrt(2.0)) == pytest.approx(-20.0, abs=0.2)


def test_of_silence_the_noise_of_the_first_channel_is_told():
    def hissing(audio, _):
        return 1e-4 * np.random.default_rng(1).standard_normal(audio.shape)

    readings, _ = READERS["silence"](ROWS["silence"], SETTING, hissing)
    assert list(readings) == ["noise_unweighted_db", "noise_a_weighted_db", "noise_468_db"]
    # White noise of 1e-4 RMS, of which 20 of 24 kHz count, re a sine of -20 dBFS (RMS -23.01 dB).
    expected = -80.0 + 10.0 * math.log10(20.0 / 24.0) + 23.01
    assert readings["noise_unweighted_db"].value == pytest.approx(expected, abs=0.3)
