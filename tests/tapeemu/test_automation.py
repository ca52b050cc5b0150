"""Settings that follow curves over the tape, in Python, in preset files and in C.

Truth: integrals by scipy, a gain that is known, the spectrum of a sine. Goals: -100 dBFS above the signal band for
a jump over the full range; the lag of a ramp at most a sample; no more than +3 dB under random jumps.
"""

import shutil
from collections.abc import Callable, Sequence
from itertools import pairwise, product
from typing import Any, get_args

import numpy as np
import pytest
from live_library import LiveLibrary
from moving_settings import curve, moved
from scipy.integrate import quad
from scipy.signal import fftconvolve, firwin

from tapeemu import (
    AmplitudeFlutter,
    Chain,
    Crosstalk,
    Curve,
    CurvePoint,
    EraseResidue,
    FdnReverb,
    HeadAzimuth,
    PreampDrive,
    PrintThrough,
    Stage,
    TapeMagnetisation,
    TapeNoise,
    TapeResponse,
    WowFlutter,
)
from tapeemu.automation import MIX
from tapeemu.dsp.driven_sine import LEAST_DRIVE_DB, MOST_DRIVE_DB
from tapeemu.errors import ParameterError, PresetError
from tapeemu.presets.reading import file_kinds, parse_preset
from tapeemu.presets.writing import preset_text
from tapeemu.processor import Processor

RATE = 48_000


def sine(samples: int, hertz: float = 100.0) -> Any:
    return np.sin(2.0 * np.pi * hertz * np.arange(samples) / RATE)


def beside(processor: Processor) -> int:
    """How many channels beside the one that sounds there must be for it to do anything."""
    return processor.tracks_heard if isinstance(processor, Crosstalk) else 0


def heard_of(processor: Processor, audio: Any, others: int) -> Any:
    """What becomes of a sound on one channel; with others beside it, what is heard of it on the last one."""
    rows = np.zeros((1 + others, audio.size))
    rows[0] = audio
    return processor(rows, RATE)[-1]


def above(audio: Any, hertz: float = 5_000.0) -> float:
    """Peak above a frequency in dBFS."""
    high = firwin(1023, hertz, fs=RATE, pass_zero=False, window=("kaiser", 14.0))
    return float(20.0 * np.log10(np.max(np.abs(fftconvolve(audio, high, mode="valid"))) + 1e-20))


# --- curves ----------------------------------------------------------------------------------------------


def test_the_mean_of_a_curve_is_its_integral() -> None:
    made = curve(
        "x", (0.001, 3.0, "smooth"), (0.004, -1.0, "hold"), (0.006, 5.0), (0.006, 2.0), (0.01, 4.0, "smooth")
    )

    def value(at: float) -> float:
        """By the definition, point by point."""
        points = made.points
        if at < points[0].seconds * RATE:  # type: ignore[operator]
            return points[0].value
        for one, other in pairwise(points):
            begin, end = one.seconds * RATE, other.seconds * RATE  # type: ignore[operator]
            if begin <= at < end:
                way = (at - begin) / (end - begin)
                way = {"linear": way, "smooth": way * way * (3.0 - 2.0 * way), "hold": 0.0}[one.shape]
                return one.value + way * (other.value - one.value)
        return points[-1].value

    corners = [point.seconds * RATE for point in made.points]  # type: ignore[operator]
    for first, behind in ((-500.0, -20.0), (-30.0, 700.0), (60.0, 170.0), (280.0, 295.0), (400.0, 900.0)):
        inside = [corner for corner in corners if first < corner < behind]
        expected = quad(value, first, behind, points=inside or None, limit=200)[0] / (behind - first)
        assert made.mean(first, behind, RATE) == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_times_may_be_samples_of_tape() -> None:
    in_samples = Curve(setting="x", points=(CurvePoint(samples=0, value=0.0), CurvePoint(samples=100, value=1.0)))
    assert in_samples.mean(40.0, 60.0, 44_100.0) == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ((), "has 0 points"),
        (({"value": 1.0},), "either seconds or samples"),
        (({"seconds": 1.0, "value": 1.0}, {"samples": 3, "value": 1.0}), "in one unit"),
        (({"seconds": 1.0, "value": 1.0}, {"seconds": 0.5, "value": 1.0}), "in order of time"),
    ],
)
def test_a_curve_that_is_none_is_refused(points: Any, words: str) -> None:
    with pytest.raises(ParameterError, match=words):
        Curve(setting="wet_percent", points=points)


@pytest.mark.parametrize(
    ("processor", "name"),
    [
        (PreampDrive(), "high_pass_hz"),
        (WowFlutter(), "speed_error_percent"),
        (AmplitudeFlutter(), "dropout_longest_ms"),
        (TapeResponse(), "self_erasure_db"),
        (HeadAzimuth(), "track_width_mm"),
        (FdnReverb(), "size_percent"),
        (TapeNoise(), "seed"),
        (EraseResidue(), "earlier_seconds"),
        (EraseResidue(), "bass_corner_hz"),
        (Chain([PreampDrive()]), "thd_percent"),
    ],
)
def test_a_setting_that_cannot_move_says_so(processor: Processor, name: str) -> None:
    with pytest.raises(ParameterError, match=r"cannot follow a curve; these can: .*mix_percent") as caught:
        moved(processor, curve(name, (0.0, 1.0)))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("kind", [kind for kind in file_kinds() if kind != Chain.kind])
