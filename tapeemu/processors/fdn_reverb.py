"""Reverberation: a feedback delay network whose decay time per octave band is the setting."""

import math
from collections.abc import Mapping
from functools import lru_cache
from typing import ClassVar, Literal, NamedTuple, Self

import numpy as np
import numpy.typing as npt
from pydantic import model_validator

from tapeemu.dsp.absorption import (
    OCTAVES_HZ,
    Absorption,
    band_decay_seconds,
    design_absorption,
    loop_decay_seconds,
    loop_level_db,
    usable_bands,
)
from tapeemu.dsp.aligned import aligned_zeros
from tapeemu.dsp.mixing_matrix import (
    prime_delays,
    random_mixing,
    scattered_delays,
)
from tapeemu.dsp.shared_tables import read_only
from tapeemu.errors import ParameterError
from tapeemu.processor import Processor, Settings, Stream, Traits, setting
from tapeemu.units import seconds_to_samples
from tapeemu.validation import FloatArray, check_channels, check_sample_rate

__all__ = ["DecayByBand", "FdnReverb", "FdnReverbStream"]

IntArray = npt.NDArray[np.int64]

# Tuned on measurements: the lossless network's energy is then level from the first milliseconds on, so that
# short decays read right, and it is dense and even enough (see benchmarks/speed_fdn_reverb.py).
_MEAN_LINE_SECONDS = 0.1
_LONGEST_PART_OF_DECAY = 0.2  # mean line in terms of the shortest decay time from 125 Hz to 8 kHz
_GROWTH = 0.25  # power of sizes above 100 % with which that part grows
_LARGEST_SIZE = 4.0
# Turning spreads every mode over its neighbours, in all over some 5 Hz divided by the seconds in all lines. That
# must be little beside an octave where the next one decays twice as long, or each reads some of the other's decay.
_STEEP_SECONDS = 0.4
_STEEP_WEIGHTS = OCTAVES_HZ[1] / np.maximum(OCTAVES_HZ[:-1], OCTAVES_HZ[1])  # of the steps between octaves
_LONGEST_TO_SHORTEST = 6.0
_LINE_SCATTER = 0.3  # of the step from one line to the next
_DIFFUSER_SPAN = 0.6  # of the mean line
_FIRST_STAGE = 1.0 / 3.0  # of that span
_TAP_SPAN = 0.2  # of the mean line
# A zero of the Bessel function J0: over a swing to this angle cosine and sine have no mean, so of a pass nothing
# stands still, and the level of a steady tone is an average over many states of the room. The third zero turns
# fast enough for that within seconds.
_DEEPEST_ANGLE = 8.653728
_RATE_SPREAD = 0.35
_OWN_SWING_HZ = 0.5
_SMOOTHING = 9.0
_LEAST_ANGLE = 0.9
_DENSE = 1.3  # seconds in all lines, in terms of the decay time, from which on nothing needs to turn
_DENSE_SLOPE = 0.6
_SHORTEST_TAIL = 0.25  # seconds: shorter decays are over before a mode can be heard
_LONGEST_TAIL = 3.0  # seconds: modes must have met by then, however long they last
_LONGEST_CELL = 256
_SHORTEST_CELL = 4
_NO_SHARE = 1e-60  # what is silence inside (1200 dB down) is silence outside
_LEVEL_REFERENCE_HZ = 1000.0
_SHORTEST, _LONGEST = 0.05, 60.0  # decay time of a band, in seconds
_BAND_OF_1_KHZ = 4
_DEFAULT_DECAY_SECONDS, _DEFAULT_LOW_RATIO, _DEFAULT_HIGH_RATIO = 2.0, 1.1, 0.5
_RESONANCE_DB = 12.0  # a steady tone can leave the network louder than noise does


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
        if all(value is None for value in self._values()):
            raise ParameterError("a table of decay times needs at least one band, e.g. at_1000_hz_seconds")
        seconds = self.seconds()
        steps = np.maximum(seconds[1:] / seconds[:-1], seconds[:-1] / seconds[1:])
        worst = int(np.argmax(steps))
        if steps[worst] > self.STEEPEST * (1.0 + 1e-9):
            raise ParameterError(
                f"the decay time goes from {seconds[worst]:.3g} s at {OCTAVES_HZ[worst]:g} Hz to "
                f"{seconds[worst + 1]:.3g} s one octave above, but neighbouring bands may differ by a factor of "
                f"{self.STEEPEST:g} at most; bring them closer together"
            )
        return self

    def _values(self) -> tuple[float | None, ...]:
        return tuple(getattr(self, name) for name in type(self).model_fields)

    def seconds(self) -> FloatArray:
        """Decay times at all nine octave centres, 63 Hz to 16 kHz."""
        values = self._values()
        given = [band for band, value in enumerate(values) if value is not None]
        logs = np.log([value for value in values if value is not None])
        return np.exp(np.interp(np.arange(len(values)), given, logs))


