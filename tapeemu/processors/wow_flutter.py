"""Wow and flutter: the tape runs past the head at a speed that is never quite constant."""

import math
from functools import cache
from typing import TYPE_CHECKING, Literal, NamedTuple, Self

import numpy as np
from pydantic import model_validator

from tapeemu.dsp.exceedance import TWO_SIGMA
from tapeemu.dsp.flutter_figure import two_sigma_figures
from tapeemu.dsp.interpolation import CELLS, make_reader
from tapeemu.dsp.noise_band import NoiseBand
from tapeemu.dsp.random_law import RandomLaw
from tapeemu.dsp.tape_position import stream_key
from tapeemu.dsp.trajectory import SEGMENT, SettledTrajectory, Sine, Trajectory
from tapeemu.dsp.transport_profiles import AS_SET, PROFILES, TransportProfile
from tapeemu.errors import ParameterError
from tapeemu.processor import DelayStream, Processor, Settings, Stream, Traits, required_setting, setting
from tapeemu.validation import FloatArray, check_sample_rate

if TYPE_CHECKING:
    from tapeemu.dsp.kernels.interpolation import Places

__all__ = ["RotatingPart", "WowFlutter"]

_MOST_DEVIATION_PERCENT = 20.0

_SETTLING_SHARE = 0.048
"""Largest speed error of the tape's first seconds, as a share of the flutter."""

_LEAST_AZIMUTH_FLUTTER_PERCENT = 0.02
"""Flutter that the settling of the azimuth is measured by on a steadier tape: 5 % of it is 0.02 cents."""


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
    more. Azimuth begins at zero likewise. A render that starts later on the tape cuts into the same run of it.

    The trajectory depends on the seed and on the absolute sample index alone: all channels, all stems and all
    block sizes share it. Rates are in output time. With a speed error, output sample ``m`` of the tape
    reads tape position ``(1 + e) m``, so a stem that starts later is a cut of the same run of the tape,
    and an output has ``1 / (1 + e)`` of the input's length.

    **One knob.** With `weighted_flutter_percent` everything that moves (not speed error and azimuth) is
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
        "Constant delay of each channel against the one before it (head azimuth), reached within the first "
        "seconds of the tape; their mean stays aligned.",
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
    reader_taps: Literal[32, 48] = setting(
        32, "Length of the reader: error 100 dB down to 0.385 (32) or 0.417 (48) of the sample rate."
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
            if self.azimuth_wander_us > 0.0:
                apart.add("seed")
            if self.azimuth_wander_us or self.azimuth_skew_us or self.speed_error_percent:
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
            channels_differ=bool(self.azimuth_skew_us or self.azimuth_wander_us),
            peak_gain_db=12.0,
        )

    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0) -> Stream:
        return _WowFlutterStream(self, sample_rate=sample_rate, channels=channels, start_sample=start_sample)

    def weighted_figure_percent(self) -> float:
        """Figure that a two-sigma weighted meter reads from this transport in the long run, in percent.

        Short readings of random parts scatter round it; speed error and azimuth are not part of it.
        """
        return self._scale() * self._unscaled_figure()

    def delay_samples(self, *, sample_rate: float, start_sample: int, samples: int) -> FloatArray:
        """Delay against a steady tape, without latency, by absolute output sample index; exactly 0 at index 0.

        Parameters
        ----------
        sample_rate : float
            Samples per second.
        start_sample : int
            Index of the first value; may be negative, and any size.
        samples : int
            How many.

        Returns
        -------
        ndarray, shape (samples,)
            In samples; positive is late.
        """
        rate = check_sample_rate(sample_rate)
        return self._trajectory(rate).values(start_sample, samples)

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
        """Random part of the deviation as a ratio (not yet scaled)."""
        mixture = self._mixture()
        slope = self.random_slope_db_per_octave
        return RandomLaw(
            stream_key(self.seed, "flutter", "random"),
            *mixture.random_band_hz,
            mixture.random_percent / 100.0 / TWO_SIGMA,
            _SLOPE_DB_PER_OCTAVE if slope is None else slope,
        )

    def _scrape(self) -> NoiseBand:
        """Scrape flutter of its own band as a ratio (not yet scaled)."""
        edges = _SCRAPE_BAND_HZ if self.scrape_band_hz is None else self.scrape_band_hz
        rms = self.scrape_percent / 100.0 / TWO_SIGMA
        return NoiseBand(stream_key(self.seed, "flutter", "scrape"), *edges, rms, integrate=True)

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
        return two_sigma_figures(tuple(self._lines()), self._law()._replace(key=0), self._scrape()._replace(key=0))

    def _scale(self) -> float:
        wanted = self.weighted_flutter_percent
        if wanted is None:
            if self.profile is None:
                return 1.0
            wanted = PROFILES[self.profile].weighted_flutter_percent
        return wanted / self._unscaled_figure() if wanted else 0.0

    def _trajectory(self, sample_rate: float) -> SettledTrajectory:
        """Delay in samples. It is minus the integral of the speed deviation."""
        scale = self._scale()
        sines = []
        for number, (rate, peak) in enumerate(self._lines()):
            phase = self._mixture().rotating_parts[number].phase_degrees
            cycles = stream_key(self.seed, "part", number) / 2.0**64 if phase is None else phase / 360.0
            sines.append(Sine(rate, -peak * scale / (2.0 * math.pi * rate), cycles % 1.0 - 0.25))
        law, scrape = self._law(), self._scrape()
        moving = Trajectory(
            sines=tuple(sines),
            fast=(scrape._replace(rms=scrape.rms * scale),),
            law=law._replace(rms=law.rms * scale),
            sample_rate=sample_rate,
            scale=sample_rate,
        )
        return SettledTrajectory(moving, fastest=_SETTLING_SHARE * self._set_flutter_percent() / 100.0)

    def _azimuth(self, sample_rate: float) -> SettledTrajectory:
        """Delay of each channel against the one before it, in samples."""
        rms = self.azimuth_wander_us * 1e-6 / TWO_SIGMA
        band = NoiseBand(stream_key(self.seed, "azimuth"), 0.1, 1.0, rms)
        wander = Trajectory(slow=(band,), sample_rate=sample_rate, scale=sample_rate)
        least = max(self._set_flutter_percent(), _LEAST_AZIMUTH_FLUTTER_PERCENT)
        return SettledTrajectory(
            wander,
            constant=self.azimuth_skew_us * 1e-6 * sample_rate,
            fastest=_SETTLING_SHARE * least / 100.0,
        )

    def _set_flutter_percent(self) -> float:
        """Flutter that settling is held against: the weighted figure, or a quarter of the unweighted one."""
        weighted, unweighted = self._unscaled_figures()
        return self._scale() * max(weighted, 0.25 * unweighted)


