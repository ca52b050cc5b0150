"""Wow and flutter: the tape runs past the head at a speed that is never quite constant."""

import math
from functools import cache, lru_cache
from typing import TYPE_CHECKING, ClassVar, Literal, NamedTuple, Self

import numpy as np
from pydantic import model_validator

from tapeemu.dsp.exceedance import TWO_SIGMA
from tapeemu.dsp.flutter_figure import two_sigma_figures
from tapeemu.dsp.noises import NoiseBand, RandomLaw
from tapeemu.dsp.trajectory import SEGMENT, collect
from tapeemu.dsp.transport_profiles import AS_SET, PROFILES, TransportProfile
from tapeemu.errors import ParameterError
from tapeemu.kernel_stream import KernelStream, processor_kernels
from tapeemu.processor import DelayStream, Processor, Settings, Stream, Traits, required_setting, setting
from tapeemu.validation import FloatArray, check_sample_rate

if TYPE_CHECKING:
    from tapeemu.dsp.kernels.wow_flutter import WowFlutterSettings

__all__ = ["RotatingPart", "WowFlutter"]

_MOST_DEVIATION_PERCENT = 20.0


class RotatingPart(Settings):
    """One part of the transport that turns once per period of its speed error: capstan, roller, reel."""

    rate_hz: float | None = setting(
        None, "Rate of the deviation; give this or the diameter.", unit="Hz", ge=0.02, le=250.0
    )
    diameter_mm: float | None = setting(
        None, "Diameter of the part, which turns at tape speed / (pi * diameter).", unit="mm", ge=0.5, le=2000.0
    )
    peak_percent: float = required_setting(
        "Peak speed deviation (half of peak to peak).", unit="%", ge=0.0, le=10.0
    )
    phase_degrees: float | None = setting(
        None, "Phase of the deviation (a cosine) at tape position 0; left out: from the seed.", unit="°"
    )

    @model_validator(mode="after")
    def _one_rate(self) -> Self:
        if (self.rate_hz is None) == (self.diameter_mm is None):
            given = (
                "both rate_hz and diameter_mm" if self.rate_hz is not None else "neither rate_hz nor diameter_mm"
            )
            raise ParameterError(f"a rotating part has {given}, but needs one of the two: each gives its rate")
        return self

    def turns_per_second(self, tape_speed_cm_s: float) -> float:
        """Rate in Hz at a tape speed: as set, or v / (pi D)."""
        if self.diameter_mm is not None:
            return 10.0 * tape_speed_cm_s / (math.pi * self.diameter_mm)
        return self.rate_hz or math.nan


class _Mixture(NamedTuple):
    """What a transport is made of: as set, or as left out."""

    tape_speed_cm_s: float
    rotating_parts: tuple[RotatingPart, ...]
    random_percent: float
    random_band_hz: tuple[float, float]


@cache
def _rotating_parts(profile: TransportProfile) -> tuple[RotatingPart, ...]:
    return tuple(
        RotatingPart(diameter_mm=part.diameter_mm, peak_percent=part.peak_percent) for part in profile.parts
    )


_SLOPE_DB_PER_OCTAVE = -3.0
_SCRAPE_BAND_HZ = (100.0, 5000.0)