def test_every_setting_moves_or_says_why_not(kind: str) -> None:
    """All settings of all processors: one that is not said to move is refused, in one line with a reason."""
    model = file_kinds()[kind]
    given: dict[str, object] = {"effect": "Chorus"} if kind == "plugin_effect" else {}
    for name, field in model.model_fields.items():
        if name in model.moves:
            continue
        with pytest.raises(
            ParameterError, match=r"cannot follow a curve; these can: .*mix_percent \(.+\)"
        ) as caught:
            moved(model.model_validate(given), curve(name, (0.0, 1.0)))
        assert "\n" not in str(caught.value)
        quantity = float in (field.annotation, *get_args(field.annotation))
        assert (model.stands in str(caught.value)) == quantity
        assert ("it is not one quantity" in str(caught.value)) != quantity
        assert model.stands != Processor.stands  # a reason of its own


def test_a_point_out_of_range_is_refused() -> None:
    for name, value in (("thd_percent", 100.0), ("mix_percent", 101.0)):
        with pytest.raises(ParameterError, match="must be"):
            moved(PreampDrive(), curve(name, (0.0, 1.0), (1.0, value)))
    with pytest.raises(ParameterError, match="two curves"):
        moved(PreampDrive(), curve("drive_db", (0.0, 1.0)), curve("drive_db", (0.0, 2.0)))


def test_what_a_curve_switches_on_is_not_idle() -> None:
    """The room of a hall whose wet share rises from nothing, and the corner of a rise that begins at none."""
    for processor, name, shaped, other in (
        (FdnReverb(wet_percent=0.0, size_percent=40.0), "wet_percent", "size_percent", 50.0),
        (EraseResidue(bass_rise_db=0.0, bass_corner_hz=30.0), "bass_rise_db", "bass_corner_hz", 6.0),
    ):
        place = f"{processor.kind}.{shaped}"
        assert moved(processor).idle() == {place: f"{name} is 0"}
        assert moved(processor, curve("mix_percent", (0.0, 50.0))).idle() == {place: f"{name} is 0"}
        assert moved(processor, curve(name, (0.0, 0.0))).idle() == {place: f"{name} is 0"}
        assert moved(processor, curve(name, (0.0, 0.0), (1.0, other), (2.0, 0.0))).idle() == {}


# --- sound -----------------------------------------------------------------------------------------------

BREATHING = ({"rate_hz": 5.5, "peak_db": 3.0},)


def test_a_curve_that_stands_sounds_as_the_setting() -> None:
    audio = 0.3 * np.random.default_rng(1).standard_normal((2, 6_000))
    for processor, name, value in (
        (PreampDrive(), "thd_percent", 3.0),
        (FdnReverb(lines=8, decay_seconds=0.2), "wet_percent", 70.0),
        (TapeNoise(), "hiss_db", -40.0),
        (EraseResidue(earlier_seconds=0.1), "bass_rise_db", 18.0),
        (TapeMagnetisation(), "mol_db", 8.0),
        (WowFlutter(), "weighted_flutter_percent", 0.6),
        (WowFlutter(), "random_percent", 0.6),
        (WowFlutter(), "scrape_percent", 0.6),
        (AmplitudeFlutter(periodic_parts=BREATHING), "periodic_percent", 40.0),
        (AmplitudeFlutter(periodic_parts=BREATHING, mode="spacing", dropouts_per_minute=600.0), "random_db", 1.0),
        (HeadAzimuth(), "azimuth_urad", -500.0),
        (HeadAzimuth(), "wander_urad", 400.0),
        (AmplitudeFlutter(dropouts_per_minute=900.0), "dropout_most_db", 20.0),
        (TapeResponse(), "mol_db", 4.0),
        (Crosstalk(), "fringing_db", -20.0),
        (Crosstalk(tracks_heard=2), "coupling_step_db", 3.0),
    ):
        expected = processor.replace(**{name: value})(audio, RATE)
        heard = moved(processor, curve(name, (0.0, value)))(audio, RATE)
        assert np.array_equal(heard, expected), name


def test_a_ramp_is_followed_without_a_lag() -> None:
    """Hum that rises by 12 dB a second, over the same hum at a constant level: a sample is 2.9e-5 of the gain."""
    hum = TapeNoise(hiss=False, hum_db=-40.0)
    ramp = moved(hum, curve("hum_db", (0.0, -40.0), (0.5, -34.0)))
    silence = np.zeros(24_000)
    part = slice(1_000, 23_000)
    steady, rising = hum(silence, RATE)[part], ramp(silence, RATE)[part]
    expected = 10.0 ** (12.0 * np.arange(24_000)[part] / RATE / 20.0)
    clear = np.abs(steady) > 0.3 * np.max(np.abs(steady))
    assert np.max(np.abs(rising[clear] / steady[clear] / expected[clear] - 1.0)) < 1.4e-5  # half a sample


REEL = PrintThrough(level_db=-20.0, hub_radius_mm=5.0, full_radius_mm=6.0)


def test_an_echo_has_the_level_of_its_own_place() -> None:
    """Half a turn ahead and behind; at the peak, where the filter itself leaves a moving level as it is."""
    for reel in (REEL, REEL.replace(pre_echo=False)):
        tone = sine(48_000, reel.peak_hz())
        ramp = moved(reel, curve("level_db", (0.0, -32.0), (1.0, -20.0)))
        part = slice(12_000, 36_000)
        steady, rising = (reel(tone, RATE) - tone)[part], (ramp(tone, RATE) - tone)[part]
        expected = 10.0 ** ((-12.0 + 12.0 * np.arange(48_000) / RATE) / 20.0)[part]
        clear = np.abs(steady) > 0.5 * np.max(np.abs(steady))
        assert np.max(np.abs(rising[clear] / steady[clear] / expected[clear] - 1.0)) < 1.4e-5  # half a sample