class _Plan(NamedTuple):
    """Everything a stream needs that follows from settings, rate and channel count."""

    input_delays: IntArray
    input_gains: FloatArray
    diffuser_delays: IntArray
    diffuser_order: IntArray
    diffuser_gains: FloatArray
    line_delays: IntArray
    line_order: IntArray
    mixing_gains: FloatArray
    absorption: Absorption
    dry_gain: float
    wet_gain: float
    tap_delays: IntArray
    tap_gains: FloatArray
    own: float
    common: float
    rates: FloatArray
    phases: FloatArray
    depths: FloatArray
    cell: int
    curved: bool


class FdnReverb(Processor):
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

    It is set, not hoped for: line i of M_i samples loses ``60 M_i / (fs T(f))`` dB per pass (Jot &
    Chaigne, AES 90th Convention, 1991), by filters solved so that octave bands read the times that were set
    (T30 behind a filter of class 1; see `tapeemu.dsp.octave_decay`), and everything else in the loop is
    lossless: mixing is a Hadamard matrix with signs and permutations, modulation turns pairs of lines
    against each other (Schlecht & Habets, J. Acoust. Soc. Am. 138, 2015), reading no fractional delays, so
    it neither damps high frequencies nor changes decay or pitch. Octave bands above 0.45 of the sample rate
    are left out. A pass through a line never loses more than 90 dB.

    Size: at 100 % the mean line takes 100 ms, but never more than a fifth of the shortest decay time from
    125 Hz to 8 kHz (at 400 %, 1.4 fifths): a decay must be made of several passes to be even. The longest
    line takes about six times as long as the shortest. Small networks have few modes, which turning
    (below) then spreads out of one octave into the next. So where low octaves differ by 2:1, all lines
    together take 0.4 s or more, as far as the fifths allow; less in proportion to the logarithm of a smaller
    difference, and half of it an octave higher. Single responses scatter about the decay that was set by 1 to 3 %.

    Smoothness: a still network has as many modes per hertz as there are seconds in all its lines. Where the
    decay lasts longer than that, single modes would ring, so the mixing then turns by itself, as far as is
    needed for the late tail to be as even as noise; `modulation_percent` adds to it.

    Level: at `wet_percent` 100, steady noise of equal level in all channels leaves with the level at which
    it entered, in the octave at 1 kHz, at any decay time, size and channel count. Dry and late sound are
    not alike, so their powers add: ``((1 - w) dry + w wet) / sqrt((1 - w)^2 + w^2)`` keeps the loudness of
    music about the same from dry to wet. (The `mix_percent` of a stage adds amplitudes, as is right for sound
    that is alike; a reverb that is all wet gets up to 3 dB quieter by it.) Shares below 1e-60 are none. The
    dry path is not delayed: the latency is zero. A room is not level at single pitches:
    sound of a few steady tones gets louder or softer with the room's seed, as in any room. The turning averages
    that: 160 pairs of four stems with eight seeds of five rooms all stay within 1.1 LU from 0 to 60 % wet (155
    within 1 LU). Another `room_seed` is the remedy where it is still too much.

    Any channel count shares one network. Samples below -1200 dB (1e-60) are silence, so the tail ends in
    exact zeros after 20 decay times.

    Examples
    --------
    >>> FdnReverb(decay_seconds=2.4, wet_percent=40.0)
    FdnReverb(decay_seconds=2.4, wet_percent=40.0)
    """

    kind = "fdn_reverb"
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
        "How far the mixing turns; 100 % is 1.4 turns to each side. Sparse networks turn by themselves as well.",
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
        seconds = self.target_decay_seconds()
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

    def stream(
        self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0
    ) -> "FdnReverbStream":
        return FdnReverbStream(self, sample_rate=sample_rate, channels=channels, start_sample=start_sample)

    def target_decay_seconds(self) -> FloatArray:
        """Decay times that the octave bands 63 Hz to 16 kHz shall read, shape (9,)."""
        table = self.decay_by_band_seconds
        if table is None:
            return band_decay_seconds(
                _DEFAULT_DECAY_SECONDS if self.decay_seconds is None else self.decay_seconds,
                _DEFAULT_LOW_RATIO if self.low_decay_ratio is None else self.low_decay_ratio,
                _DEFAULT_HIGH_RATIO if self.high_decay_ratio is None else self.high_decay_ratio,
            )
        seconds = table.seconds()
        if self.decay_seconds is None:
            return seconds
        return seconds * float(self.decay_seconds / seconds[_BAND_OF_1_KHZ])

    def designed_decay_seconds(
        self, *, sample_rate: float, frequencies_hz: npt.ArrayLike | None = None
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
        rate = check_sample_rate(sample_rate)
        where = OCTAVES_HZ[: usable_bands(rate)] if frequencies_hz is None else np.asarray(frequencies_hz)
        plan = _plan(self, rate, 1)
        return loop_decay_seconds(plan.absorption, plan.line_delays, np.atleast_1d(where), rate)


class _Swings(NamedTuple):
    """How every pair of lines turns: swings as set, then the network's own."""

    rates_hz: FloatArray
    phases: FloatArray
    depths: FloatArray
    fastest: float
    """Largest rate of an angle, in radians per second."""


