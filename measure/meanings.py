"""What each figure of the laboratory tells, in one sentence, for the tables in which it is printed."""

import re
from collections.abc import Iterable

from measure.errors import MeasureError

__all__ = ["meaning_lines", "meaning_of", "meaning_or_empty"]

# A key, or a pattern of keys, with the name under which tables explain it. The first that fits counts.
_MEANINGS: tuple[tuple[str, str, str], ...] = (
    (
        "weighted_flutter_percent",
        "weighted_flutter_percent",
        "speed deviation as the ear minds it: weighted round 4 Hz, the value exceeded 5 % of the time",
    ),
    (
        "unweighted_flutter_percent",
        "unweighted_flutter_percent",
        "speed deviation from 0.2 to 200 Hz without weighting, the value exceeded 5 % of the time",
    ),
    (
        "weighted_flutter_quasi_peak_percent",
        "weighted_flutter_quasi_peak_percent",
        "weighted speed deviation by the older detector that follows peaks, for comparison with old data sheets",
    ),
    (
        "(un)?weighted_flutter_rms_percent",
        "weighted/unweighted_flutter_rms_percent",
        "speed deviation as root mean square, for comparison with figures given that way",
    ),
    ("wow_percent", "wow_percent", "the part of the speed deviation from 0.2 to 10 Hz, heard as pitch that sways"),
    (
        "flutter_percent",
        "flutter_percent",
        "the part of the speed deviation from 10 to 200 Hz, heard as roughness",
    ),
    (
        "drift_percent",
        "drift_percent",
        "how far the speed wanders off, slower than 0.2 Hz: half of the way from its lowest to its highest",
    ),
    (
        r"azimuth_delay_us(_from_\d+_to_\d+)?",
        "azimuth_delay_us",
        "how late the second track is against the first, on average: how far the head stands askew",
    ),
    (
        r"azimuth_wander_us(_from_\d+_to_\d+)?",
        "azimuth_wander_us",
        "how far that delay wanders as the tape snakes, the value exceeded 5 % of the time",
    ),
    (
        r"crosstalk_\d+hz_db(_from_\d+_to_\d+)?",
        "crosstalk_*hz_db",
        "what a silent track hears of the one beside it, re that one, by frequency",
    ),
    (
        "print_(pre|post)_db",
        "print_*_db",
        "level of the echo a turn of the reel before and after a sound, re it, at 1 kHz",
    ),
    ("print_(pre|post)_seconds", "print_*_seconds", "how long before and after the sound that echo is heard"),
    ("speed_error_percent", "speed_error_percent", "how much too fast the tape runs on average"),
    (
        "scrape_flutter_rms_percent",
        "scrape_flutter_rms_percent",
        "speed deviation from 100 Hz to 5 kHz, read from a high tone; heard as grain around high notes",
    ),
    (
        "amplitude_fluctuation_(peak|rms)_percent",
        "amplitude_fluctuation_*_percent",
        "how far the amplitude of a steady tone swings, largest value and root mean square",
    ),
    (
        "level_fluctuation_(peak|rms)_db",
        "level_fluctuation_*_db",
        "how far the level of a steady tone swings, in decibels, largest value and root mean square",
    ),
    (
        r"amplitude_correlation_\d+",
        "amplitude_correlation_*",
        "whether two channels swing in level together (1) or apart (0)",
    ),
    ("dropouts_count", "dropouts_count", "how often the level fell away for a moment"),
    ("thd(_reference)?_percent", "thd_percent", "all harmonics that were added to a tone, in percent of the tone"),
    (
        "thd_r(_reference)?_percent",
        "thd_r_percent",
        "all harmonics that were added to a tone, in percent of tone and harmonics together",
    ),
    (
        "thd_plus_noise(_reference)?_percent",
        "thd_plus_noise_percent",
        "all that is left when the tone is taken out, noise included, in percent of the whole",
    ),
    (r"harmonic_\d+(_reference)?_db", "harmonic_N_db", "level of the Nth harmonic below the tone"),
    (r"harmonic_\d+_reference_degrees", "harmonic_N_degrees", "phase of the Nth harmonic against the tone"),
    (
        "mol_3_percent_dbfs",
        "mol_3_percent_dbfs",
        "input level at which the third harmonic reaches 3 %: the usual limit of a tape",
    ),
    (
        "mol_3_percent_db",
        "mol_3_percent_db",
        "how far above the reference level the third harmonic reaches 3 %, the usual limit of a tape",
    ),
    ("mol_3_percent_output_dbfs", "mol_3_percent_output_dbfs", "output level at which the third harmonic is 3 %"),
    (
        "modulation_distortion(_second|_third)?_percent",
        "modulation_distortion_*_percent",
        "how much a low tone roughens a high one played with it (60 Hz and 7 kHz)",
    ),
    (
        "difference_distortion_(second|third)_percent",
        "difference_distortion_*_percent",
        "tones made by two high ones that beat (19 and 20 kHz), at their difference and beside them",
    ),
    (
        "aliasing_to_signal_db",
        "aliasing_to_signal_db",
        "sound folded back at half the sample rate, against the signal: harmonics that belong to no note",
    ),
    (
        "bump_hz",
        "bump_hz",
        "where the rise in the bass is highest that the face of a replay head makes",
    ),
    ("bump_db", "bump_db", "how high that rise is, re the gain at 1 kHz"),
    (
        r"response_\d+hz_db",
        "response_*hz_db",
        "gain at a frequency re that at 1 kHz, 20 dB below reference, whether the delay moves or not",
    ),
    (
        r"mol_\d+hz_output_db",
        "mol_*hz_output_db",
        "output above the reference level at which the third harmonic is 3 %, by frequency",
    ),
    (
        r"sol_\d+hz_db",
        "sol_*hz_db",
        "highest level of a tone that comes out at all, re the reference level, by frequency",
    ),
    (
        r"compression_\d+hz_db",
        "compression_*hz_db",
        "how far a tone is squeezed that is as loud as 1 kHz with 3 % third harmonic, re one 20 dB softer",
    ),
    (
        "modulation_noise_db",
        "modulation_noise_db",
        "noise that follows a tone decibel for decibel and roughens it, 20 to 500 Hz beside it, re the tone",
    ),
    ("gain_1000hz_db", "gain_1000hz_db", "how much louder a quiet 1 kHz leaves than it came"),
    ("(low|high)_edge_hz", "low/high_edge_hz", "frequency at which the response has fallen by 3 dB"),
    ("latency_(samples|seconds)", "latency_*", "how much later sound leaves than it came"),
    ("polarity", "polarity", "1 if the waveform leaves the way up it came, -1 if it is turned over"),
    (
        r"noise_\w+_db",
        "noise_*_db",
        "noise with no input, re the reference level: flat, A-weighted, or weighted by BS.468",
    ),
    (
        r"(decay|edt|t20|t30)_\w+_seconds",
        "decay/edt/t20/t30_*_seconds",
        "time in which sound dies away by 60 dB, by octave: over the whole decay, over its first 10 dB (what is "
        "heard between notes), over 20 dB and 30 dB",
    ),
    ("frequency_hz", "frequency_hz", "the tone that was found"),
    ("level_(reference_)?dbfs", "level_dbfs", "level of the tone, as the peak of a sine re full scale"),
    ("peak_dbfs", "peak_dbfs", "largest sample of the whole recording"),
    ("true_peak_dbtp", "true_peak_dbtp", "largest value between the samples too, which a converter has to pass"),
    ("rms_dbfs", "rms_dbfs", "root mean square of the whole recording, re a sine of full scale"),
    ("loudness_lufs", "loudness_lufs", "loudness of the whole recording, silences left out (BS.1770)"),
)