_UNIT = 1 << 52


def _empty_places() -> "Places":
    from tapeemu.dsp.kernels.interpolation import Places

    return Places(
        np.empty(SEGMENT, dtype=np.int32),
        np.empty(SEGMENT, dtype=np.int32),
        np.empty(SEGMENT, dtype=np.float32),
    )


class _WowFlutterStream(Stream):
    """The read position and the stretch of tape round it.

    Positions are counted in whole numbers (2**-52 of a sample with a speed error), so they stay exact
    for as long as the tape runs; only the distance from the nearest whole sample is a float.
    """

    def __init__(self, settings: WowFlutter, *, sample_rate: float, channels: int, start_sample: int) -> None:
        super().__init__(sample_rate=sample_rate, channels=channels)
        from tapeemu.dsp.kernels import interpolation as kernels

        self._kernels = kernels
        self._trajectory = settings._trajectory(self.sample_rate)
        self._reader = make_reader(settings.reader_taps)
        self._settings = settings
        self._ratio = round((1.0 + settings.speed_error_percent / 100.0) * _UNIT)
        self._start = start_sample
        self._origin = (start_sample * _UNIT + self._ratio // 2) // self._ratio
        self._azimuth: SettledTrajectory | None = None
        bound = self._trajectory.bound
        if channels > 1:
            azimuth = settings._azimuth(self.sample_rate)
            if azimuth.bound > 0.0:
                self._azimuth = azimuth
                bound += azimuth.bound * float(np.max(np.abs(self._channel_places())))
        self._reach = math.ceil(bound) + self._reader.ahead + (self._ratio != _UNIT)
        self.latency = -(-self._reach * _UNIT // self._ratio)
        self.length_ratio = _UNIT / self._ratio

        self._segment: int | None = None
        last = self.channels - 1
        if self._azimuth is not None:
            self._pairs = [(channel, channel, _empty_places()) for channel in range(self.channels)]
        else:
            common = _empty_places()
            self._pairs = [(first, min(first + 1, last), common) for first in range(0, self.channels, 2)]
        self._fed = 0
        self._made = 0
        self._base = self._earliest()
        self._line = np.zeros((self.channels, 2 * (self._reach - self._base) + 2 * SEGMENT))

    def advance(self, block: FloatArray) -> FloatArray:
        out = np.empty((self.channels, self._countable(self._fed + block.shape[1]) - self._made))
        taken = 0
        made_before = self._made
        while taken < block.shape[1]:
            if self._fed - self._base == self._line.shape[1]:
                self._drop_past()
            column = self._fed - self._base
            count = min(block.shape[1] - taken, self._line.shape[1] - column)
            self._line[:, column : column + count] = block[:, taken : taken + count]
            taken += count
            self._fed += count
            self._read_until(self._countable(self._fed), out, made_before)
        return out

    def drain(self, tail_samples: int) -> FloatArray:
        missing = self.latency + round(self._fed * self.length_ratio) + tail_samples - self._made
        silence = -(-(self._made + missing) * self._ratio // _UNIT) - self._fed + 1
        return self.advance(np.zeros((self.channels, max(0, silence))))[:, :missing]

    def tail_samples(self, level_db: float = -60.0) -> int:
        return self.latency

    def steady(self) -> list[Stream]:
        if self._ratio == _UNIT:
            return super().steady()
        settings = self._settings
        still = WowFlutter(
            weighted_flutter_percent=0.0,
            speed_error_percent=settings.speed_error_percent,
            reader_taps=settings.reader_taps,
        ).stream(sample_rate=self.sample_rate, channels=self.channels, start_sample=self._start)
        later = self.latency - still.latency
        return [still, DelayStream(later, sample_rate=self.sample_rate, channels=self.channels)]

    def _channel_places(self) -> FloatArray:
        return np.arange(self.channels, dtype=np.float64) - 0.5 * (self.channels - 1)

    def _countable(self, fed: int) -> int:
        """Output samples that can be made once `fed` samples are in."""
        return fed * _UNIT // self._ratio

    def _place(self, made: int) -> tuple[int, float]:
        """Undelayed place, in input samples, of output sample `made`: whole part and fraction."""
        place = (self._origin + made - self.latency) * self._ratio - self._start * _UNIT
        return place // _UNIT, (place % _UNIT) / _UNIT

    def _earliest(self) -> int:
        """First input sample that the next output sample may need."""
        return self._place(self._made)[0] - self._reach - 2

    def _drop_past(self) -> None:
        earliest = self._earliest()
        self._line[:, : self._fed - earliest] = self._line[:, earliest - self._base : self._fed - self._base]
        self._base = earliest

    def _read_until(self, end: int, out: FloatArray, made_before: int) -> None:
        kernels, table = self._kernels, self._reader.table
        read = kernels.read_pair_32 if self._reader.taps == 32 else kernels.read_pair_48
        while self._made < end:
            segment, begin = divmod(self._origin + self._made - self.latency, SEGMENT)
            count = min(end - self._made, SEGMENT - begin)
            whole = self._place(self._made - begin)[0]
            column = whole - self._base - (self._reader.ahead - 1)
            part = kernels.Part(column, begin, begin + count, self._made - made_before)
            for first, second, places in self._places(segment, begin):
                read(self._line, table, places, part, first, second, out)
            self._made += count

    def _places(self, segment: int, begin: int) -> "list[tuple[int, int, Places]]":
        """Pairs of channels, and where they are read in a segment; `begin` is the place of the next output in it.

        Channels with the same delay go two by two, others alone.
        """
        if segment != self._segment:
            start = self._place(self._made - begin)[1]
            slope = self._ratio / _UNIT - 1.0
            common = self._trajectory.segment(segment)
            azimuth = None if self._azimuth is None else self._azimuth.segment(segment)
            for number, (_, _, places) in enumerate(self._pairs[:1] if azimuth is None else self._pairs):
                delays = common
                if azimuth is not None:
                    delays = common + self._channel_places()[number] * azimuth
                self._kernels.locate(delays, start, slope, float(CELLS), places)
            self._segment = segment
        return self._pairs
