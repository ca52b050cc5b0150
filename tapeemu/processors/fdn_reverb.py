"""Reverberation: a feedback delay network whose decay time per octave band is the setting."""

from collections.abc import Mapping
from typing import Any, ClassVar, Literal, Self

import numpy as np
import numpy.typing as npt
from pydantic import model_validator

from tapeemu.errors import ParameterError
from tapeemu.kernel_stream import KernelStream, ProcessorOfKernels
from tapeemu.processor import Settings, Traits, setting
from tapeemu.validation import FloatArray, check_sample_rate

__all__ = ["DecayByBand", "FdnReverb"]

_OCTAVES_HZ: FloatArray = 1000.0 * 10.0 ** (0.3 * np.arange(-4.0, 5.0))  # IEC 61260-1, base ten
_OCTAVES_HZ.flags.writeable = False
_USABLE_RATIO = 0.45  # bands above this part of the sample rate are left out
_SHORTEST, _LONGEST = 0.05, 60.0  # decay time of a band, in seconds
_BAND_OF_1_KHZ = 4


class DecayByBand(Settings):
    """Decay time in each octave band; bands left out are filled in.

    Between given bands the logarithm of the decay time goes straight over the logarithm of frequency;
    outside them it stays as it is at the nearest.
    """

    at_63_hz_seconds: float | None = setting(None, "Decay time at 63 Hz.", unit="s", ge=0.05, le=60.0)
    at_125_hz_seconds: float | None = setting(None, "Decay time at 125 Hz.", unit="s", ge=0.05, le=60.0)
    at_250_hz_seconds: float | None = setting(None, "Decay time at 250 Hz.", unit="s", ge=0.05, le=60.0)
    at_500_hz_seconds: float | None = setting(None, "Decay time at 500 Hz.", unit="s", ge=0.05, le=60.0)
    at_1000_hz_seconds: float | None = setting(None, "Decay time at 1 kHz.", unit="s", ge=0.05, le=60.0)
    at_2000_hz_seconds: float | None = setting(None, "Decay time at 2 kHz.", unit="s", ge=0.05, le=60.0)
    at_4000_hz_seconds: float | None = setting(None, "Decay time at 4 kHz.", unit="s", ge=0.05, le=60.0)
    at_8000_hz_seconds: float | None = setting(None, "Decay time at 8 kHz.", unit="s", ge=0.05, le=60.0)
    at_16000_hz_seconds: float | None = setting(None, "Decay time at 16 kHz.", unit="s", ge=0.05, le=60.0)

    STEEPEST: ClassVar[float] = 2.5
    """Largest ratio of the decay times of neighbouring octaves."""

    @model_validator(mode="after")
    def _can_be_realised(self) -> Self:
        if all(value is None for value in self.values()):
            raise ParameterError("a table of decay times needs at least one band, e.g. at_1000_hz_seconds")
        seconds = self.seconds()
        steps = np.maximum(seconds[1:] / seconds[:-1], seconds[:-1] / seconds[1:])
        worst = int(np.argmax(steps))
        if steps[worst] > self.STEEPEST * (1.0 + 1e-9):
            raise ParameterError(
                f"the decay time goes from {seconds[worst]:.3g} s at {_OCTAVES_HZ[worst]:g} Hz to "
                f"{seconds[worst + 1]:.3g} s one octave above, but neighbouring bands may differ by a factor of "
                f"{self.STEEPEST:g} at most; bring them closer together"
            )
        return self

    def values(self) -> tuple[float | None, ...]:
        """Decay times of all nine bands as they are given; None where a band is left out."""
        return tuple(getattr(self, name) for name in type(self).model_fields)

    def seconds(self) -> FloatArray:
        """Decay times at all nine octave centres, 63 Hz to 16 kHz."""
        values = self.values()
        given = [band for band, value in enumerate(values) if value is not None]
        logs = np.log([value for value in values if value is not None])
        return np.exp(np.interp(np.arange(len(values)), given, logs))