class WowFlutter(Processor):
    """A moving read position: the pitch of everything on the tape moves together.

    Output at time ``t`` is the input at ``(1 + e) t - D(t)``. The instantaneous speed is ``1 + e + s(t)``
    with the constant error ``e`` and the deviation ``s = -dD/dt``, the sum of

    * rotating parts: sines of a rate and a peak, the rate as set or ``v / (pi D)`` from tape speed and
      diameter;
    * a random part: Gaussian noise whose power density follows one slope (-3 dB per octave: one over the
      frequency, the same power in every octave) from drift (0.05 Hz) to scrape flutter, without a step. It is
      given by the deviation that is exceeded 5 % of the time (1.96 standard deviations). Third octaves
      between the edges lie within 0.5 dB of the law; beyond, it falls to nothing within an octave;
    * if set, scrape flutter that stands out of it: a band (100 Hz to 5 kHz) of flat power density, given likewise.

    The delay ``D`` is the integral of the deviation, designed as such and not accumulated: it is bounded, so the
    tape never runs away from its time, whatever the hour. It is clipped at twice the peaks of the rotating
    parts plus eight standard deviations of the noise, which does not happen in practice; that bound is the
    latency, besides half the reader. The mean of ``D`` is zero: output is aligned with input.

    **The tape starts where the recording starts.** At tape position 0 the delay is exactly zero on every channel,
    so the first samples of a stem are neither lost nor late. What the sum of all parts is there is taken off,
    and less and less of it over the first seconds (in both directions), so slowly that the speed error
    stays below 5 % of the flutter: of the weighted figure, or of a quarter of the unweighted one where that is
    more. Azimuth begins at zero likewise, held against 0.02 % where there is less flutter than that: 500 µs are
    reached after 80 s on a tape that is otherwise still. A render that starts later on the tape cuts into the same
    run of it.

    **Depth that moves.** `weighted_flutter_percent` can follow a curve over the tape, or, where nothing is scaled
    to it, `random_percent` and `scrape_percent`. The course that the seed drew stays, and its delay is multiplied:
    half the figure is half the way. So the delay is still zero at tape position 0, the latency is that of the
    largest depth on the curve and constant, and nothing runs away. The first seconds settle as they would with the
    largest depths of the curves (or less, where these are within a sample of delay), for which the tape is made.
    The slope of the depth adds a speed error of its own, the slope times the delay: what has a delay of 1 ms at
    full depth, and grows from nothing in 10 s, is wrong by up to 0.01 %. A jump goes through a cubic spline of
    cells of 5 ms, at most at 150 of its heights a second: where it changes the delay by 0.1 ms, the pitch is
    off by up to 1.5 % for 15 ms.

    The trajectory depends on the seed and on the absolute sample index alone: all channels, all stems and all
    block sizes share it. With `track_skew_us` each stem of a multitrack stands a little early or late besides, as
    its track in the stack of heads does: by a constant delay of its own, up to that. It begins at zero, as azimuth
    does, and a stem keeps the track number it is rendered with. Rates are in output
    time. With a speed error, output sample ``m`` of the tape reads tape position ``(1 + e) m``, so a stem
    that starts later is a cut of the same run of the tape,
    and an output has ``1 / (1 + e)`` of the input's length.

    **The weighted figure.** With `weighted_flutter_percent` everything that moves (not speed error and azimuth) is
    scaled by one factor such that a meter with the weighting of IEC 60386 / AES6 and the two-sigma detector
    reads that figure. It is solved from the distribution of the weighted deviation: independent sines plus
    Gaussian noise, the level exceeded 5 % of the time. With `profile` the mixture is that of a class of
    transport instead of the parts set here, at its typical figure or at the figure of the knob; slope, edges of
    the random part and tape speed can still be set beside it. At figure 0 the tape stands still.

    The profiles, all ours from common practice: "studio" (38 cm/s, 0.05 %), "domestic" (19 cm/s, 0.1 %),
    "cassette" (4.76 cm/s, 0.15 %), "portable" (4.76 cm/s, 0.45 %), "worn" (9.5 cm/s, 0.9 %); their random part
    goes on to scrape flutter at 2.5 kHz. The parts set here by default are those of "studio", the random part up
    to 100 Hz: no weighted meter sees more, and what lies above costs a quarter more time.

    Reading faster than the tape was meant to run moves the top of the spectrum past half the sample rate: at
    a deviation of x % the uppermost x % of the band fold back. For flutter and speed errors up to 3 % that is
    above 23.2 kHz at 48 kHz; there is no filter against it.

    Notes
    -----
    Line positions of rotating parts and the separation into a periodic and a wideband random part follow
    Arnardottir, Abel, Smith, AES 125th Convention, 2008 (from memory). Figures of weighting and two-sigma
    detection: see :mod:`tapeemu.dsp.flutter_figure` and :func:`tapeemu.dsp.exceedance.exceeded_level`.

    Examples
    --------
    >>> WowFlutter(weighted_flutter_percent=0.15, seed=7)
    WowFlutter(weighted_flutter_percent=0.15, seed=7)
    """

    kind = "wow_flutter"
    moves: ClassVar[tuple[str, ...]] = ("weighted_flutter_percent", "random_percent", "scrape_percent")
    stands: ClassVar[str] = (
        "its laws are drawn with the course of the tape, the skews of its heads are settled in the first seconds, "
        "and a speed error that moved would change the length of the tape and every place behind it"
    )

    weighted_flutter_percent: float | None = setting(
        None,
        "Figure a two-sigma weighted meter shall read; everything that moves is scaled to it.",
        unit="%",
        ge=0.0,
        le=5.0,
    )
    profile: Literal["studio", "domestic", "cassette", "portable", "worn"] | None = setting(
        None, "Class of transport whose parts are used in place of the parts set here."
    )
    tape_speed_cm_s: float | None = setting(
        None,
        "Tape speed, for rotating parts given by diameter; left out: 38.1, or that of the profile.",
        unit="cm/s",
        ge=1.0,
        le=200.0,
    )
    rotating_parts: tuple[RotatingPart, ...] | None = setting(
        None,
        "Rotating parts: rate or diameter, and peak deviation; left out: 9 mm with 0.04 %, 38 mm and 180 mm with "
        "0.03 %, or those of the profile.",
    )
    random_percent: float | None = setting(
        None,
        "Deviation of the random part, exceeded 5 % of the time; left out: 0.03, or that of the profile.",
        unit="%",
        ge=0.0,
        le=5.0,
    )
    random_slope_db_per_octave: float | None = setting(
        None,
        "Slope of the power density of the random part; left out: -3, the same power in every octave.",
        unit="dB/octave",
        ge=-9.0,
        le=6.0,
    )
    random_band_hz: tuple[float, float] | None = setting(
        None,
        "Edges between which that slope holds; left out: 0.05 to 100, or to 2500 with a profile.",
        unit="Hz",
    )
    scrape_percent: float = setting(
        0.0, "Deviation of scrape flutter of its own band, exceeded 5 % of the time.", unit="%", ge=0.0, le=5.0
    )
    scrape_band_hz: tuple[float, float] | None = setting(
        None, "Edges of the band of scrape flutter; left out: 100 to 5000.", unit="Hz"
    )
    speed_error_percent: float = setting(
        0.0, "Constant speed error; the output is shorter by it.", unit="%", ge=-3.0, le=3.0
    )
    azimuth_skew_us: float = setting(
        0.0,
        "Constant delay of each channel against the one before it (head azimuth); their mean stays aligned. The "
        "tape begins without it and comes to it slowly: 100 µs take 16 s at 0.02 % flutter or less; 3 s at 0.1 %.",
        unit="µs",
        ge=-500.0,
        le=500.0,
    )
    azimuth_wander_us: float = setting(
        0.0,
        "Slow random change of that delay (0.1 to 1 Hz), exceeded 5 % of the time.",
        unit="µs",
        ge=0.0,
        le=500.0,
    )
    track_skew_us: float = setting(
        0.0,
        "Largest constant delay of a track of a multitrack, early or late, drawn for each from the seed and its "
        "number. The tape begins without it and comes to it as to azimuth_skew_us.",
        unit="µs",
        ge=0.0,
        le=500.0,
    )
    reader_taps: Literal[32, 48] = setting(
        32,
        "Length of the interpolator; its error is below -100 dB to 0.385 (32) or 0.417 (48) of the sample rate.",
    )
    seed: int = setting(1, "Number of the tape: equal seeds move alike.", ge=0, le=2**63 - 1)

    @model_validator(mode="after")
    def _fits(self) -> Self:
        for name, lowest, highest, apart in (("random", 0.01, 20_000.0, 2.0), ("scrape", 50.0, 20_000.0, 1.25)):
            band = getattr(self, f"{name}_band_hz")
            if band is not None and not (lowest <= band[0] and apart * band[0] <= band[1] <= highest):
                raise ParameterError(
                    f"{name}_band_hz is {band[0]:g} to {band[1]:g} Hz, but must lie within {lowest:g} to "
                    f"{highest:g} Hz, its upper edge {apart:g} times its lower edge or more"
                )
        mixture = self._mixture()
        if self.profile is not None:
            for name in ("rotating_parts", "random_percent", "scrape_percent"):
                if self.given(name):
                    raise ParameterError(
                        f"{name} is set, but profile is {self.profile!r}, which brings its own parts and would "
                        "win over it; leave one of the two out"
                    )
        if self.given("tape_speed_cm_s") and all(part.diameter_mm is None for part in mixture.rotating_parts):
            raise ParameterError(
                f"tape_speed_cm_s is {self.tape_speed_cm_s:g} cm/s, but no rotating part is given by its "
                "diameter, so nothing depends on it; leave it out, or give a part diameter_mm in place of rate_hz"
            )
        for part in mixture.rotating_parts:
            rate = part.turns_per_second(mixture.tape_speed_cm_s)
            if not 0.02 <= rate <= 250.0:
                raise ParameterError(
                    f"a part of {part.diameter_mm:g} mm at {mixture.tape_speed_cm_s:g} cm/s turns at "
                    f"{rate:.3g} Hz, but must turn at 0.02 to 250 Hz; change its diameter or the tape speed"
                )
        if self.weighted_flutter_percent and self._unscaled_figure() <= 0.0:
            raise ParameterError(
                f"weighted_flutter_percent is {self.weighted_flutter_percent:g}, but no part moves, so there is "
                "nothing to scale; set a rotating part, a band or a profile"
            )
        most = self._scale() * self._most_deviation() + abs(self.speed_error_percent)
        if most > _MOST_DEVIATION_PERCENT:
            raise ParameterError(
                f"the parts add up to a speed deviation of {most:.3g} %, but must stay within "
                f"{_MOST_DEVIATION_PERCENT:g} %; lower the largest of them"
            )
        return self

    def why_it_cannot_move(self, name: str) -> str:
        if name == "weighted_flutter_percent" or self.weighted_flutter_percent is None:
            return ""
        return (
            "weighted_flutter_percent scales all that moves to its figure, also what becomes more; let that "
            "follow a curve, or leave it out"
        )

    def idle(self) -> dict[str, str]:
        found = {}
        if self._mixture().random_percent == 0.0:
            for name in ("random_slope_db_per_octave", "random_band_hz"):
                if self.given(name):
                    found[name] = "random_percent is 0"
        if self.given("scrape_band_hz") and self.scrape_percent == 0.0:
            found["scrape_band_hz"] = "scrape_percent is 0"
        if self._scale() * self._most_deviation() == 0.0:
            # Speed error and azimuth are no part of what the knob scales.
            apart = {"weighted_flutter_percent", "speed_error_percent", "azimuth_skew_us", "azimuth_wander_us"}
            apart.add("track_skew_us")
            if self.azimuth_wander_us > 0.0 or self.track_skew_us > 0.0:
                apart.add("seed")
            if self.azimuth_wander_us or self.azimuth_skew_us or self.speed_error_percent or self.track_skew_us:
                apart.add("reader_taps")
            if self.weighted_flutter_percent != 0.0:
                # It is these amounts that are zero: raised, they are heard.
                apart |= {"rotating_parts", "random_percent", "scrape_percent"}
            for name in sorted(set(type(self).model_fields) - apart):
                if self.given(name):
                    found[name] = "no part of the transport moves"
        return found

    @property
    def traits(self) -> Traits:
        return Traits(
            moves_time=True,
            tracks_differ=self.track_skew_us > 0.0,
            channels_differ=bool(self.azimuth_skew_us or self.azimuth_wander_us),
            peak_gain_db=12.0,
        )

    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0) -> Stream:
        return _WowFlutterStream(
            self, sample_rate=sample_rate, channels=channels, start_sample=start_sample, track=track
        )

    def weighted_figure_percent(self) -> float:
        """Figure that a two-sigma weighted meter reads from this transport in the long run, in percent.

        Short readings of random parts scatter round it; speed error and azimuth are not part of it.
        """
        return self._scale() * self._unscaled_figure()

    def delay_samples(self, *, sample_rate: float, start_sample: int, samples: int, track: int = 0) -> FloatArray:
        """Delay against a steady tape, without latency, by absolute output sample index; exactly 0 at index 0.

        Parameters
        ----------
        sample_rate : float
            Samples per second.
        start_sample : int
            Index of the first value; may be negative, and any size.
        samples : int
            How many.
        track : int
            Number of the track, for its skew.

        Returns
        -------
        ndarray, shape (samples,)
            In samples; positive is late.
        """
        return self._delay(check_sample_rate(sample_rate), track).values(start_sample, samples)

    def speed_percent(self, *, sample_rate: float, start_sample: int, samples: int) -> FloatArray:
        """Deviation of the speed from nominal in percent, speed error and settling included.

        Arguments as for :meth:`delay_samples`. It is the derivative of the delay by a five-point formula,
        exact to 0.01 % of a component up to a thirtieth of the sample rate.
        """
        delay = self.delay_samples(sample_rate=sample_rate, start_sample=start_sample - 2, samples=samples + 4)
        slope = (delay[:-4] - 8.0 * delay[1:-3] + 8.0 * delay[3:-1] - delay[4:]) / 12.0
        return np.asarray(self.speed_error_percent - 100.0 * slope)

    def _mixture(self) -> _Mixture:
        """Everything as set, or as left out."""
        base = AS_SET if self.profile is None else PROFILES[self.profile]
        return _Mixture(
            base.tape_speed_cm_s if self.tape_speed_cm_s is None else self.tape_speed_cm_s,
            _rotating_parts(base) if self.rotating_parts is None else self.rotating_parts,
            base.random_percent if self.random_percent is None else self.random_percent,
            base.random_band_hz if self.random_band_hz is None else self.random_band_hz,
        )

    def _law(self) -> RandomLaw:
        """Random part of the deviation as a ratio (not yet scaled); its numbers are drawn elsewhere."""
        mixture = self._mixture()
        slope = self.random_slope_db_per_octave
        return RandomLaw(
            0,
            *mixture.random_band_hz,
            mixture.random_percent / 100.0 / TWO_SIGMA,
            _SLOPE_DB_PER_OCTAVE if slope is None else slope,
        )

    def _scrape(self) -> NoiseBand:
        """Scrape flutter of its own band as a ratio (not yet scaled); as for :meth:`_law`."""
        edges = _SCRAPE_BAND_HZ if self.scrape_band_hz is None else self.scrape_band_hz
        rms = self.scrape_percent / 100.0 / TWO_SIGMA
        return NoiseBand(0, *edges, rms, integrate=True)

    def _lines(self) -> list[tuple[float, float]]:
        """Rates in Hz and peaks as a ratio (not yet scaled)."""
        mixture = self._mixture()
        speed = mixture.tape_speed_cm_s
        return [(part.turns_per_second(speed), part.peak_percent / 100.0) for part in mixture.rotating_parts]

    def _most_deviation(self) -> float:
        mixture = self._mixture()
        return (
            sum(part.peak_percent for part in mixture.rotating_parts)
            + mixture.random_percent
            + self.scrape_percent
        )

    def _unscaled_figure(self) -> float:
        return self._unscaled_figures()[0]

    def _unscaled_figures(self) -> tuple[float, float]:
        """Two-sigma figures in percent before scaling, weighted and unweighted."""
        return two_sigma_figures(tuple(self._lines()), self._law(), self._scrape())

    def _wanted_figure(self) -> float | None:
        """Weighted figure in percent that all is scaled to: as set, or that of the profile."""
        if self.weighted_flutter_percent is not None or self.profile is None:
            return self.weighted_flutter_percent
        return PROFILES[self.profile].weighted_flutter_percent

    def _scale(self) -> float:
        wanted = self._wanted_figure()
        if wanted is None:
            return 1.0
        return wanted / self._unscaled_figure() if wanted else 0.0

    def _delay(self, sample_rate: float, track: int = 0) -> "_Delay":
        return _Delay(self.kernel_settings(), float(sample_rate), track)

    def kernel_settings(self) -> "WowFlutterSettings":
        """The settings as kernels take them."""
        from tapeemu.dsp.kernels.wow_flutter import WowFlutterSettings

        mixture = self._mixture()
        parts = np.zeros((len(mixture.rotating_parts), 4))
        for row, part in zip(parts, mixture.rotating_parts, strict=True):
            phase = part.phase_degrees
            rate = part.turns_per_second(mixture.tape_speed_cm_s)
            row[:] = rate, part.peak_percent, (phase or 0.0) / 360.0 % 1.0, phase is not None
        law, scrape = self._law(), self._scrape()
        weighted, unweighted = _solved_figures(tuple(self._lines()), law, scrape)
        wanted = self._wanted_figure()
        return WowFlutterSettings(
            parts=parts,
            random_percent=mixture.random_percent,
            random_slope_db_per_octave=law.slope_db_per_octave,
            random_low_hz=law.low_hz,
            random_high_hz=law.high_hz,
            scrape_percent=self.scrape_percent,
            scrape_low_hz=scrape.low_hz,
            scrape_high_hz=scrape.high_hz,
            weighted_flutter_percent=wanted or 0.0,
            scaled=int(wanted is not None),
            figure_percent=weighted,
            wide_figure_percent=unweighted,
            speed_error_percent=self.speed_error_percent,
            azimuth_skew_us=self.azimuth_skew_us,
            azimuth_wander_us=self.azimuth_wander_us,
            track_skew_us=self.track_skew_us,
            reader_taps=self.reader_taps,
            seed=np.uint64(self.seed),
        )