def test_echoes_that_a_curve_brings_in_are_heard_ahead() -> None:
    made = moved(REEL, curve("level_db", (0.0, -100.0), (1.0, -20.0)))
    for level in (-30.0, -60.0):
        expected = REEL.stream(sample_rate=RATE, channels=1).lead_samples(level)
        assert made.stream(sample_rate=RATE, channels=1).lead_samples(level) == expected > 0


HEAD = Crosstalk(guard_mm=0.2, fringing_db=-40.0, coupling_db=-50.0)
WOUND = Crosstalk(fringing_db=-120.0, tracks_heard=2)
TORN = AmplitudeFlutter(
    dropouts_per_minute=6_000.0, dropout_shortest_ms=80.0, dropout_longest_ms=80.0, random_db=0.0, seed=3
)
# With these seeds the only dropout lies round the first 0.25 s, near the least depth and near the most.
FLOOR = AmplitudeFlutter(
    dropouts_per_minute=20.0, dropout_shortest_ms=1_000.0, dropout_longest_ms=1_000.0, random_db=0.0
).replace(dropout_least_db=0.1, dropout_most_db=60.0)
HALL = FdnReverb(lines=8, decay_seconds=0.1)
# Every setting that can move, with what must be set beside it, in all ways in which it decides something.
JUDGED: dict[tuple[str, str], list[Processor]] = {
    ("wow_flutter", "random_percent"): [WowFlutter()],
    ("wow_flutter", "scrape_percent"): [WowFlutter(scrape_band_hz=(50.0, 200.0))],
    ("amplitude_flutter", "periodic_percent"): [
        AmplitudeFlutter(periodic_parts=BREATHING),
        AmplitudeFlutter(periodic_parts=BREATHING, mode="spacing"),
    ],
    ("amplitude_flutter", "random_db"): [
        AmplitudeFlutter(),
        AmplitudeFlutter(periodic_parts=BREATHING, mode="spacing", spacing_frequency_hz=20_000.0),
    ],
    ("amplitude_flutter", "dropout_least_db"): [FLOOR.replace(seed=400)],
    ("amplitude_flutter", "dropout_most_db"): [FLOOR.replace(seed=355)],
    ("tape_response", "mol_db"): [TapeResponse(self_erasure_db=12.0)],
    ("tape_response", "reference_level_dbfs"): [TapeResponse()],
    ("head_azimuth", "azimuth_urad"): [HeadAzimuth(track_width_mm=0.6, track_spacing_mm=0.9)],
    ("head_azimuth", "wander_urad"): [HeadAzimuth()],
    ("wow_flutter", "weighted_flutter_percent"): [WowFlutter(), WowFlutter(random_band_hz=(5.0, 20.0))],
    ("stage", MIX): [HALL.replace(wet_percent=100.0)],
    ("fdn_reverb", "decay_seconds"): [HALL.replace(wet_percent=100.0)],
    ("fdn_reverb", "wet_percent"): [HALL],
    ("fdn_reverb", "width_percent"): [HALL.replace(wet_percent=100.0)],
    ("preamp_drive", "drive_db"): [PreampDrive(), PreampDrive(level_matched=True)],
    ("preamp_drive", "thd_percent"): [PreampDrive(), PreampDrive(level_matched=True)],
    ("preamp_drive", "reference_level_dbfs"): [
        PreampDrive(thd_percent=1.0),
        PreampDrive(drive_db=20.0, level_matched=True),
        PreampDrive(thd_percent=1.0, level_matched=True),
    ],
    ("tape_magnetisation", "drive_db"): [TapeMagnetisation()],
    ("tape_magnetisation", "mol_db"): [TapeMagnetisation()],
    ("tape_magnetisation", "reference_level_dbfs"): [TapeMagnetisation(mol_db=6.0), TapeMagnetisation()],
    ("erase_residue", "residue_db"): [EraseResidue(earlier_seconds=0.1, bass_rise_db=18.0)],
    ("erase_residue", "bass_rise_db"): [EraseResidue(earlier_seconds=0.1, residue_db=-30.0)],
    ("print_through", "level_db"): [REEL, REEL.replace(pre_echo=False)],
    ("print_through", "asymmetry_db"): [REEL],
    ("crosstalk", "fringing_db"): [HEAD.replace(coupling_db=-120.0)],
    ("crosstalk", "coupling_db"): [WOUND],
    ("crosstalk", "coupling_step_db"): [WOUND],
    ("tape_noise", "hiss_db"): [TapeNoise()],
    ("tape_noise", "modulation_noise_db"): [TapeNoise(hiss=False)],
    ("tape_noise", "hum_db"): [TapeNoise(hiss=False)],
    ("tape_noise", "reference_level_dbfs"): [
        TapeNoise(),
        TapeNoise(hiss_db=0.0),
        TapeNoise(hiss=False, hum_db=0.0),
    ],
}
MOVING = [
    *((kind, name) for kind, model in file_kinds().items() for name in model.moves),
    ("stage", MIX),
]
PEAKS = 10.0 ** np.arange(0.0, -8.0, -1.0)