class FdnReverb(ProcessorOfKernels):
    """Reverberation by a feedback delay network.

    Signal path, with L lines: pre-delay; a diffuser of two stages, each a scatter of L delays and an
    orthogonal mixing of L rows; and the loop: L delay lines of distinct prime lengths, one absorption
    filter per line, a slowly turning orthogonal mixing. The second stage's mixing is the loop's own.
    Every channel hears what goes into half of the lines (even channels the one half, odd channels the
    other), at a moment of its own for each: channels are then decorrelated, the first sound does not wait
    for the lines, and resonances are heard at many phases.

    Decay time is set in one of three ways: `decay_seconds` at 1 kHz with `low_decay_ratio` and
    `high_decay_ratio`; `decay_by_band_seconds`; or both `decay_seconds` and the table, which is then scaled as a
    whole until its value at 1 kHz is `decay_seconds`. The ratios are refused beside a table.

    Line i of M_i samples loses ``60 M_i / (fs T(f))`` dB per pass (Jot &
    Chaigne, AES 90th Convention, 1991), by filters solved so that octave bands read the times that were set
    (T30 behind a filter of class 1; see `tapeemu.dsp.kernels.octave_decay`), and everything else in the loop is
    lossless: mixing is a Hadamard matrix with signs and permutations, modulation turns pairs of lines
    against each other (Schlecht & Habets, J. Acoust. Soc. Am. 138, 2015), reading no fractional delays, so
    it neither damps high frequencies nor changes decay or pitch. Octave bands above 0.45 of the sample rate
    are left out. A pass through a line never loses more than 90 dB.

    Size: at 100 % the mean line takes 100 ms, but never more than a fifth of the shortest decay time from
    125 Hz to 8 kHz (at 400 %, 1.4 fifths): a decay must be made of several passes to be even. The longest
    line takes about six times as long as the shortest. Small networks have few modes, which turning
    (below) then spreads out of one octave into the next. So where low octaves differ by 2:1, all lines
    together take 0.4 s or more, as far as the fifths allow; less in proportion to the logarithm of a smaller
    difference, and half of it an octave higher. And where an octave decays for seconds and the next one for half
    as long, the mixing turns less, so that sound does not get from the one into the other (falling by 2:1 from
    12.8 s at 125 Hz: a third as far). Single responses scatter about the decay that was set by 1 to 3 %, by 9 %
    where a low octave decays in 0.2 s.

    Smoothness: a still network has as many modes per hertz as there are seconds in all its lines. Where the
    decay lasts longer than that, single modes would ring, so the mixing then turns by itself, as far as is
    needed for the late tail to be as even as noise; `modulation_percent` adds to it.

    Level: at `wet_percent` 100, steady noise of equal level in all channels leaves with the level at which
    it entered, in the octave at 1 kHz, at any decay time, size and channel count. Dry and late sound are
    not alike, so their powers add: ``((1 - w) dry + w wet) / sqrt((1 - w)^2 + w^2)`` keeps the loudness of
    music about the same from dry to wet, within 1.5 LU up to 60 % wet; where nothing moves
    (`modulation_percent` 0) a steady tone is as loud as its place among the modes has it, and the same stems
    differ by up to 4.6 LU at 60 % wet in single rooms of 1.2 s (13 of 48 pairs by more than 1.5 LU; 5 of 144 in
    three other rooms). That is the tones, not the mix: noise of the same spectra stays within 0.7 LU there, and
    so does the power of the stems on average over rooms. (The `mix_percent` of a stage adds amplitudes, as is
    right for sound that is alike; a reverb that is all wet gets up to 3 dB quieter by it.) Shares below 1e-30
    are none. The dry path is not delayed: the latency is zero. A room is not level at single pitches:
    sound of a few steady tones gets louder or softer with the room's seed, as in any room. The turning averages
    that: 160 pairs of four stems with eight seeds of five rooms all stay within 1.1 LU from 0 to 60 % wet (155
    within 1 LU). Another `room_seed` is the remedy where it is still too much.

    Where a curve moves `decay_seconds` (or a hand, in a plug-in), the room stays and its losses change: what
    sounds goes on by the new decay, and new sound enters at the level with which it will leave. Every pass loses
    level at all times, at most 90 dB at 1 kHz. The room is that of the end of the curve whose lines need most
    memory, which is the longest decay; where they are alike, as from 1 s on by default, that of the shortest,
    which then tells how far the mixing turns by itself. Decay at 1 kHz is within 3 % of the curve; other octaves
    within 4 % down to 1 s, 13 % from 2 s down to 0.6 s, 6 % from 1 s up to 8 s, and 7 % for a table scaled to a
    quarter. That is no memory of what sounded before: the filters between 1 kHz and their corners are scaled by
    a law that is exact at 1 kHz alone, and from 2 s to 0.6 s a pass through a line loses on average 5.6 % too
    little at 125 Hz, in one line more than in the other by 6 %; a tail is told by the lines that lose least.

    Any channel count shares one network. Samples below -600 dB (1e-30) are silence, so the tail ends in exact
    zeros after 10 decay times.

    Examples
    --------
    >>> FdnReverb(decay_seconds=2.4, wet_percent=40.0)
    FdnReverb(decay_seconds=2.4, wet_percent=40.0)
    """

    kind: ClassVar[str] = "fdn_reverb"
    stands: ClassVar[str] = (
        "a room is built before the sound enters it, and delays of another length would cut its reverberation"
    )
    kernel_file: ClassVar[str] = "room"
    moves = ("decay_seconds", "wet_percent", "width_percent")
    amounts: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "modulation_percent": ("modulation_hz",),
        "wet_percent": (
            *(
                "decay_seconds",
                "low_decay_ratio",
                "high_decay_ratio",
                "decay_by_band_seconds",
                "pre_delay_seconds",
            ),
            *("size_percent", "diffusion_percent", "modulation_percent", "modulation_hz", "width_percent"),
            *("lines", "room_seed"),
        ),
    }

    decay_seconds: float | None = setting(
        None,
        "Time to decay by 60 dB at 1 kHz; scales decay_by_band_seconds where both are given. 2 s if both are left "
        "out.",
        unit="s",
        ge=0.1,
        le=60.0,
    )
    low_decay_ratio: float | None = setting(
        None,
        "Decay time at 125 Hz in terms of the one at 1 kHz; 1.1 if left out, not beside decay_by_band_seconds.",
        ge=0.25,
        le=2.0,
    )
    high_decay_ratio: float | None = setting(
        None,
        "Decay time at 8 kHz in terms of the one at 1 kHz; 0.5 if left out, not beside decay_by_band_seconds.",
        ge=0.2,
        le=1.5,
    )
    decay_by_band_seconds: DecayByBand | None = setting(
        None, "Decay time of every octave band, or their shape where decay_seconds is given too.", unit="s"
    )
    pre_delay_seconds: float = setting(0.0, "Delay before the reverberation starts.", unit="s", ge=0.0, le=1.0)
    size_percent: float = setting(
        100.0,
        "Length of all delays; at 100 % the mean line takes 100 ms, or less where the decay is short.",
        unit="%",
        ge=10.0,
        le=400.0,
    )
    diffusion_percent: float = setting(
        100.0, "How far the first reflections are scattered in time.", unit="%", ge=0.0, le=100.0
    )
    modulation_percent: float = setting(
        100.0,
        "How far the mixing turns; 100 % is 1.4 turns to each side, less where low octaves decay very unlike. "
        "Sparse networks turn by themselves as well.",
        unit="%",
        ge=0.0,
        le=100.0,
    )
    modulation_hz: float = setting(
        0.5, "How often it turns to and fro; each pair of lines a little differently.", unit="Hz", ge=0.01, le=5.0
    )
    width_percent: float = setting(
        100.0, "How different the channels' reverberation is; 0 is the same in all.", unit="%", ge=0.0, le=100.0
    )
    wet_percent: float = setting(
        30.0, "Share of the reverberation in the output, at equal power.", unit="%", ge=0.0, le=100.0
    )
    lines: Literal[8, 16, 32] = setting(16, "Delay lines: more are denser and cost more.")
    room_seed: int = setting(
        0, "Which room: signs, orders and the scatter of all delays. Another tape keeps it.", ge=0, le=2**64 - 1
    )

    @model_validator(mode="after")
    def _one_law_of_decay(self) -> Self:
        table = self.decay_by_band_seconds
        if table is None:
            return self
        for name in ("low_decay_ratio", "high_decay_ratio"):
            if self.given(name):
                raise ParameterError(
                    f"{name} is {getattr(self, name):g}, but decay_by_band_seconds sets the decay of every band "
                    "and would win over it; leave one of the two out"
                )
        seconds = table.seconds()
        if self.decay_seconds is not None:
            seconds = seconds * (self.decay_seconds / seconds[_BAND_OF_1_KHZ])
        # Scaling rounds: a table scaled to the limit may lie a last bit beyond it.
        beyond = seconds.min() < _SHORTEST * (1.0 - 1e-12) or seconds.max() > _LONGEST * (1.0 + 1e-12)
        if self.decay_seconds is not None and beyond:
            raise ParameterError(
                f"decay_seconds is {self.decay_seconds:g} s, which scales decay_by_band_seconds to "
                f"{seconds.min():.3g} to {seconds.max():.3g} s, but every band must stay within {_SHORTEST:g} to "
                f"{_LONGEST:g} s; choose another time, or bring the bands closer together"
            )
        return self

    @property
    def traits(self) -> Traits:
        return Traits(reverberates=self.wet_percent > 0.0, mixes_channels=True, peak_gain_db=20.0)

    def target_decay_seconds(self) -> FloatArray:
        """Decay times that the octave bands 63 Hz to 16 kHz shall read, shape (9,)."""
        from tapeemu.dsp.kernels.room_layout import decay_of_band

        numbers = self.kernel_settings()
        return np.array([decay_of_band(numbers, band) for band in range(_OCTAVES_HZ.size)])

    def seconds_in_lines(self, sample_rate: float) -> float:
        """Seconds that all lines hold, before they become primes: so many modes per hertz a still room has."""
        from tapeemu.dsp.kernels.room_layout import mean_line_samples

        rate = check_sample_rate(sample_rate)
        return float(self.lines * mean_line_samples(self.kernel_settings(), rate) / rate)

    def designed_decay_seconds(
        self, *, sample_rate: float, frequencies_hz: "npt.ArrayLike | None" = None
    ) -> FloatArray:
        """Decay time of every line from its loop gain, all gains included: ``-3 M / (fs log10 |H(f)|)``.

        Parameters
        ----------
        sample_rate : float
            Samples per second.
        frequencies_hz : array_like, optional
            Where; by default at the octave centres below 0.45 of the sample rate.

        Returns
        -------
        ndarray, shape (lines, frequencies)
            Seconds.
        """
        from tapeemu.dsp.kernels.room import room_decays

        rate = check_sample_rate(sample_rate)
        usable = _OCTAVES_HZ[_USABLE_RATIO * rate >= _OCTAVES_HZ]
        where = np.atleast_1d(usable if frequencies_hz is None else np.asarray(frequencies_hz, dtype=np.float64))
        stream = self.stream(sample_rate=rate, channels=1)
        assert isinstance(stream, KernelStream)
        seconds = np.empty((self.lines, where.size))
        room_decays(stream.memory, rate, where.copy(), seconds)
        return seconds

    def kernel_settings(self) -> Any:
        """The settings as kernels take them."""
        table = self.decay_by_band_seconds
        bands = [None] * _OCTAVES_HZ.size if table is None else table.values()
        return self.kernels().settings_from(
            decay_seconds=self.decay_seconds or 0.0,
            decay_given=self.decay_seconds is not None,
            low_decay_ratio=self.low_decay_ratio or 0.0,
            low_given=self.low_decay_ratio is not None,
            high_decay_ratio=self.high_decay_ratio or 0.0,
            high_given=self.high_decay_ratio is not None,
            band_seconds=np.array([value or 0.0 for value in bands]),
            bands_given=np.array([value is not None for value in bands], dtype=np.int64),
            pre_delay_seconds=self.pre_delay_seconds,
            size_percent=self.size_percent,
            diffusion_percent=self.diffusion_percent,
            modulation_percent=self.modulation_percent,
            modulation_hz=self.modulation_hz,
            width_percent=self.width_percent,
            wet_percent=self.wet_percent,
            lines=self.lines,
            room_seed=np.uint64(self.room_seed),
        )