@lru_cache(maxsize=256)
def _solved_figures(
    lines: tuple[tuple[float, float], ...], law: RandomLaw, scrape: NoiseBand
) -> tuple[float, float]:
    """The figures of :func:`two_sigma_figures`, to the same bits in Python and in C."""
    from tapeemu.dsp.kernels.flutter_figures import FLUTTER_POINTS, flutter_figures

    sines = np.zeros((len(lines), 3))
    for row, line in zip(sines, lines, strict=True):
        row[:2] = line
    figures = np.zeros(2)
    flutter_figures(
        sines,
        float(law.rms),
        float(law.low_hz),
        float(law.high_hz),
        float(law.slope_db_per_octave),
        float(scrape.rms),
        float(scrape.low_hz),
        float(scrape.high_hz),
        np.zeros((17, 3)),
        np.zeros(FLUTTER_POINTS),
        figures,
    )
    return float(figures[0]), float(figures[1])


class _Delay:
    """The common delay of a transport in samples, by any stretch.

    Attributes
    ----------
    memory : Trajectory
        Its plan.
    settling_samples : float
        From this distance from index 0 on nothing is taken off any more.
    """

    def __init__(self, settings: "WowFlutterSettings", sample_rate: float, track: int = 0) -> None:
        from tapeemu.dsp.kernels import trajectories
        from tapeemu.dsp.kernels.wow_flutter import design_delay

        processor = processor_kernels("wow_flutter")
        settings = processor.typed(settings)
        self._fill = trajectories.fill_trajectory
        self.memory = processor.memory_for(settings, sample_rate, 1).flutter
        self._out = np.empty(SEGMENT)
        design_delay(settings, sample_rate, np.int64(track), self.memory, self._out)
        self.settling_samples = float(self.memory.plan[trajectories.SETTLING])
        self._index: int | None = None

    def segment(self, index: int) -> FloatArray:
        """Delays of a segment; the array may be overwritten by the next call."""
        if index != self._index:
            self._fill(self.memory, np.int64(index), np.uint64(0), self._out)
            self._index = index
        return self._out

    def values(self, first: int, count: int) -> FloatArray:
        """Delays of `count` samples from `first` on, as a new array."""
        return collect(self.segment, first, count)