def full_range(processor: Processor, name: str) -> tuple[float, float]:
    """Ends of the declared range; of a distortion, what the ends of the drive give."""
    if name == "thd_percent":
        ends = [
            processor.replace(drive_db=drive).expected_thd_percent(-18.0)  # type: ignore[attr-defined]
            for drive in (LEAST_DRIVE_DB, MOST_DRIVE_DB)
        ]
        return 1.01 * ends[0], 0.99 * ends[1]
    fields = Stage.model_fields if name == MIX else type(processor).model_fields
    low = next(item.ge for item in fields[name].metadata if hasattr(item, "ge"))
    high = next(item.le for item in fields[name].metadata if hasattr(item, "le"))
    return low, high


def loudest(held: Sequence[Chain], others: int, clean: float) -> tuple[Any, float]:
    """The loudest sine that no standing value spreads beyond the band, and the peak that it comes out with."""
    softly = np.ones(12_000)
    softly[:2_000] = 0.5 - 0.5 * np.cos(np.pi * np.arange(2_000) / 2_000)  # what comes round later has no edge
    softly[-2_000:] = softly[1_999::-1]  # nor has what is heard ahead
    for peak in PEAKS:
        audio = peak * softly * sine(12_000)
        outs = [heard_of(chain, audio, others)[3_000:] for chain in held]
        size = max(float(np.max(np.abs(out))) for out in outs)
        if max(above(out / size) for out in outs) < clean:
            return audio, size
    raise AssertionError("no sine stays in the band")


def constant_answer(processor: Processor, name: str) -> Any:
    """A sound whose answer nothing else moves, where a sine would not do; none where it does."""
    if isinstance(processor, TapeNoise) and (processor.hiss or name == "modulation_noise_db"):
        return np.full(12_000, 1.0 if name == "modulation_noise_db" else 0.0)
    if isinstance(processor, Crosstalk):  # coupling is heard of what rises, fringing of what stands
        return np.ones(12_000) if name == "fringing_db" else 1e-4 * np.arange(12_000)
    return None


@pytest.mark.parametrize(("kind", "name"), MOVING)
def test_a_jump_over_the_full_range_makes_no_click(kind: str, name: str) -> None:
    """More than 100 dB below the sound above 5 kHz; in its middle, and where the sound is 60 dB softer.

    Noise fills all bands: what moves its level is found as the ratio to noise that stands, and given to a sine. So
    is what moves crosstalk, whose filters leave images of a tone by themselves.
    """
    assert (kind, name) in JUDGED, "a setting that can move is not judged"
    for processor in JUDGED[kind, name]:
        low, high = full_range(processor, name)
        held = [
            Chain([Stage(processor=processor, mix_percent=value)])
            if name == MIX
            else Chain([processor.replace(**{name: value})])
            for value in (low, high)
        ]
        given, others = constant_answer(processor, name), beside(processor)
        shared = given is not None
        if shared:
            alone = given if isinstance(processor, TapeNoise) else 0.0
            standing = max(
                (heard_of(chain, given, others) - alone for chain in held), key=lambda out: np.max(np.abs(out))
            )
        else:
            # What reads an echo of -20 dB leaves -108 dBFS by itself.
            given, size = loudest(held, others, -105.0 if isinstance(processor, PrintThrough) else -120.0)
            soft = max(float(np.max(np.abs(heard_of(chain, 1e-3 * given, others)[3_000:]))) for chain in held)
        for at, (one, other) in product((0.1, 0.10213), ((low, high), (high, low))):
            jump = moved(processor, curve(name, (0.0, one, "hold"), (at, other)))
            heard = heard_of(jump, given, others)
            if shared:
                shares = ((heard - alone) / standing)[3_000:9_000]
                assert np.max(shares) == pytest.approx(1.0, abs=1e-6)
                assert above(shares * sine(6_000)) < -100.0
                continue
            assert above(heard[3_000:] / size) < -100.0
            assert above(heard_of(jump, 1e-3 * given, others)[3_000:] / soft) < -100.0


def test_a_mix_follows_its_curve() -> None:
    made = moved(PreampDrive(drive_db=20.0), curve("mix_percent", (0.1, 0.0, "hold"), (0.2, 100.0)))
    audio = sine(24_000)
    heard = made(audio, RATE)
    driven = PreampDrive(drive_db=20.0)(audio, RATE)
    assert np.array_equal(heard[:8_000], audio[:8_000])
    assert np.allclose(heard[12_000:], driven[12_000:], rtol=0.0, atol=1e-14)
    assert above(heard - moved(PreampDrive(drive_db=20.0), curve("mix_percent", (0.0, 50.0)))(audio, RATE)) < -60.0


MOVED = Chain(
    [
        Stage(
            processor=PreampDrive(level_matched=True),
            automation=(curve("thd_percent", (0.0, 0.5), (0.05, 20.0, "smooth"), (0.1, 1.0)),),
        ),
        Stage(
            processor=FdnReverb(lines=8, decay_seconds=0.2),
            automation=(
                curve("wet_percent", (0.02, 0.0, "hold"), (0.0333, 80.0), (0.08, 10.0)),
                curve("mix_percent", (0.0, 100.0), (0.1, 20.0, "smooth")),
            ),
        ),
        Stage(
            processor=TapeNoise(modulation_noise_db=-50.0, hum_db=-60.0),
            automation=(
                curve("hum_db", (0.0, -100.0), (0.1, -20.0)),
                curve("hiss_db", (0.0, -30.0), (0.1, -90.0)),
            ),
        ),
    ]
)