def meaning_of(key: str) -> str:
    """Say in one sentence what a figure tells.

    Parameters
    ----------
    key : str
        Key of a reading of the bench or of a recording, e.g. ``"weighted_flutter_percent"``.

    Raises
    ------
    MeasureError
        If there is no such figure.
    """
    entry = _entry(key)
    if entry is None:
        raise MeasureError(f"{key!r} is no figure of the laboratory; a report lists those there are")
    return entry[1]


def meaning_or_empty(key: str) -> str:
    """The same, or nothing where the laboratory does not know the figure."""
    entry = _entry(key)
    return "" if entry is None else entry[1]


def meaning_lines(keys: Iterable[str]) -> list[str]:
    """One line for each sort of figure among some keys: its name, and what it tells.

    Parameters
    ----------
    keys : iterable of str
        Keys of readings; figures of one sort (harmonics, octaves) share a line. Figures of a user's own, which
        the laboratory does not know, are left out.
    """
    entries = dict(entry for key in keys if (entry := _entry(key)) is not None)
    width = max(map(len, entries), default=0)
    return [f"{name:<{width}}  {sentence}" for name, sentence in entries.items()]


def _entry(key: str) -> tuple[str, str] | None:
    return next(((name, told) for pattern, name, told in _MEANINGS if re.fullmatch(pattern, key)), None)
