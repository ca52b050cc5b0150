"""The test signals to record on a machine, as files."""

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from measure.errors import MeasureError, ResultsError
from measure.parts.signals import print_through_burst, steady_tone, two_tones
from measure.parts.sound_file import HIGHEST_RATE_HZ, encoded_sound
from measure.parts.sweep_place import FILE_SWEEP_DB, file_sweep
from measure.parts.tone_sequences import (
    CROSSTALK_TONES,
    LEVEL_STEPS,
    NOISE_SILENCE_SECONDS,
    NOISE_TONES,
    STEPS_DBFS,
    sequence_seconds,
    sequence_signal,
    steps_signal,
)
from measure.validation import FloatArray
from measure.writing import new_folder, reason_of, whole_file

__all__ = ["TEST_SIGNALS", "SignalFile", "save_signals"]

_LOWEST_RATE_HZ = 44_100  # the pair at 19 and 20 kHz must fit


@dataclass(frozen=True)
class SignalFile:
    """One file: a tone, a pair of tones, or a sequence.

    Attributes
    ----------
    name : str
        Of the file.
    frequencies_hz : tuple of float
        One tone, or two; none of a sequence.
    seconds : float
        How long.
    level_db : float
        Level of the peak re the reference level.
    purpose : str
        What is read from its recording.
    low_to_high : float
        Ratio of the amplitudes of two tones.
    burst : bool
        Whether the tone is a short one, with silence before and behind.
    sequence : callable, optional
        ``(sample_rate, level_dbfs) -> samples`` of what is more than one or two tones.
    """

    name: str
    frequencies_hz: tuple[float, ...]
    seconds: float
    level_db: float
    purpose: str
    low_to_high: float = 1.0
    burst: bool = False
    sequence: Callable[[float, float], FloatArray] | None = None

    def signal(self, sample_rate: float, reference_dbfs: float) -> FloatArray:
        """The samples."""
        level_dbfs = reference_dbfs + self.level_db
        if self.sequence is not None:
            return self.sequence(sample_rate, level_dbfs)
        if len(self.frequencies_hz) == 1:
            (tone_hz,) = self.frequencies_hz
            if self.burst:
                return print_through_burst(sample_rate, frequency_hz=tone_hz, level_dbfs=level_dbfs)
            return steady_tone(sample_rate, frequency_hz=tone_hz, seconds=self.seconds, level_dbfs=level_dbfs)
        low_hz, high_hz = self.frequencies_hz
        return two_tones(
            sample_rate,
            low_hz=low_hz,
            high_hz=high_hz,
            low_to_high=self.low_to_high,
            seconds=self.seconds,
            level_dbfs=level_dbfs,
        )


TEST_SIGNALS: tuple[SignalFile, ...] = (
    SignalFile("tone_3150hz.wav", (3150.0,), 40.0, 0.0, "flutter, drift, amplitude fluctuation"),
    SignalFile("tone_10000hz.wav", (10_000.0,), 10.0, -10.0, "scrape flutter"),
    SignalFile("tone_1000hz.wav", (1000.0,), 10.0, 0.0, "harmonics, THD, THD+N at the reference level"),
    SignalFile("tone_315hz.wav", (315.0,), 10.0, 0.0, "the same, practice of slow tapes"),
    SignalFile(
        "burst_1000hz.wav", (1000.0,), 7.1, 6.0, "print-through: echoes a turn before and after", burst=True
    ),
    SignalFile("pair_60_7000hz.wav", (60.0, 7000.0), 10.0, 6.0, "modulation distortion", 4.0),
    SignalFile("pair_19000_20000hz.wav", (19_000.0, 20_000.0), 10.0, 6.0, "difference-frequency distortion"),
    SignalFile(
        "slow_sweep.wav",
        (),
        31.0,
        FILE_SWEEP_DB,
        "response re 1 kHz, its edges, bump in the bass",
        sequence=lambda rate, level: file_sweep(rate, level_dbfs=level).signal,
    ),
    SignalFile(
        "rising_levels.wav",
        (),
        round(sequence_seconds(LEVEL_STEPS), 1),
        0.0,
        f"MOL, SOL and compression by frequency; from {STEPS_DBFS[0]} to {STEPS_DBFS[-1]} dBFS at any --level",
        sequence=lambda rate, level: steps_signal(rate),
    ),
    SignalFile(
        "octaves.wav",
        (),
        round(sequence_seconds(CROSSTALK_TONES), 1),
        0.0,
        "crosstalk by frequency: send it to one track, record both",
        sequence=lambda rate, level: sequence_signal(CROSSTALK_TONES, rate, level_dbfs=level),
    ),
    SignalFile(
        "tones_and_silence.wav",
        (),
        round(sequence_seconds(NOISE_TONES, NOISE_SILENCE_SECONDS), 1),
        0.0,
        "noise re the reference level, weighted and by third octaves; modulation noise",
        sequence=lambda rate, level: sequence_signal(
            NOISE_TONES, rate, level_dbfs=level, silence_seconds=NOISE_SILENCE_SECONDS
        ),
    ),
)
"""What is written, in order."""


def save_signals(
    folder: Path,
    *,
    sample_rate: int,
    reference_dbfs: float,
    overwrite: bool = False,
    progress: Callable[[float], None] = lambda _: None,
) -> list[tuple[Path, float, str]]:
    """Write the test signals: all of them, or none.

    Parameters
    ----------
    folder : Path
        Made if it is missing.
    sample_rate : int
        Samples per second, 44,100 to 384,000.
    reference_dbfs : float
        Reference level as the peak of a sine re full scale, -60 to -6.
    overwrite : bool
        Replace files that exist.
    progress : callable
        Is told what share is done, from 0 to 1.

    Returns
    -------
    list of (Path, float, str)
        Of each file: where it is, how many seconds it lasts, and what it is for.

    Raises
    ------
    MeasureError
        If an argument is outside its range.
    ResultsError
        If a file exists and may not be replaced (nothing is written then), or cannot be written.
    """
    if not _LOWEST_RATE_HZ <= sample_rate <= HIGHEST_RATE_HZ:
        raise MeasureError(
            f"--rate is {sample_rate} Hz, but must lie between {_LOWEST_RATE_HZ} and {HIGHEST_RATE_HZ} Hz"
        )
    if not -60.0 <= reference_dbfs <= -6.0:
        raise MeasureError(f"--level is {reference_dbfs:g} dBFS, but must lie between -60 and -6 dBFS")
    there = [file.name for file in TEST_SIGNALS if (folder / file.name).exists()]
    if there and not overwrite:
        raise ResultsError(f"{folder / there[0]} exists; choose another folder, or give --overwrite to replace it")
    try:
        with new_folder(folder), ExitStack() as whole:  # none takes its name before all are written
            for number, file in enumerate(TEST_SIGNALS, start=1):
                encoded = encoded_sound(file.signal(sample_rate, reference_dbfs), sample_rate)
                whole.enter_context(whole_file(folder / file.name, overwrite=overwrite)).write(encoded)
                progress(number / len(TEST_SIGNALS))
    except FileExistsError:
        raise ResultsError(f"{folder} cannot be made, for a file has that name; choose another folder") from None
    except (OSError, ValueError) as error:
        if isinstance(error, MeasureError):
            raise
        raise ResultsError(f"{folder} cannot be made ({reason_of(error)}); choose another folder") from None
    return [(folder / file.name, file.seconds, file.purpose) for file in TEST_SIGNALS]