def test_no_cut_changes_a_sample() -> None:
    audio = 0.3 * np.random.default_rng(3).standard_normal((2, 6_000))
    rng = np.random.default_rng(4)
    whole = MOVED.stream(sample_rate=RATE, channels=2, start_sample=-300).process(audio)
    stream, parts, at = MOVED.stream(sample_rate=RATE, channels=2, start_sample=-300), [], 0
    while at < audio.shape[1]:
        count = int(rng.integers(0, 500))
        parts.append(stream.process(audio[:, at : at + count]))
        at += count
    assert np.array_equal(np.concatenate(parts, axis=1), whole)


def test_a_curve_belongs_to_the_tape_and_not_to_the_recording() -> None:
    """A render that starts later hears the same part of the curve; at hour ten as at the beginning."""
    far = 36_000 * RATE
    points = ((0.0, -30.0), (0.05, -60.0), (0.1, -20.0, "hold"), (0.15, -80.0))
    made = moved(TapeNoise(hiss=False, hum_db=-30.0, mains_hz=50.0), curve("hum_db", *points))
    later = moved(
        TapeNoise(hiss=False, hum_db=-30.0, mains_hz=50.0),
        curve("hum_db", *((at + 36_000.0, value, *shape) for at, value, *shape in points)),
    )
    whole = made(np.zeros(9_600), RATE)
    assert np.allclose(made(np.zeros(4_800), RATE, start_sample=4_800), whole[4_800:], rtol=0.0, atol=1e-15)
    # The hum goes through a whole number of cycles in ten hours.
    assert np.allclose(later(np.zeros(9_600), RATE, start_sample=far), whole, rtol=0.0, atol=1e-9)


def random_jumps(seed: int, jumps: int, processor: Processor, name: str, low: float, high: float) -> Chain:
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.exponential(0.004, jumps))
    return moved(processor, curve(name, *((float(at), float(rng.uniform(low, high)), "hold") for at in times)))


JUMPING = [
    (PreampDrive(level_matched=True), "drive_db", -40.0, 60.0),
    (TapeMagnetisation(), "drive_db", -40.0, 40.0),
    (FdnReverb(lines=8, decay_seconds=0.2), "wet_percent", 0.0, 100.0),
    (FdnReverb(lines=8, wet_percent=100.0), "decay_seconds", 0.1, 60.0),
    (TapeNoise(hiss_db=-60.0), "hiss_db", -120.0, -60.0),
    (EraseResidue(earlier_seconds=0.1), "residue_db", -100.0, -30.0),
    (REEL, "level_db", -100.0, -20.0),
    (WowFlutter(), "weighted_flutter_percent", 0.0, 5.0),
    (AmplitudeFlutter(periodic_parts=BREATHING), "random_db", 0.0, 6.0),
    (HeadAzimuth(), "azimuth_urad", -8_000.0, 8_000.0),
    (TORN.replace(dropout_least_db=0.1), "dropout_most_db", 0.1, 60.0),
    (TapeResponse(self_erasure_db=6.0), "mol_db", -20.0, 40.0),
    (HEAD, "fringing_db", -120.0, -6.0),
    (HEAD, "coupling_db", -120.0, -30.0),
]


def largest(processor: Processor, name: str, low: float, high: float, jumps: int) -> tuple[float, float]:
    """Peak under random jumps, and the largest with the setting held anywhere in its range, for as long.

    In a room that turns, a tone stands on resonances for moments: a short look would miss its peak.
    """
    samples = int(0.004 * RATE * jumps)
    audio = 0.1 * sine(samples, 1000.0)
    heard = heard_of(random_jumps(7, jumps, processor, name, low, high), audio, beside(processor))
    assert np.all(np.isfinite(heard))
    held = [
        np.max(np.abs(heard_of(processor.replace(**{name: value}), audio, beside(processor))))
        for value in np.linspace(low, high, 6)
    ]
    return float(np.max(np.abs(heard))), float(max(held))


@pytest.mark.parametrize(("processor", "name", "low", "high"), JUMPING)
def test_random_jumps_never_blow_up(processor: Processor, name: str, low: float, high: float) -> None:
    jumping, held = largest(processor, name, low, high, 60)
    assert jumping < held * 10.0**0.15


@pytest.mark.long
@pytest.mark.parametrize(("processor", "name", "low", "high"), JUMPING)
def test_ten_thousand_random_jumps_never_blow_up(processor: Processor, name: str, low: float, high: float) -> None:
    jumping, held = largest(processor, name, low, high, 10_000)
    assert jumping < held * 10.0**0.15


def test_the_tail_is_the_longest_that_the_curve_gives() -> None:
    hall = FdnReverb(decay_seconds=1.0, lines=8)
    made = moved(hall, curve("wet_percent", (0.0, 0.0), (1.0, 90.0)))
    expected = hall.replace(wet_percent=90.0).stream(sample_rate=RATE, channels=1).tail_samples()
    assert made.stream(sample_rate=RATE, channels=1).tail_samples() == expected