class _WowFlutterStream(KernelStream):
    """The read position and the stretch of tape round it; the output may be longer or shorter than the input."""

    def __init__(
        self, settings: WowFlutter, *, sample_rate: float, channels: int, start_sample: int, track: int = 0
    ) -> None:
        kernels = processor_kernels("wow_flutter")
        numbers = settings.kernel_settings()
        super().__init__(
            kernels, numbers, sample_rate=sample_rate, channels=channels, start_sample=start_sample, track=track
        )
        from tapeemu.dsp.kernels.wow_flutter import countable, wow_flutter_length_ratio

        self._given = settings
        self._start = start_sample
        self._fed = 0
        self._made = 0
        self._countable = countable
        if settings.speed_error_percent != 0.0:
            self.length_ratio = float(wow_flutter_length_ratio(kernels.typed(numbers)))

    def advance(self, block: FloatArray) -> FloatArray:
        if self.length_ratio == 1.0:
            return super().advance(block)
        self._fed += block.shape[1]
        end = int(self._countable(self._held, np.int64(self._fed)))
        out = np.empty((self.channels, end - self._made))
        self._process(np.ascontiguousarray(block), out)
        self._made = end
        return out

    def silence_for(self, tail_samples: int) -> tuple[int, int]:
        if self.length_ratio == 1.0:
            return super().silence_for(tail_samples)
        missing = self.latency + round(self._fed * self.length_ratio) + tail_samples - self._made
        # Two samples to spare: what can be made of an input is rounded down.
        return max(0, math.ceil((self._made + missing + 2) / self.length_ratio) - self._fed), missing

    def steady(self) -> list[Stream]:
        if self.length_ratio == 1.0:
            return super().steady()
        settings = self._given
        # As many parts as before, though none moves: memory for both is laid out alike.
        said = {name: getattr(settings, name) for name in ("rotating_parts", "tape_speed_cm_s")}
        still = WowFlutter(
            weighted_flutter_percent=0.0,
            speed_error_percent=settings.speed_error_percent,
            reader_taps=settings.reader_taps,
            **{name: value for name, value in said.items() if value is not None},
        ).stream(sample_rate=self.sample_rate, channels=self.channels, start_sample=self._start)
        later = self.latency - still.latency
        return [still, DelayStream(later, sample_rate=self.sample_rate, channels=self.channels)]