def _swings(
    settings: FdnReverb, lines: int, whole_seconds: float, decay_seconds: FloatArray, rng: np.random.Generator
) -> _Swings:
    pairs = lines // 2
    spread = 1.0 + _RATE_SPREAD * (2.0 * rng.random(pairs) - 1.0)
    phases = rng.random(pairs)
    own_spread = 1.0 + _RATE_SPREAD * (2.0 * rng.random(pairs) - 1.0)
    deepest = _DEEPEST_ANGLE * settings.modulation_percent / 100.0
    # Fast turns by small angles leave most of the sound where it was: they count as slow ones of that angle.
    counts = deepest * min(settings.modulation_hz / _OWN_SWING_HZ, 1.0)
    needed = _needed_angle(whole_seconds, lines, decay_seconds)
    own_depth = math.sqrt(max(needed**2 - counts**2, 0.0))
    fastest = 2.0 * math.pi * (1.0 + _RATE_SPREAD) * (deepest * settings.modulation_hz + own_depth * _OWN_SWING_HZ)
    return _Swings(
        np.stack([spread * settings.modulation_hz, own_spread * _OWN_SWING_HZ]),
        np.stack([phases, rng.random(pairs)]),
        np.array([deepest, own_depth]),
        fastest,
    )


@lru_cache(maxsize=32)
def _plan(settings: FdnReverb, sample_rate: float, channels: int) -> _Plan:
    """Lay the network out. Times do not depend on the rate beyond rounding, nor anything on the channels."""
    lines = settings.lines
    rooms = np.random.SeedSequence(settings.room_seed).spawn(6)
    for_lines, for_diffuser, for_mixing, for_input, for_output, for_motion = map(np.random.default_rng, rooms)
    size = settings.size_percent / 100.0
    seconds = settings.target_decay_seconds()
    shortest = float(seconds[1:8].min())
    steps = np.diff(np.log2(seconds))
    # Bends of the table are made by filters in the lines: the longer the pass, the harder they are to make.
    longest_mean = _LONGEST_PART_OF_DECAY * shortest / max(float(np.max(np.abs(np.diff(steps)))), 1.0) ** 2
    mean = min(_MEAN_LINE_SECONDS * size, longest_mean * (size if size < 1.0 else size**_GROWTH))
    needed_mean = _STEEP_SECONDS / lines * float(np.max(np.abs(steps) * _STEEP_WEIGHTS))
    mean = min(math.hypot(mean, needed_mean), longest_mean * _LARGEST_SIZE**_GROWTH) * sample_rate

    places = np.arange(lines) + _LINE_SCATTER * (for_lines.random(lines) - 0.5)
    lengths = _LONGEST_TO_SHORTEST ** (places / (lines - 1))
    lengths *= mean / lengths.mean()
    delays = prime_delays(np.maximum(lengths, 2.0))[for_lines.permutation(lines)]

    absorption = design_absorption(delays, seconds, sample_rate)

    span = _DIFFUSER_SPAN * mean * settings.diffusion_percent / 100.0
    first = scattered_delays(lines, span * _FIRST_STAGE, for_diffuser)
    second = scattered_delays(lines, span * (1.0 - _FIRST_STAGE), for_diffuser)
    middle = min(4, usable_bands(sample_rate) - 1)
    per_sample = 10.0 ** (-3.0 / (sample_rate * seconds[middle]))
    diffuser = random_mixing(lines, for_mixing)
    mixing = random_mixing(lines, for_mixing)

    pre_delay = seconds_to_samples(settings.pre_delay_seconds, sample_rate)
    # Line i is fed by channel i modulo their number: columns without common rows are orthogonal.
    sharing = np.bincount(np.arange(lines) % channels)[np.arange(lines) % channels]
    feeds = for_input.choice([-1.0, 1.0], lines) / np.sqrt(sharing)
    reference = np.array([min(_LEVEL_REFERENCE_HZ, 0.4 * sample_rate)])
    kept = float(np.mean(10.0 ** (loop_level_db(absorption, reference, sample_rate) / 10.0)))
    entering = float(np.mean(per_sample ** (2.0 * first)) * np.mean(per_sample ** (2.0 * second)))
    moments = np.stack([scattered_delays(lines // 2, _TAP_SPAN * mean, for_output) for _ in range(channels)])
    taps = for_output.choice([-1.0, 1.0], moments.shape) / math.sqrt(lines // 2) * per_sample**moments
    heard = float(np.mean(per_sample ** (2.0 * moments)))
    level = math.sqrt(lines * (1.0 - kept) / (channels * entering * heard))
    dry, wet = _shares(settings.wet_percent)
    width = settings.width_percent / 100.0 if channels > 1 else 1.0
    own, common = width, (1.0 - width) / math.sqrt(channels)
    # Power of own * y_c + common * sum(y) for channels of equal power that are not alike.
    level /= math.sqrt(own**2 + 2.0 * own * common + channels * common**2)

    motion = _swings(settings, lines, delays.sum() / sample_rate, seconds[: usable_bands(sample_rate)], for_motion)
    cell, curved = _cell(motion.fastest / sample_rate, float(delays.mean()) / (sample_rate * float(seconds.max())))
    plan = _Plan(
        input_delays=first + pre_delay,
        input_gains=feeds * per_sample**first,
        diffuser_delays=second,
        diffuser_order=diffuser.order,
        diffuser_gains=diffuser.gains * per_sample**second,
        line_delays=delays,
        line_order=mixing.order,
        mixing_gains=mixing.gains,
        absorption=absorption,
        dry_gain=dry,
        wet_gain=wet,
        tap_delays=moments,
        tap_gains=wet * level * taps,
        own=own,
        common=common,
        rates=motion.rates_hz / sample_rate,
        phases=motion.phases,
        depths=motion.depths,
        cell=cell,
        curved=curved,
    )
    # Streams share the plan.
    return read_only(plan)


def _shares(wet_percent: float) -> tuple[float, float]:
    """Gains of dry and wet: in the ratio of their shares, their powers adding up to one."""
    wet = wet_percent / 100.0
    if wet < _NO_SHARE:
        return 1.0, 0.0
    length = math.hypot(1.0 - wet, wet)
    return (1.0 - wet) / length, wet / length


def _needed_angle(whole_seconds: float, lines: int, decay_seconds: FloatArray) -> float:
    """Angle, in radians to each side at the network's own rate, that the mixing must turn for a smooth tail.

    A still network has as many modes per hertz as there are seconds in all its lines. Where a decay lasts
    longer than that, modes are heard one by one. Every pass through a turning mixing spreads a mode by
    some part of (angle times rate), and passes add up as powers, so modes meet if the angle is some
    multiple of 1 / sqrt(whole_seconds * lines * decay). The law is ours; its constants are from our own
    measurements of tails.
    """
    sparse = np.clip((_DENSE - whole_seconds / decay_seconds) / _DENSE_SLOPE, 0.0, 1.0)
    lasting = np.clip(decay_seconds / _SHORTEST_TAIL - 1.0, 0.0, 1.0)
    passes = np.clip(decay_seconds, 2.0 * _SHORTEST_TAIL, _LONGEST_TAIL)
    meeting = np.maximum(_SMOOTHING / np.sqrt(whole_seconds * lines * passes), _LEAST_ANGLE)
    return float(np.max(sparse * lasting * meeting))


def _cell(radians_per_sample: float, pass_of_decay: float) -> tuple[int, bool]:
    """Samples between exact angles, and whether lines between them are curved; see `rotate` in the kernel.

    Interpolation costs under 0.3 % of the decay time: angles d apart cost ``4.34 d^2 / 6`` dB a pass along
    straight lines, ``4.34 d^4 / 40`` dB along curved ones, where the decay takes ``60 pass_of_decay`` dB.
    """
    if radians_per_sample * _LONGEST_CELL <= math.sqrt(0.25 * pass_of_decay):
        return _LONGEST_CELL, False
    apart = (1.6 * pass_of_decay) ** 0.25
    samples = max(apart / radians_per_sample, float(_SHORTEST_CELL))
    return min(1 << math.floor(math.log2(samples)), _LONGEST_CELL), True


class FdnReverbStream(Stream):
    """Reverberation in progress; see `FdnReverb`."""

    def __init__(self, settings: FdnReverb, *, sample_rate: float, channels: int, start_sample: int = 0) -> None:
        from tapeemu.dsp.kernels import network as kernels

        super().__init__(sample_rate=sample_rate, channels=check_channels(channels))
        self._slowest = float(settings.target_decay_seconds()[: usable_bands(self.sample_rate)].max())
        plan = _plan(settings, self.sample_rate, self.channels)
        self._plan = plan
        self._reverberate = kernels.reverberate
        lines = settings.lines

        def ring(rows: int, longest: int) -> FloatArray:
            return aligned_zeros(rows, (-(-longest // kernels.CHUNK) + 2) * kernels.CHUNK)

        self._memory = kernels.NetworkMemory(
            counters=np.array([0, start_sample], dtype=np.int64),
            input_ring=ring(channels, int(plan.input_delays.max())),
            diffuser_ring=ring(lines, int(plan.diffuser_delays.max())),
            line_ring=ring(lines, int(plan.line_delays.max())),
            filter_state=aligned_zeros(plan.absorption.coefficients.shape[0], 2, lines),
            rows=aligned_zeros(lines, kernels.CHUNK),
            rotation=aligned_zeros(4, lines // 2),
        )
        way = np.arange(plan.cell) / plan.cell
        self._motion = kernels.Motion(
            plan.rates, plan.phases, plan.depths, np.stack([way, way * (1.0 - way)]), plan.curved
        )
        self._network = kernels.Network(
            input_delays=plan.input_delays,
            input_gains=plan.input_gains,
            diffuser_delays=plan.diffuser_delays,
            diffuser_order=plan.diffuser_order,
            diffuser_gains=plan.diffuser_gains,
            line_delays=plan.line_delays,
            line_order=plan.line_order,
            line_gains=plan.absorption.gains,
            mixing_gains=plan.mixing_gains,
            coefficients=plan.absorption.coefficients,
            dry_gain=0.0 if plan.common else plan.dry_gain,
            tap_delays=plan.tap_delays,
            tap_gains=plan.tap_gains,
        )

    def advance(self, block: FloatArray) -> FloatArray:
        plan = self._plan
        out = np.empty_like(block)
        self._reverberate(block, out, self._network, self._motion, self._memory)
        if plan.common:
            out = plan.own * out + plan.common * out.sum(axis=0) + plan.dry_gain * block
        return out

    def tail_samples(self, level_db: float = -60.0) -> int:
        """Samples until the response to any input is `level_db` below that input's peak.

        Counted from the longest decay time, with all delays added and 12 dB kept for tones that fall on
        resonances; impulses and noise are gone earlier.
        """
        plan = self._plan
        if plan.wet_gain == 0.0:
            return 0
        once = int(
            plan.input_delays.max() + plan.diffuser_delays.max() + plan.tap_delays.max() + plan.line_delays.max()
        )
        fall = max(0.0, 20.0 * math.log10(plan.wet_gain) + _RESONANCE_DB - level_db)
        return once + math.ceil(fall / 60.0 * self._slowest * self.sample_rate)