def test_a_curve_that_reaches_a_strong_drive_runs_at_its_rate() -> None:
    """A soft drive runs at half the rate, at which a strong one folds more: both ends are heard as if set."""
    audio = 0.5 * sine(12_000, 7_900.0)
    for first, last in ((0.0, 20.0), (20.0, 0.0)):
        made = moved(PreampDrive(), curve("drive_db", (0.1, first, "hold"), (0.1, last)))(audio, RATE)
        strong = PreampDrive(drive_db=20.0)(audio, RATE)
        part = slice(1_000, 3_500) if first > last else slice(6_500, 11_000)
        assert np.allclose(made[part], strong[part], rtol=0.0, atol=1e-4 if last > first else 1e-12)


# --- files -----------------------------------------------------------------------------------------------

TEXT = """format = 1
purpose = "Drive that grows."

[[stages]]
kind = "preamp_drive"
thd_percent = 1.0

[[stages.automation]]
setting = "thd_percent"
points = [
    { seconds = 0.0, value = 1.0 },
    { seconds = "500 ms", value = 10.0, shape = "hold" },
    { seconds = 0.7, value = 2.0 },
]
"""


def test_a_preset_file_holds_curves() -> None:
    preset = parse_preset(TEXT, name="grows")
    (stage,) = preset.chain.stages
    assert stage.automation == (curve("thd_percent", (0.0, 1.0), (0.5, 10.0, "hold"), (0.7, 2.0)),)
    assert parse_preset(preset_text(preset), name="grows").chain == preset.chain
    assert Chain.from_dict(preset.chain.to_dict()) == preset.chain


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"thd_percent"\np', '"high_pass_hz"\np', "cannot follow a curve"),
        ("value = 10.0", "value = 1000.0", "must be above 0 and below 100 %"),
        ("seconds = 0.7", "seconds = 0.1", "in order of time"),
        ("value = 2.0", "valu = 2.0", "did you mean 'value'"),
    ],
)
def test_mistakes_in_a_file_are_told_with_their_line(old: str, new: str, words: str) -> None:
    with pytest.raises(PresetError, match=words) as caught:
        parse_preset(TEXT.replace(old, new), name="grows")
    assert "line " in str(caught.value)


# --- in C ------------------------------------------------------------------------------------------------

needs_gcc = pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler (gcc) is installed")


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> LiveLibrary:
    return LiveLibrary(tmp_path_factory.mktemp("moving"))


SET = [
    (PreampDrive(thd_percent=20.0), "thd_percent", 1.0),
    (TapeMagnetisation(mol_db=0.0), "mol_db", 12.0),
    (FdnReverb(lines=8, decay_seconds=0.1, wet_percent=0.0), "wet_percent", 100.0),
    (FdnReverb(lines=8, decay_seconds=2.0, wet_percent=100.0), "decay_seconds", 0.2),
    (TapeNoise(hiss_db=-60.0), "hiss_db", -20.0),
    (EraseResidue(residue_db=-80.0, earlier_seconds=0.1), "residue_db", -30.0),
    (REEL.replace(level_db=-80.0, asymmetry_db=0.0), "level_db", -20.0),
    (WowFlutter(weighted_flutter_percent=0.4), "weighted_flutter_percent", 0.1),
    (WowFlutter(random_percent=0.3, random_band_hz=(2.0, 60.0), scrape_percent=0.1), "random_percent", 0.05),
    (WowFlutter(scrape_percent=2.0, scrape_band_hz=(50.0, 200.0)), "scrape_percent", 0.1),
    (AmplitudeFlutter(periodic_parts=BREATHING, random_db=2.0), "random_db", 0.1),
    (AmplitudeFlutter(periodic_parts=BREATHING, mode="spacing"), "periodic_percent", 5.0),
    (HeadAzimuth(azimuth_urad=900.0, tracks=4), "azimuth_urad", -100.0),
    (HeadAzimuth(wander_urad=900.0, tracks=4), "wander_urad", 0.0),
    (TORN.replace(dropout_least_db=0.1), "dropout_most_db", 30.0),
    (TORN.replace(mode="spacing"), "dropout_least_db", 0.5),
    (TapeResponse(mol_db=-6.0), "mol_db", 6.0),
    (HEAD.replace(fringing_db=-120.0), "fringing_db", -10.0),
    (HEAD.replace(tracks_heard=3), "coupling_db", -30.0),
]


@needs_gcc
@pytest.mark.parametrize(("processor", "name", "value"), SET)
def test_a_setting_moves_in_c_as_in_python(
    library: LiveLibrary, processor: Processor, name: str, value: float
) -> None:
    """A live change is not known ahead: it is two cells and a half, of 240 samples, later than a curve."""
    channels = 1 + beside(processor)
    audio = 0.2 * np.random.default_rng(6).standard_normal((channels, 12_000))
    at = 4_811
    late = processor.stream(sample_rate=RATE, channels=channels).latency
    chain = library.chain(processor, channels=channels)
    first = chain.process(audio[:, :at])
    assert chain.set(0, name, value)
    heard = np.concatenate([first, chain.process(audio[:, at:])], axis=1)
    before = getattr(processor, name)
    jump = (at + 600) / RATE
    made = moved(processor, curve(name, (0.0, before, "hold"), (jump, value)))
    expected = made.stream(sample_rate=RATE, channels=channels).process(audio)
    error = np.max(np.abs(heard - expected)) / np.max(np.abs(expected))
    assert error < 1e-9, late


@needs_gcc
@pytest.mark.parametrize(("processor", "name", "value"), SET)
def test_no_cut_changes_a_sample_in_c(library: LiveLibrary, processor: Processor, name: str, value: float) -> None:
    channels = 1 + beside(processor)
    audio = 0.2 * np.random.default_rng(6).standard_normal((channels, 6_000))
    came = []
    for block, cuts in ((64, (512,)), (4_096, (4_096,)), (1, (3, 0, 77))):
        chain = library.chain(processor, channels=channels, block=block)
        parts = [chain.process(audio[:, :1_111], cuts)]
        assert chain.set(0, name, value)
        parts.append(chain.process(audio[:, 1_111:1_200], cuts))
        assert chain.set(0, name, getattr(processor, name))
        parts.append(chain.process(audio[:, 1_200:], cuts))
        came.append(np.concatenate(parts, axis=1))
    assert np.array_equal(came[0], came[1])
    assert np.array_equal(came[0], came[2])


@needs_gcc
def test_a_share_moves_smoothly_in_c(library: LiveLibrary) -> None:
    """From the wet side, a delayed sine, to the dry one and back before it has arrived."""
    mixed = Chain([Stage(processor=PreampDrive(drive_db=0.0), mix_percent=0.0)])
    audio = 1e-3 * sine(24_000)[np.newaxis]
    came = []
    for cuts in ((64,), (4_096,)):
        chain = library.chain(mixed)
        parts = [chain.process(audio[:, :9_999], cuts)]
        assert library.c.tapeemu_set_share(chain.handle, 0, 1.0)
        parts.append(chain.process(audio[:, 9_999:10_500], cuts))
        assert library.c.tapeemu_set_share(chain.handle, 0, 0.3)
        parts.append(chain.process(audio[:, 10_500:], cuts))
        came.append(np.concatenate(parts, axis=1))
    assert np.array_equal(came[0], came[1])
    assert above(1e3 * came[0][0, 2_000:]) < -100.0


def follow(chain: Any, curve: Curve, take: Callable[[float], bool], audio: Any, place: int, late: int) -> Any:
    """A chain of the C library whose setting or share follows a curve, as tapeemu.h says."""
    cell = 240
    number, inside = divmod(place - late, cell)

    def take_cell(which: int) -> None:
        middle = which * cell
        assert take(curve.mean(middle - cell / 2, middle + cell / 2, float(RATE)))

    for before in range(-20, 3):
        take_cell(number + before)
        chain.library.c.tapeemu_follow_on(chain.handle)
    take_cell(number + 3)
    parts = []
    ends = [*range(cell - inside, audio.shape[1], cell), audio.shape[1]]
    for first, behind in pairwise([0, *ends]):
        parts.append(chain.process(audio[:, first:behind]))
        number += 1
        take_cell(number + 3)
    return np.concatenate(parts, axis=1)


COURSE = ((0.24, 0.1), (0.26, 0.9, "smooth"), (0.275, 0.3, "hold"), (0.285, 0.7), (0.285, 0.5), (0.3, 0.5))
"""Times, and shares of the way between two values."""


@needs_gcc
@pytest.mark.parametrize(("processor", "name", "value"), SET)
def test_a_curve_is_followed_in_c_to_the_bits_of_python(
    library: LiveLibrary, processor: Processor, name: str, value: float
) -> None:
    place = 12_345
    channels = 1 + beside(processor)
    late = processor.stream(sample_rate=RATE, channels=channels).latency
    audio = 0.2 * np.random.default_rng(7).standard_normal((channels, 2_400 + late))
    low, high = sorted((getattr(processor, name), value))
    course = curve(name, *((at, low + share * (high - low), *shape) for at, share, *shape in COURSE))
    made = moved(processor, course).stream(sample_rate=RATE, channels=channels, start_sample=place)
    expected = made.process(audio)
    ends = [processor.replace(**{name: end}) for end in (course.least, course.most)]
    chains = [library.chain(end, channels=channels, place=place) for end in ends]
    chain = max(chains, key=lambda made: made.memory.size)
    setting = chain.names[0].index(name)

    def take(given: float) -> bool:
        return bool(library.c.tapeemu_follow(chain.handle, 0, setting, given))

    heard = follow(chain, course, take, audio, place, 0)
    assert np.max(np.abs(expected)) > 0.01
    assert np.array_equal(heard, expected)


MIXED = (
    lambda mix: Stage(processor=PreampDrive(drive_db=12.0), name="one", **mix),
    lambda mix: Stage(processor=Chain([Stage(processor=WowFlutter()), Stage(processor=PreampDrive())]), **mix),
)


@needs_gcc
@pytest.mark.parametrize("place", [12_000, 12_345])
@pytest.mark.parametrize("stage", MIXED)
def test_a_mix_that_follows_a_curve_in_c_has_the_bits_of_python(
    library: LiveLibrary, stage: Callable[[dict[str, Any]], Stage], place: int
) -> None:
    """Of a stage and of a chain, behind another stage that is late."""
    audio = 0.2 * np.random.default_rng(7).standard_normal((2, 4_000))
    course = curve("mix_percent", *((at, 100.0 * share, *shape) for at, share, *shape in COURSE))
    before = Stage(processor=WowFlutter(seed=3), name="before")
    made = Chain([before, stage({"automation": (course,)})])
    expected = made.stream(sample_rate=RATE, channels=2, start_sample=place).process(audio)
    still = Chain([before, stage({"mix_percent": 50.0})])
    chain = library.chain(still, channels=2, place=place)

    def take(given: float) -> bool:
        return bool(library.c.tapeemu_follow_share(chain.handle, 0, given / 100.0))

    assert np.array_equal(follow(chain, course, take, audio, place, chain.latency), expected)


@needs_gcc
@pytest.mark.parametrize("error", [-3.0, -1.7, 0.9, 3.0])
def test_curves_behind_a_tape_at_another_speed_are_followed_in_c_to_the_bits_of_python(
    library: LiveLibrary, error: float
) -> None:
    """A setting and a mix; cells begin where no sample of the input stands, so the chain is told ahead."""
    place, cell, most = 12_345, 240, 64
    audio = 0.2 * np.random.default_rng(7).standard_normal((2, 6_000))
    hiss = curve("hiss_db", *((at + 0.005, -60.0 + 30.0 * share, *shape) for at, share, *shape in COURSE))
    share = curve("mix_percent", *((at, 100.0 * part, *shape) for at, part, *shape in COURSE))
    tape = Stage(processor=WowFlutter(seed=3, speed_error_percent=error), name="tape")

    def row(level: float, mixed: dict[str, Any], **moves: Any) -> Chain:
        noise = Stage(processor=TapeNoise(hiss_db=level), name="noise", **moves)
        late = Chain([Stage(processor=PreampDrive(), name="late"), noise])
        return Chain([tape, Stage(processor=late, name="both", **mixed)])

    made = row(-40.0, {"automation": (share,)}, automation=(hiss,))
    expected = made.stream(sample_rate=RATE, channels=2, start_sample=place).process(audio)
    # Made with the end of the curve that Python takes first.
    chain = library.chain(row(hiss.least, {"mix_percent": 50.0}), channels=2, place=place)
    c, handle = library.c, chain.handle
    setting = chain.names[2].index("hiss_db")
    followed = [
        (hiss, lambda: c.tapeemu_cell(handle, 2), lambda now, value: now(handle, 2, setting, value), ""),
        (
            share,
            lambda: c.tapeemu_share_cell(handle, 0),
            lambda now, value: now(handle, 0, value / 100.0),
            "_share",
        ),
    ]

    def give(number: int, which: int, ahead: str) -> None:
        course, _, apply, kind = followed[number]
        middle = which * cell
        value = course.mean(middle - cell / 2, middle + cell / 2, float(RATE))
        assert apply(getattr(c, f"tapeemu_follow{kind}{ahead}"), value)

    cells = [each[1]() for each in followed]
    for before in range(-20, 3):
        for number in range(2):
            give(number, cells[number] + before, "")
        c.tapeemu_follow_on(handle)
    for number in range(2):
        give(number, cells[number] + 3, "")
        give(number, cells[number] + 4, "_next")
    parts = []
    for first in range(0, audio.shape[1], most):
        parts.append(chain.process_counted(audio[:, first : first + most]))
        for number, (_, cell_now, *_) in enumerate(followed):
            if cell_now() != cells[number]:
                cells[number] = cell_now()
                give(number, cells[number] + 4, "_next")
    heard = np.concatenate(parts, axis=1)
    assert heard.shape != audio.shape
    assert heard.shape[1] == expected.shape[1]
    assert np.max(np.abs(expected)) > 0.01
    assert np.array_equal(heard, expected)
    assert not c.tapeemu_follow_next(handle, 1, chain.names[1].index("asymmetry_percent"), 1.0)
    assert not c.tapeemu_follow_share_next(handle, 0, 1.5)
    assert [c.tapeemu_cell(handle, 3), c.tapeemu_share_cell(handle, 1)] == [0, 0]


@needs_gcc
def test_a_share_leaves_a_curve_and_takes_one_up_without_a_jump_in_c(library: LiveLibrary) -> None:
    mixed = Chain([Stage(processor=PreampDrive(drive_db=0.0), mix_percent=20.0)])
    audio = 1e-3 * sine(24_000)[np.newaxis]
    chain = library.chain(mixed)
    c = library.c
    parts = [chain.process(audio[:, :4_801])]
    for step, first in enumerate(range(4_801, 14_401, 240)):
        if step == 30:  # in the middle of its way
            assert c.tapeemu_set_share(chain.handle, 0, 0.1)
        elif step < 30:
            assert c.tapeemu_follow_share(chain.handle, 0, 0.2 + 0.02 * step)
        elif step > 32:
            assert c.tapeemu_follow_share(chain.handle, 0, 0.9)
        parts.append(chain.process(audio[:, first : first + 240]))
    parts.append(chain.process(audio[:, 14_401:]))
    assert above(1e3 * np.concatenate(parts, axis=1)[0, 2_000:]) < -100.0
    assert not c.tapeemu_follow_share(chain.handle, 1, 0.5)
    assert not c.tapeemu_follow_share(chain.handle, 0, 1.5)
    assert not c.tapeemu_follow(chain.handle, 0, chain.names[0].index("asymmetry_percent"), 1.0)


@needs_gcc
def test_what_cannot_move_is_refused_in_c(library: LiveLibrary) -> None:
    chain = library.chain(FdnReverb(lines=8, decay_seconds=0.1))
    assert not chain.set(0, "size_percent", 50.0)
    soft = library.chain(PreampDrive(drive_db=0.0))
    assert soft.set(0, "drive_db", 9.0)
    assert not soft.set(0, "drive_db", 10.0)  # runs at twice the rate
    assert not library.c.tapeemu_set(chain.handle, 1, 0, 0.0)
