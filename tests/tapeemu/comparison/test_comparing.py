"""Orders side by side: which, how matched, what the figures and sentences say."""

import itertools
import math
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
from typer.testing import CliRunner

import tapeemu
from measure.results import Reading
from tapeemu.chain import Chain, Stage
from tapeemu.cli import app
from tapeemu.comparison import Comparison, MeasuringPlan, compare
from tapeemu.comparison.chains import ChainFigures, ChainMeter, _mean, in_doubt
from tapeemu.comparison.compared_figures import FIGURES, LEVEL_NAMES
from tapeemu.comparison.comparing import _check_size
from tapeemu.comparison.findings import (
    Swap,
    effect_sentences,
    neighbour_swaps,
    pair_effects,
    range_lines,
    silent_sentence,
    swap_sentences,
)
from tapeemu.comparison.groups import ALIKE_DB, Group, differences_db, grouped, shared_groups
from tapeemu.comparison.orders import all_orders, chosen_orders, elsewhere, two_orders
from tapeemu.comparison.progress import SILENT
from tapeemu.comparison.renders import relative_octaves
from tapeemu.comparison.repeats import paired_difference, repeats_of_renders, settled, with_spread
from tapeemu.comparison.result import _plain_chain
from tapeemu.comparison.sentences import answer, differing, level_sentence, meaning, noteworthy
from tapeemu.comparison.traits import SPOKEN, TRAITS, Change
from tapeemu.errors import AudioError, OutputError, ParameterError, PresetError
from tapeemu.files.encodings import Encoding
from tapeemu.files.reader import read_audio
from tapeemu.files.writer import AudioWriter
from tapeemu.processors.amplitude_flutter import AmplitudeFlutter
from tapeemu.processors.fdn_reverb import FdnReverb
from tapeemu.processors.plugin_effect import PluginEffect
from tapeemu.processors.saturation import PreampDrive
from tapeemu.processors.wow_flutter import WowFlutter
from tapeemu.rendering.matched import Render, loudest_part
from tapeemu.report import markdown_page, page_text, value_text
from tapeemu.report.html_tables import figure_groups
from tapeemu.report.swap_picture import swap_picture
from tapeemu.report.wording import bursts_text

RATE = 32_000
QUICK = MeasuringPlan(glide_decays=1.5, glides=3, bursts=4, most_bursts=8, tapes=2, most_tapes=2)
QUICKEST = MeasuringPlan(glide_decays=1.0, glides=1, bursts=1, most_bursts=1, tapes=1, most_tapes=1)
CHAIN = Chain(
    stages=[
        Stage(processor=WowFlutter(weighted_flutter_percent=0.2, profile="domestic"), name="wow"),
        Stage(processor=FdnReverb(decay_seconds=0.6, wet_percent=60.0, lines=8), name="room"),
        Stage(processor=PreampDrive(drive_db=20.0), name="drive"),
    ]
)


def stem() -> np.ndarray:
    """Plucks in stereo, four seconds, with a loud middle."""
    clock = np.arange(4 * RATE) / RATE
    sound = np.zeros((2, clock.size))
    for number, pitch in enumerate((220.0, 330.0, 277.0, 440.0, 165.0)):
        since = np.maximum(clock - 0.1 - 0.7 * number, 0.0)
        tone = 0.3 * np.exp(-since / 0.2) * np.sin(2.0 * np.pi * pitch * since) * (since > 0.0)
        sound += np.array([[0.2 + 0.15 * number], [0.8 - 0.15 * number]]) * tone
    return sound


# What is measured of CHAIN by the quickest plan, for all who look at renders only.
QUICKEST_METERS: dict[float, ChainMeter] = {}


@cache
def compared() -> Comparison:
    return compare(stem(), CHAIN, sample_rate=RATE, plan=QUICK)


def ebur128(audio: np.ndarray) -> tuple[float, float]:
    """Integrated loudness and largest true peak by libebur128."""
    modes = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
    state = pyebur128.R128State(audio.shape[0], RATE, modes)
    state.add_frames(np.ascontiguousarray(audio.T, dtype=np.float64).ravel(), audio.shape[1])
    peaks = [pyebur128.get_true_peak(state, channel) for channel in range(audio.shape[0])]
    return pyebur128.get_loudness_global(state), 20.0 * math.log10(max(peaks))


# ------------------------------------------------------------------ which orders


def test_the_two_orders_swap_reverb_and_drive_in_place() -> None:
    first, second = two_orders(CHAIN)
    assert (first.label, first.order) == ("room before drive", ("wow", "room", "drive"))
    assert (second.label, second.order) == ("drive before room", ("wow", "drive", "room"))
    between = CHAIN.reordered(["drive", "wow", "room"])
    assert [c.order for c in two_orders(between)] == [("room", "wow", "drive"), ("drive", "wow", "room")]


def test_hosted_effects_count_as_what_they_do() -> None:
    chain = Chain(stages=[PluginEffect(effect="Distortion"), PluginEffect(effect="Reverb")])
    assert two_orders(chain)[0].order == ("plugin_effect_2", "plugin_effect")


def test_without_one_of_each_the_orders_must_be_said() -> None:
    for chain, counts in (
        (Chain(stages=[FdnReverb()]), "1 reverb and 0 drive"),
        (Chain(stages=[FdnReverb(), PreampDrive(), PreampDrive()]), "1 reverb and 2 drive"),
        (Chain(), "0 reverb and 0 drive"),
        (CHAIN.with_setting("drive", "bypass", True), "1 reverb and 0 drive"),
    ):
        with pytest.raises(ParameterError, match=f"{counts}.*--orders"):
            two_orders(chain)


def test_all_orders_are_all_permutations() -> None:
    chain = Chain(stages=[WowFlutter(), AmplitudeFlutter(), PreampDrive(), FdnReverb()])
    found = [contender.order for contender in all_orders(chain)]
    assert len(found) == 24
    assert set(found) == set(itertools.permutations(chain.names))
    assert found[0] == chain.names
    assert all(contender.chain == chain.reordered(contender.order) for contender in all_orders(chain))


def test_a_bypassed_stage_keeps_its_place() -> None:
    quiet = CHAIN.with_setting("room", "bypass", True)
    assert [contender.chain.names for contender in all_orders(quiet)] == [
        ("wow", "room", "drive"),
        ("drive", "room", "wow"),
    ]


def test_too_few_and_too_many_orders_are_refused() -> None:
    with pytest.raises(ParameterError, match="two or more"):
        all_orders(Chain(stages=[FdnReverb()]))
    with pytest.raises(ParameterError, match="720 orders"):
        all_orders(Chain(stages=[WowFlutter() for _ in range(6)]))


def test_orders_presets_and_chains_may_be_mixed(tmp_path: Path) -> None:
    preset = tmp_path / "other.toml"
    preset.write_text('format = 1\npurpose = "A test."\n[[stages]]\nkind = "fdn_reverb"\n', "utf-8")
    found = chosen_orders(CHAIN, ["drive, room", "room > wow > drive", ("drive", "wow"), str(preset), Chain()])
    assert [contender.order for contender in found] == [
        ("wow", "drive", "room"),
        ("room", "wow", "drive"),
        ("drive", "room", "wow"),
        ("fdn_reverb",),
        (),
    ]
    assert found[3].label == "other"
    assert found[4].label == "no stage"


def test_equal_labels_are_told_apart() -> None:
    assert [c.label for c in chosen_orders(CHAIN, ["drive", "drive"])] == [
        "wow → room → drive",
        "wow → room → drive (2)",
    ]


@pytest.mark.parametrize(
    ("wanted", "error", "words"),
    [
        (["wow, hall"], ParameterError, "'hall' in the order wow, hall is not a stage.*wow, room, drive"),
        (["wow, wow"], ParameterError, "names 'wow' more than once"),
        (["nowhere"], PresetError, "nowhere"),
        (["missing.toml"], PresetError, "missing"),
        ([], ParameterError, "must be a list"),
        ("room,drive", ParameterError, "must be a list"),
    ],
)
def test_an_order_that_cannot_be_is_refused(wanted: list[str], error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        chosen_orders(CHAIN, wanted)


# ------------------------------------------------------------------ how they are matched


def test_loudness_and_ceiling_by_libebur128() -> None:
    """BS.1770 within 0.1 LU of each other, true peaks under the ceiling, by a meter that no one here wrote."""
    done = compared()
    readings = [ebur128(render.audio) for render in (done.dry, *done.renders)]
    loudness, peaks = zip(*readings, strict=True)
    assert max(loudness) - min(loudness) < 0.1
    assert max(peaks) < -1.0 + 0.2  # libebur128's interpolation overshoots at onsets


@pytest.mark.parametrize("ceiling", [-1.0, -20.0])
def test_the_ceiling_lowers_all_alike(ceiling: float) -> None:
    loud = 10.0 * stem()
    done = compare(loud, CHAIN, sample_rate=RATE, plan=QUICKEST, true_peak_dbtp=ceiling, meters=QUICKEST_METERS)
    renders = (done.dry, *done.renders)
    assert max(render.true_peak_dbtp for render in renders) <= ceiling
    assert max(render.true_peak_dbtp for render in renders) > ceiling - 0.3
    assert np.ptp([render.loudness_lufs for render in renders]) < 0.1


def test_renders_are_the_chain_s_own_output_with_one_gain() -> None:
    """Aligned to the sample, on the same tape: exactly what the chain gives, scaled."""
    done = compared()
    tail = done.tail_seconds
    for render, order in zip(done.renders, (("wow", "room", "drive"), ("wow", "drive", "room")), strict=True):
        direct = CHAIN.reordered(order)(stem(), sample_rate=RATE, tail_seconds=tail)
        expected = direct * 10.0 ** (render.gain_db / 20.0)
        assert render.audio.shape == expected.shape
        np.testing.assert_allclose(render.audio, expected, atol=2e-6)
    np.testing.assert_allclose(
        done.dry.audio[:, : 4 * RATE], stem() * 10.0 ** (done.dry.gain_db / 20.0), atol=1e-6
    )


def test_seed_and_place_choose_the_tape() -> None:
    plan = QUICKEST
    done = compare(stem(), CHAIN, sample_rate=RATE, plan=plan, seed=5, start_seconds=2.0, tail_seconds=0.1)
    direct = CHAIN.with_seed(5)(stem(), sample_rate=RATE, tail_seconds=0.1, start_sample=2 * RATE)
    np.testing.assert_allclose(done.renders[0].audio, direct * 10.0 ** (done.renders[0].gain_db / 20.0), atol=2e-6)


def test_equal_orders_have_equal_figures() -> None:
    done = compare(stem(), CHAIN, orders=[CHAIN, CHAIN], sample_rate=RATE, plan=QUICKEST, meters=QUICKEST_METERS)
    assert np.array_equal(done.renders[0].audio, done.renders[1].audio)
    assert math.isnan(done.figures[1]["null_db"].value)
    assert done.figures[1]["correlation"].value == pytest.approx(1.0)
    assert [each for each in done.sentences if "no figure" in each or "identical" in each]
    assert done.answer.startswith("On this recording the order does not matter.")
    assert "equal to the last bit" in done.answer


def test_the_number_of_threads_changes_nothing() -> None:
    alone, several = (
        compare(stem()[:, :RATE], CHAIN, sample_rate=RATE, plan=QUICKEST, tail_seconds=0.5, jobs=jobs)
        for jobs in (1, 3)
    )
    for one, two in zip(alone.renders, several.renders, strict=True):
        assert np.array_equal(one.audio, two.audio)
    assert alone.to_dict() == several.to_dict()


def test_mono_and_float32_are_welcome() -> None:
    mono = stem()[0].astype(np.float32)
    kept = mono.copy()
    done = compare(mono, CHAIN, sample_rate=RATE, plan=QUICKEST, meters=QUICKEST_METERS)
    assert done.renders[0].audio.shape[0] == 1
    assert np.array_equal(mono, kept)
    assert "needs two" in done.figures[0]["width_db"].warnings[0]


@pytest.mark.parametrize(
    ("audio", "arguments", "error", "words"),
    [
        (np.zeros((2, RATE)), {}, AudioError, "loudness of 'dry stem' is undefined"),
        (0.1 * np.ones((2, 1000)), {"tail_seconds": 0.1}, AudioError, "longer or louder"),
        (np.zeros((2, 0)), {}, AudioError, "no samples"),
        (np.full((2, RATE), np.nan), {}, AudioError, "not finite"),
        (np.zeros((2, RATE)), {"sample_rate": None}, ParameterError, "sample_rate is missing"),
        (np.zeros((2, RATE)), {"sample_rate": 15_999}, AudioError, "need 16,000 Hz or more"),
        (np.zeros((2, RATE)), {"sample_rate": 16_000}, AudioError, "loudness of 'dry stem' is undefined"),
        (np.zeros((2, RATE)), {"true_peak_dbtp": 3.0}, ParameterError, "between -60 and 0"),
        (np.zeros((2, RATE)), {"tail_seconds": -1.0}, ParameterError, "between 0 and 600"),
        (np.zeros((2, RATE)), {"tail_seconds": 600.0, "orders": ["wow"] * 60}, AudioError, "compare fewer orders"),
    ],
)
def test_a_request_that_breaks_a_rule_is_refused(
    audio: np.ndarray, arguments: dict, error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        compare(audio, CHAIN, **{"sample_rate": RATE, **arguments})


def test_a_rate_that_contradicts_the_file_is_refused(tmp_path: Path) -> None:
    path = written_stem(tmp_path)
    with pytest.raises(ParameterError, match="has 32000 Hz; leave it out"):
        compare(path, CHAIN, sample_rate=44_100)


def test_the_loudest_part_is_found() -> None:
    audio = np.full((2, 1000), 0.1)
    audio[1, 400:500] = 1.0
    begin, end = loudest_part(audio, 150)
    assert (end - begin, begin <= 400, end >= 500) == (150, True, True)
    assert loudest_part(audio, 2000) == (0, 1000)


# ------------------------------------------------------------------ figures, table, sentences


def test_every_figure_is_there_with_its_doubt() -> None:
    done = compared()
    wanted = {"crest_db", "plr_db", "lra_lu", "centroid_hz", "octave_1000hz_db", "stereo_correlation", "width_db"}
    wanted |= {"null_db", "correlation", "loudness_lufs", "true_peak_dbtp"}
    wanted |= {f"{kind}_{level}_percent" for kind in ("thd", "imd") for level in ("quiet", "reference", "loud")}
    wanted |= {
        f"{kind}_{level}_seconds" for kind in ("edt", "t20", "t30") for level in ("quiet", "reference", "loud")
    }
    for own in done.figures:
        assert wanted <= set(own) <= set(FIGURES)
        for key in ("crest_db", "centroid_hz", "thd_reference_percent", "edt_loud_seconds", "t30_quiet_seconds"):
            assert own[key].defined, own[key]
            assert own[key].uncertainty > 0.0, own[key]
            assert "repeats" in own[key].uncertainty_basis or "theory" in own[key].uncertainty_basis


def test_figures_agree_with_plain_arithmetic() -> None:
    done = compared()
    one, two = (render.audio.astype(np.float64) for render in done.renders)
    rms = np.sqrt(np.mean(two**2))
    own = done.figures[1]
    assert own["crest_db"].value == pytest.approx(20.0 * np.log10(np.max(np.abs(two)) / rms), abs=1e-6)
    assert own["null_db"].value == pytest.approx(
        10.0 * np.log10(np.sum((two - one) ** 2) / np.sum(one**2)), abs=1e-6
    )
    assert own["correlation"].value == pytest.approx(np.corrcoef(one.ravel(), two.ravel())[0, 1], abs=1e-3)
    assert own["stereo_correlation"].value == pytest.approx(np.corrcoef(*two)[0, 1], abs=1e-3)
    assert own["plr_db"].value == pytest.approx(
        done.renders[1].true_peak_dbtp - done.renders[1].loudness_lufs, abs=0.1
    )
    assert done.figures[0]["octave_1000hz_db"].value == 0.0


def test_drive_behind_reverb_stretches_the_early_decay() -> None:
    """The finding that the comparison exists to show (t8 of the study): EDT grows with level, T30 hardly."""
    first, second = compared().figures
    assert first["edt_loud_seconds"].value > 1.1 * first["edt_quiet_seconds"].value
    assert first["t30_loud_seconds"].value < 1.1 * first["t30_quiet_seconds"].value
    assert second["edt_loud_seconds"].value < 1.1 * second["edt_quiet_seconds"].value
    assert any("the louder, the longer the room holds on at first" in each for each in compared().sentences)


def test_the_table_is_plain_and_goes_to_a_frame() -> None:
    done = compared()
    rows = done.table
    assert [row["label"] for row in rows] == ["room before drive", "drive before room"]
    assert rows[1]["edt_loud_seconds"] == done.figures[1]["edt_loud_seconds"].value
    assert rows[1]["edt_loud_seconds_uncertainty"] > 0.0
    frame = done.to_frame()
    assert list(frame.index) == ["room before drive", "drive before room"]
    assert frame.loc["drive before room", "crest_db"] == done.figures[1]["crest_db"].value


def test_without_pandas_the_frame_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pandas", None)
    with pytest.raises(ParameterError, match="needs pandas, which is not installed"):
        compared().to_frame()


def test_plain_values_hold_every_reading() -> None:
    plain = compared().to_dict()
    assert plain["plan"]["tapes"] == 2
    for order, own in zip(plain["orders"], compared().figures, strict=True):
        assert {key: Reading.from_dict(each) for key, each in order["readings"].items()} == own
        assert Chain.from_dict(order["chain"]).names == tuple(order["stages"])


def reading(value: float, uncertainty: float = 0.0) -> Reading:
    return Reading(quantity="q", value=value, unit="u", method="m", uncertainty=uncertainty)


@pytest.mark.parametrize(
    ("key", "one", "two", "expected"),
    [
        ("crest_db", reading(10.0), reading(11.0), True),
        ("crest_db", reading(10.0), reading(10.99), False),
        ("crest_db", reading(10.0, 0.4), reading(11.0, 0.4), False),  # twice 0.57 exceeds 1
        ("edt_quiet_seconds", reading(2.0), reading(2.1), True),  # the threshold is 5 %
        ("edt_quiet_seconds", reading(2.0), reading(2.09), False),
        ("edt_quiet_seconds", reading(2.0), reading(math.nan), False),
        ("thd_loud_percent", reading(0.02), reading(0.09), False),  # both under 0.1 %
        ("thd_loud_percent", reading(0.2), reading(0.31), True),
    ],
)
def test_what_is_worth_a_sentence(key: str, one: Reading, two: Reading, expected: bool) -> None:
    assert noteworthy(FIGURES[key], one, two) is expected
    assert noteworthy(FIGURES[key], two, one) is expected


def test_a_known_doubt_of_the_difference_counts_instead() -> None:
    one, two = reading(10.0, 3.0), reading(12.0, 3.0)
    assert not noteworthy(FIGURES["crest_db"], one, two)
    assert noteworthy(FIGURES["crest_db"], one, two, 0.1)


def test_sentences_are_a_musician_s_words_with_the_figures_after_them() -> None:
    first = {
        "plr_db": reading(12.0),
        "octave_8000hz_db": reading(0.0),
        "imd_reference_percent": reading(0.74),
        "edt_loud_seconds": reading(2.0),
        "swing_reference_db": reading(3.0),
        "width_db": reading(-6.0),
        "lra_lu": reading(5.0),
    }
    second = {
        "plr_db": reading(10.8),
        "octave_8000hz_db": reading(-2.1),
        "imd_reference_percent": reading(0.45),
        "edt_loud_seconds": reading(3.4),
        "swing_reference_db": reading(0.4),
        "width_db": reading(-4.5),
        "lra_lu": reading(5.2),
    }
    said = meaning(["a", "b"], [first, second], [{}, {}])
    assert said == [
        "“b”, heard against “a”: attacks are softer (peaks 1.2 dB lower at the same loudness), the top is duller "
        "(8 kHz 2.1 dB less), chords are cleaner (intermodulation 0.45 instead of 0.74 %), in loud passages the "
        "room at first fades later (early decay 3.40 instead of 2.00 s), held notes are steadier (level swings by "
        "0.4 instead of 3.0 dB), the image is wider (stereo width (side over middle) -4.5 instead of -6.0 dB)."
    ]


def test_every_figure_with_a_threshold_belongs_to_one_trait() -> None:
    told = [key for trait in TRAITS for key in trait.keys]
    assert len(told) == len(set(told)) == len(SPOKEN)
    with_threshold = {key for key, figure in FIGURES.items() if math.isfinite(figure.threshold)}
    assert with_threshold - set(told) == {"loudness_lufs", "true_peak_dbtp"}


def test_what_no_one_hears_beside_the_rest_is_not_told() -> None:
    """A band 60 dB under the strongest may differ as it likes."""
    for level, expected in ((-20.0, ["the top is brighter (8 kHz 6.0 dB more)"]), (-80.0, [])):
        one = {"octave_1000hz_db": reading(-20.0), "octave_8000hz_db": reading(level - 6.0)}
        two = {"octave_1000hz_db": reading(-20.0), "octave_8000hz_db": reading(level)}
        first, second = relative_octaves(one, one), relative_octaves(two, one)
        assert second["octave_8000hz_db"].value == pytest.approx(6.0)
        assert differing(second, {}, first, {}) == expected


def test_a_trait_that_goes_both_ways_says_both() -> None:
    one = {"edt_reference_seconds": reading(2.0), "edt_loud_seconds": reading(2.0)}
    two = {"edt_reference_seconds": reading(1.0), "edt_loud_seconds": reading(3.0)}
    assert differing(two, {}, one, {}) == [
        "the room at first fades sooner (early decay 1.00 instead of 2.00 s)",
        "in loud passages the room at first fades later (early decay 3.00 instead of 2.00 s)",
    ]


def test_the_spread_over_tapes_is_their_standard_deviation() -> None:
    tapes = repeats_of_renders([{"crest_db": reading(value)} for value in (10.0, 12.0, 14.0)])
    found = with_spread({"crest_db": reading(11.0)}, tapes)["crest_db"]
    assert (found.value, found.uncertainty) == (11.0, 2.0)
    assert "3 tapes" in found.uncertainty_basis
    assert repeats_of_renders([{"crest_db": reading(1.0)}]) == {}
    assert repeats_of_renders([]) == {}
    assert repeats_of_renders([{"crest_db": reading(1.0)}, {"crest_db": reading(math.nan)}]) == {}


def test_what_both_orders_share_cancels() -> None:
    """Student's limit at 99 % for three repeats is 9.9248 standard errors (a table of the t distribution)."""
    one = np.array([1.0, 30.0, 2.0])
    assert paired_difference(one + 0.5, one) == pytest.approx((0.5, 0.0), abs=1e-12)
    mean, doubt = paired_difference(one + np.array([0.1, 0.3, 0.2]), one)
    assert mean == pytest.approx(0.2)
    assert 2.0 * doubt == pytest.approx(9.9248 * 0.1 / math.sqrt(3.0), rel=1e-4)
    assert paired_difference((), ()) is None
    assert paired_difference([1.0], [2.0]) is None
    # What is undefined for one of the two is left out for both.
    assert paired_difference([1.0, math.nan, 3.0], [0.0, 1.0, 2.0]) == pytest.approx((1.0, 0.0))


def test_it_is_settled_when_the_interval_lies_on_one_side_of_the_threshold() -> None:
    key = "edt_loud_seconds"  # 5 %
    one = {key: reading(2.0)}
    for values, expected in (
        ((2.3, 2.31, 2.29, 2.3), True),  # surely over
        ((2.0, 2.01, 1.99, 2.0), True),  # surely under
        ((2.0, 2.4, 2.1, 2.3), False),
    ):
        two = {key: reading(float(np.mean(values)))}
        assert settled(key, two, {key: values}, one, {key: (2.0,) * 4}) is expected
    assert settled(key, {}, {}, one, {})
    assert settled(key, {key: reading(math.nan)}, {}, one, {})


def test_a_mean_over_repeats_says_what_was_left_out() -> None:
    repeats = [reading(1.0), reading(2.0), reading(3.0), replace(reading(math.nan), warnings=("too short",))]
    found = _mean(repeats)
    assert found.value == pytest.approx(2.0)
    assert found.uncertainty == pytest.approx(1.0 / math.sqrt(3.0))
    assert found.warnings == ("undefined on 1 of 4 repeats (too short)",)
    assert not _mean(repeats[1:]).defined  # more than a quarter
    assert _mean([reading(1.0)]).value == 1.0


def test_every_repeat_is_another_tape_and_another_room() -> None:
    assert elsewhere(CHAIN, 0) == CHAIN
    one, two = elsewhere(CHAIN, 1), elsewhere(CHAIN, 2)
    made = [[stage.processor for stage in chain.stages[:2]] for chain in (CHAIN, one, two)]
    seeds = [(wow.seed, room.room_seed) for wow, room in made]
    assert all(len(set(column)) == 3 for column in zip(*seeds, strict=True))
    # The same for every order, whatever comes first; and inside nested chains.
    assert elsewhere(CHAIN.reordered(["drive", "room", "wow"]), 1) == one.reordered(["drive", "room", "wow"])
    nested = Chain(stages=[Chain(stages=[FdnReverb()])])
    assert (
        elsewhere(nested, 1).stages[0].processor.stages[0].processor
        == elsewhere(Chain(stages=[FdnReverb()]), 1).stages[0].processor
    )


def test_a_meter_measures_each_chain_once() -> None:
    steps = []

    class Counting:
        def step(self, name: str, parts: int) -> object:
            steps.append(parts)
            return SILENT.step(name, parts)

    chain = Chain(stages=[PreampDrive(drive_db=10.0)])
    meter = ChainMeter(sample_rate=RATE, plan=QUICKEST)
    first = meter.measure([chain, chain], jobs=1, progress=Counting())
    again = meter.measure([chain], jobs=1, progress=Counting())
    assert steps == [2 * 7] or steps == [7]
    assert again[0].readings == first[0].readings


def test_only_a_level_in_doubt_is_repeated_further(monkeypatch: pytest.MonkeyPatch) -> None:
    """Decays by construction: orders differ by about the threshold, 5 %, at the loud level alone."""
    chains = [contender.chain for contender in two_orders(CHAIN)]

    def measured(own: Chain, task: Any, *_: object) -> tuple[dict[str, Reading], None]:
        if task.kind != "decay":
            return {}, None
        random = np.random.default_rng([LEVEL_NAMES.index(task.level_name), task.repeat])
        late = own.reordered(["room", "drive"]) != own and task.level_name == "loud"
        values = {kind: 2.0 + 0.002 * random.standard_normal() for kind in ("edt", "t20", "t30")}
        values["t20"] *= 1.0 + late * (0.05 + 0.05 * random.standard_normal())
        return {f"{kind}_{task.level_name}_seconds": reading(value) for kind, value in values.items()}, None

    monkeypatch.setattr("tapeemu.comparison.chains._measured", measured)
    meter = ChainMeter(sample_rate=RATE, plan=MeasuringPlan(bursts=4, most_bursts=24))
    for figures in meter.measure(chains, jobs=1, progress=SILENT):
        counts = {key: len(values) for key, values in figures.repeats.items()}
        assert {
            counts[f"{kind}_{name}_seconds"] for kind in ("edt", "t30") for name in ("quiet", "reference")
        } == {4}
        assert counts["t20_loud_seconds"] == 24


@pytest.mark.parametrize(
    ("change", "scatter", "doubtful"), [(0.2, 0.005, False), (0.0, 0.005, False), (0.05, 0.1, True)]
)
def test_early_decay_that_may_follow_the_level_is_in_doubt(change: float, scatter: float, doubtful: bool) -> None:
    """Two orders that are equal: what is settled between them may not be settled between levels of one."""
    random = np.random.default_rng(4)
    repeats = {
        f"edt_{name}_seconds": tuple(2.0 * (1.0 + own + scatter * random.standard_normal(6)))
        for name, own in zip(LEVEL_NAMES, (0.0, 0.0, change), strict=True)
    }
    means = {key: reading(float(np.mean(values))) for key, values in repeats.items()}
    figures = ChainFigures(readings=means, repeats=repeats, decays={})
    assert in_doubt([figures, figures]) == ({"quiet", "loud"} if doubtful else set())


def test_bursts_are_told_by_level_where_they_differ() -> None:
    assert bursts_text(dict.fromkeys(LEVEL_NAMES, 1)) == "1 burst"
    assert bursts_text(dict.fromkeys(LEVEL_NAMES, 6)) == "6 bursts"
    told = bursts_text({"quiet": 6, "reference": 12, "loud": 24})
    assert told == "6, 12, 24 bursts (quiet, reference, loud)"


def test_a_printed_figure_has_no_minus_before_zero() -> None:
    assert value_text("crest_db", reading(-0.04)) == "0.0"
    assert value_text("crest_db", reading(12.34, 0.5)) == "12.3 ± 0.5"
    assert value_text("crest_db", reading(12.34, 0.04)) == "12.3 ± 0.04"
    assert value_text("crest_db", reading(math.nan)) == "–"
    assert value_text("crest_db", None) == "–"


@pytest.mark.long
def test_other_seeds_say_the_same() -> None:
    """Three tapes and rooms: none contradicts another, and the clear effect is in all."""
    plan = MeasuringPlan(glide_decays=1.0, glides=1, bursts=6, most_bursts=6)
    said = []
    for seed in (11, 12, 13):
        chains = [contender.chain.with_seed(seed) for contender in two_orders(CHAIN)]
        meter = ChainMeter(sample_rate=RATE, plan=plan)
        first, second = meter.measure(chains, jobs=0, progress=SILENT)
        said.append(differing(first.readings, first.repeats, second.readings, second.repeats))
    heads = [{phrase.partition(" (")[0] for phrase in phrases} for phrases in said]
    for trait in TRAITS:
        for one, two in itertools.permutations(heads, 2):
            for when in ("", "in quiet passages ", "in loud passages "):
                assert not (
                    f"{when}{trait.subject} {trait.less}" in one and f"{when}{trait.subject} {trait.more}" in two
                )
    assert all(any("single notes are richer in harmonics" in phrase for phrase in each) for each in heads), heads


# ------------------------------------------------------------------ groups


def sound(audio: np.ndarray, order: tuple[str, ...] = ()) -> Render:
    return Render(
        label=" > ".join(order),
        order=order,
        chain=Chain(),
        audio=np.atleast_2d(audio).astype(np.float32),
        gain_db=0.0,
        loudness_lufs=-20.0,
        true_peak_dbtp=-1.0,
    )


def test_differences_are_levels_of_what_is_left() -> None:
    """A sine, one with 1 % added, silence: -40 dB re the first, 0.086 dB less re the louder, and all of it."""
    sine = np.sin(np.arange(300_000) * 0.1)
    found = differences_db([sound(sine), sound(1.01 * sine), sound(0.0 * sine), sound(sine)])
    assert found[0, 1] == pytest.approx(-40.0, abs=1e-3)
    assert found[1, 0] == pytest.approx(-40.0 - 20.0 * math.log10(1.01), abs=1e-3)
    assert found[0, 2] == pytest.approx(0.0, abs=1e-9)
    assert found[2, 0] == math.inf
    assert found[0, 3] == found[3, 0] == found[2, 2] == -math.inf


def test_a_figure_may_part_what_the_level_does_not() -> None:
    levels = np.full((2, 2), -60.0)
    assert len(grouped(levels, ["x", "y"], [("x",), ("y",)], lambda *_: True)) == 2


def test_groups_of_several_recordings_are_what_they_share() -> None:
    one = (Group(members=(0, 1, 2), label="", widest_db=-40.0), Group(members=(3,), label="", widest_db=-math.inf))
    two = (Group(members=(0, 2), label="", widest_db=-35.0), Group(members=(1, 3), label="", widest_db=-33.0))
    found = shared_groups([one, two], list("wxyz"), [(name,) for name in "wxyz"])
    assert [group.members for group in found] == [(0, 2), (1,), (3,)]


def test_the_answer_fits_what_was_found() -> None:
    lone = (Group(members=(0,), label="a", widest_db=-math.inf),)
    pair = (*lone, Group(members=(1,), label="b", widest_db=-math.inf))
    alike = (Group(members=(0, 1), label="any order", widest_db=-44.0),)
    same = [{"plr_db": reading(10.0), "null_db": reading(-20.0)}] * 2
    apart = [same[0], {"plr_db": reading(13.0), "null_db": reading(-20.0)}]
    assert "There is one order here" in answer(["a"], same[:1], [{}], lone)
    assert answer(["a", "b"], apart, [{}, {}], pair) == (
        "On this recording the order matters. A, instead of b: attacks are softer (peaks 3.0 dB lower at the same "
        "loudness). The difference of the two lies 20 dB below the sound. Nothing else that was measured differs "
        "clearly."
    )
    assert "no figure says which is which" in answer(["a", "b"], same, [{}, {}], pair)
    assert "their differences lie 44 dB below the sound" in answer(["a", "b"], same, [{}, {}], alike)
    # On this recording they are alike, on test tones they are not.
    assert "Tones and noise at other levels do tell" in answer(["a", "b"], apart, [{}, {}], alike)


def test_the_answer_on_many_orders_names_what_matters() -> None:
    lone = (Group(members=(0, 1), label="a", widest_db=-40.0),)
    groups = (*lone, Group(members=(2,), label="c", widest_db=-math.inf))
    same = [{"plr_db": reading(10.0)}] * 3
    told = answer(list("abc"), same, [{}] * 3, groups, mattering=["It matters."], idle=["b and c"])
    assert told == (
        "On this recording the order matters, but not every detail of it. The three orders fall into two groups, "
        "and inside each they are too alike to tell apart. It matters. Which comes first changes too little to "
        "hear, side by side, for b and c."
    )
    assert answer(list("abc"), same, [{}] * 3, groups).endswith("too alike to tell apart.")


def test_a_difference_is_weighed_in_thresholds() -> None:
    """A crest factor counts by 1 dB, EDT by 5 % of the smaller value."""
    figures = (
        {"crest_db": reading(10.0), "edt_loud_seconds": reading(4.0)},
        {"crest_db": reading(13.0), "edt_loud_seconds": reading(2.0)},
    )
    done = replace(compared(), figures=figures, repeats=({}, {}))
    assert done.weight(1, "crest_db") == pytest.approx(3.0)
    assert done.weight(0, "edt_loud_seconds", against=1) == pytest.approx(2.0 / (0.05 * 2.0))
    assert done.weight(0, "lra_lu") == 0.0
    assert Change(key="crest_db", value=10.0, other=13.0).weight == pytest.approx(3.0)
    assert Change(key="edt_loud_seconds", value=4.0, other=2.0).weight == pytest.approx(20.0)


def test_loudness_and_crest_factor_say_the_same_conditions_but_the_channel() -> None:
    figures = compared().figures[0]
    conditions = figures["crest_db"].conditions
    assert "channel" not in conditions
    assert conditions == {k: v for k, v in figures["loudness_lufs"].conditions.items() if k != "channel"}
    assert conditions["sample_rate_hz"] == RATE


def test_the_page_of_orders_tells_groups_and_mixed_stages(tmp_path: Path) -> None:
    source = written_stem(tmp_path)
    done = compared()
    text = page_text([done.without_audio()], preset="x", sources=[source])
    assert ("## The orders that differ" in text) is (len(done.groups) > 1)
    chain = done.renders[0].chain
    first = chain.stages[0]
    mixed = chain.model_copy(
        update={"stages": (first.model_copy(update={"mix_percent": 37.5}), *chain.stages[1:])}
    )
    other = replace(done, renders=(replace(done.renders[0], chain=mixed), *done.renders[1:]))
    stages = [line for line in page_text([other], preset="x", sources=[source]).splitlines() if "Stages:" in line]
    assert stages[0].count(" at 37.5 %") == 1
    assert " at 100 %" not in stages[0]


def test_figures_on_the_page_stand_in_groups_with_a_cell_for_each_order() -> None:
    columns = [{"crest_db": reading(10.0), "centroid_hz": reading(500.0)}, {"crest_db": reading(13.0)}]
    groups = {group["title"]: group["lines"] for group in figure_groups(columns)}
    (colour,) = groups["Colour"]
    assert colour["name"] == "spectral centroid, Hz"
    assert [cell != "–" for cell in colour["cells"]] == [True, False]
    assert groups["Stereo"] == []


def test_the_picture_shows_each_pair_on_each_recording() -> None:
    levels = {("a", "b"): [-20.0, -10.0], ("a", "c"): [-math.inf, -90.0]}
    turned = {("b", "a"): [-15.0], ("a", "c"): [-200.0]}
    picture = swap_picture([("one <b>", levels), ("two", turned)], limit_db=ALIKE_DB)
    assert picture == swap_picture([("one <b>", levels), ("two", turned)], limit_db=ALIKE_DB)
    assert "one &lt;b&gt;" in picture
    assert "<b>" not in picture
    assert picture.count("<circle") == 1 + 4  # legend, and both ends of two lines
    assert picture.count("<polygon") == 1 + 4
    assert picture.index("a and b") < picture.index("a and c")
    assert "nan" not in picture
    assert "inf" not in picture
    from xml.etree import ElementTree

    assert ElementTree.fromstring(picture).tag.endswith("svg")


# ------------------------------------------------------------------ all orders


def synthetic(effect_db: float, *, noise: float = 0.0, flip: int = 0) -> dict:
    """All orders of three stages, in which only "a before b" matters, by a known amount."""
    random = np.random.default_rng(1)
    orders = {}
    for number, order in enumerate(itertools.permutations("abc")):
        before = order.index("a") < order.index("b")
        sign = -1.0 if number < flip else 1.0
        value = 10.0 + sign * effect_db * before + noise * random.standard_normal()
        orders[order] = ({"crest_db": reading(value, noise)}, {})
    return orders


def test_pair_effects_find_what_was_put_in() -> None:
    effects = {(e.first, e.second): e for e in pair_effects([synthetic(3.0), synthetic(3.0)])}
    assert effects["a", "b"].mean == pytest.approx(3.0)
    assert effects["a", "b"].pairs == 6
    assert effects["a", "b"].clear
    # Swapping a and c, or b and c, also carries a past b in some of the orders, but as often one way as the other.
    assert not effects["a", "c"].clear
    assert not effects["b", "c"].clear
    assert range_lines(list(effects.values())) == [
        "a before b, instead of after it (6 matched pairs of renders): crest factor +3.0 dB (+3.0 to +3.0 dB)."
    ]
    assert effect_sentences(list(effects.values())) == [
        "a before b: attacks are sharper (crest factor 13.0 instead of 10.0 dB)."
    ]
    assert silent_sentence(list(effects.values()))[0].endswith("for: a and c; b and c.")


def test_pair_effects_keep_silent_about_noise_and_contradiction() -> None:
    for orders in (synthetic(3.0, noise=2.0), synthetic(0.5), synthetic(3.0, flip=1)):
        assert not any(effect.clear for effect in pair_effects([orders]))


def test_pair_effects_take_their_doubt_from_the_repeats_that_all_pairs_share() -> None:
    """On each tape all orders with a before b gain the same; what counts is how the tapes agree."""
    for per_tape, expected in (((3.0, 3.1, 2.9, 3.0), True), ((9.0, -3.0, 6.0, 0.0), False)):
        orders = {}
        for order in itertools.permutations("abc"):
            before = order.index("a") < order.index("b")
            values = tuple(10.0 + gain * before for gain in per_tape)
            orders[order] = ({"crest_db": reading(values[0])}, {"crest_db": values})
        effect = next(each for each in pair_effects([orders]) if (each.first, each.second) == ("a", "b"))
        assert effect.mean == pytest.approx(3.0)
        assert effect.clear is expected


def test_neighbour_swaps_are_all_and_only_those() -> None:
    """n! (n - 1) / 2 of them: each order has n - 1 neighbours, each pair is counted once."""
    orders = list(itertools.permutations("abcd"))
    swaps = neighbour_swaps(orders)
    assert len(swaps) == 24 * 3 // 2
    for one, two, first, second in swaps:
        left = orders[one].index(first)
        assert orders[one][left + 1] == second
        assert orders[two] == (*orders[one][:left], second, first, *orders[one][left + 2 :])


def test_swaps_are_told_by_pair() -> None:
    said = swap_sentences(
        [
            Swap(first="a", second="b", null_db=-12.0),
            Swap(first="b", second="a", null_db=-14.4),
            Swap(first="a", second="c", null_db=-90.0),
            Swap(first="c", second="a", null_db=-math.inf),
        ]
    )
    assert said == [
        "a and b, as neighbours that change places: the renders differ by a signal of -14 dB to -12 dB re the "
        "sound (2 pairs).",
        "a and c, as neighbours that change places: the renders differ by a signal of nothing to -90 dB re the "
        "sound (2 pairs), too little to tell them apart.",
    ]


@pytest.mark.long
def test_all_orders_of_a_chain_end_to_end() -> None:
    done = compare(
        stem()[:, : 2 * RATE],
        CHAIN,
        orders="all",
        sample_rate=RATE,
        plan=QUICK.replace(glide_decays=1.0, glides=1, most_bursts=4),
    )
    assert len(done.renders) == 6
    assert done.permutations
    said = " ".join(done.sentences)
    assert "room before drive: " in said
    assert "single notes are richer in harmonics" in said
    assert "Room before drive: " in done.answer
    assert len(done.groups) > 1
    assert sorted(place for group in done.groups for place in group.members) == list(range(6))
    for swap, (one, two, *_) in zip(done.swaps, neighbour_swaps([r.order for r in done.renders]), strict=True):
        first, second = (done.renders[place].audio.astype(np.float64) for place in (one, two))
        expected = 10.0 * np.log10(np.sum((second - first) ** 2) / np.sum(first**2))
        assert swap.null_db == pytest.approx(expected, abs=1e-6)


# ------------------------------------------------------------------ the command line


def written_stem(folder: Path) -> Path:
    path = folder / "plucks.wav"
    with AudioWriter(path, sample_rate=RATE, channels=2, encoding=Encoding("WAV", "PCM_24")) as writer:
        writer.write(stem())
    return path


def written_preset(folder: Path) -> Path:
    path = folder / "pair.toml"
    path.write_text(
        'format = 1\npurpose = "A test."\n'
        '[[stages]]\nkind = "fdn_reverb"\nname = "room"\ndecay_seconds = 0.5\nlines = 8\n'
        '[[stages]]\nkind = "preamp_drive"\nname = "drive"\ndrive_db = 18.0\n',
        "utf-8",
    )
    return path


def test_the_command_writes_report_renders_and_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tapeemu.comparison.comparing.plan_for", lambda _: QUICKEST)
    out = tmp_path / "out"
    out.mkdir()
    page = tmp_path / "orders.md"
    arguments = ["compare", str(written_stem(tmp_path)), "--preset", str(written_preset(tmp_path)), "--all-orders"]
    arguments += ["--out", str(out), "--renders", "--table", str(page)]
    result = CliRunner().invoke(app, arguments, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert "On this recording the order" in result.output
    assert "EDT, loud" in result.output
    assert sorted(path.name for path in out.iterdir()) == [
        "plucks-1-room-drive.flac",
        "plucks-2-drive-room.flac",
        "plucks.html",
    ]
    audio, rate = read_audio(out / "plucks-2-drive-room.flac")
    assert rate == RATE
    assert audio.shape[0] == 2
    text = page.read_text("utf-8")
    assert "](orders.svg)" in text
    assert (tmp_path / "orders.svg").read_text("utf-8").startswith("<svg")
    assert "--all-orders --table orders.md" in text
    assert "| 2 | drive → room |" in text
    assert "SHA-256" in text
    with pytest.raises(OutputError, match="exists"):
        CliRunner().invoke(app, arguments, catch_exceptions=False)


def test_the_command_takes_a_folder_and_prints_json(tmp_path: Path) -> None:
    import json

    written_stem(tmp_path)
    arguments = ["compare", str(tmp_path), "-p", str(written_preset(tmp_path)), "--json"]
    result = CliRunner().invoke(app, [*arguments, "--orders", "room,drive"], catch_exceptions=False)
    found = json.loads(result.stdout)
    assert len(found) == 1
    assert found[0]["orders"][0]["label"] == "room → drive"
    assert found[0]["orders"][0]["readings"]["edt_quiet_seconds"]["unit"] == "s"


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (["--all-orders", "--orders", "room"], "both given"),
        (["--renders"], "needs a folder"),
        (["--orders", "nowhere"], "nowhere"),
        (["--jobs", "-1"], "jobs is -1"),
    ],
)
def test_options_that_break_a_rule_are_refused(tmp_path: Path, extra: list[str], words: str) -> None:
    arguments = ["compare", str(written_stem(tmp_path)), "-p", str(written_preset(tmp_path)), *extra]
    with pytest.raises((ParameterError, PresetError), match=words):
        CliRunner().invoke(app, arguments, catch_exceptions=False)


def test_the_page_keeps_hostile_names_as_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source = written_stem(tmp_path)
    done = replace(compared(), name="a|b <img src=x> [c](d) `e` *f*")
    text = page_text([done.without_audio()], preset="x; rm -rf", sources=[source])
    assert "<img" not in text.replace("\\<img", "")
    assert "a\\|b \\<img src=x\\> \\[c\\](d) \\`e\\` \\*f\\*" in text
    assert "--preset 'x; rm -rf'" in text
    # A picture is of orders whose stages change places, and there is none without its file.
    monkeypatch.setattr(markdown_page, "_swapped", lambda _: True)
    assert "![" not in page_text([done.without_audio()], preset="x", sources=[source])
    assert "](y.svg)" in page_text([done.without_audio()], preset="x", sources=[source], picture="y.svg")


def test_it_is_reached_from_the_package() -> None:
    assert tapeemu.compare is compare


# ------------------------------------------------------------------ bounds and edges


def test_a_comparison_that_needs_too_much_memory_is_refused_with_a_share_that_fits() -> None:
    """24 orders and the dry sound, 2 channels, a billion samples of 4 bytes each: 186.3 GiB."""
    endless = np.broadcast_to(np.zeros((1, 1)), (2, 10**9))
    with pytest.raises(AudioError, match=r"would need 186\.3 GiB of memory, more than the 4 GiB") as told:
        _check_size(endless, 24, 0)
    share = float(str(told.value).split(", or ")[1].split(" %")[0])
    _check_size(endless[:, : int(share / 100.0 * 10**9)], 24, 0)
    with pytest.raises(AudioError):
        _check_size(endless[:, : int((share + 1.0) / 100.0 * 10**9)], 24, 0)
    with pytest.raises(AudioError):
        _check_size(endless[:, :1000], 24, 10**9)


def test_an_array_without_a_rate_is_refused() -> None:
    with pytest.raises(ParameterError, match="sample_rate is missing"):
        compare(stem(), CHAIN, plan=QUICKEST)


def test_on_every_tape_octaves_are_against_the_first_order() -> None:
    done = compare(stem()[:, :RATE], CHAIN, sample_rate=RATE, plan=QUICKEST.replace(tapes=2, most_tapes=2))
    octaves = [key for key in done.repeats[0] if key.startswith("octave_")]
    assert octaves
    for key in octaves:
        assert set(done.repeats[0][key]) == {0.0}


def test_a_chain_with_an_object_from_outside_has_no_plain_form() -> None:
    import pedalboard

    assert _plain_chain(Chain([pedalboard.Gain(3.0)])) is None
    assert _plain_chain(CHAIN) == CHAIN.to_dict()


def test_doubling_a_distortion_that_no_one_hears_makes_no_sentence() -> None:
    """A change by half counts to or from 0.1 % or more."""
    key = "thd_reference_percent"
    for value, told in ((0.04, 0), (0.2, 1)):
        phrases = differing({key: reading(value)}, {}, {key: reading(2.0 * value)}, {})
        assert len(phrases) == told


def test_how_well_the_renders_are_matched_is_said_in_figures() -> None:
    assert level_sentence([-20.0, -20.05, -19.98], [-3.0, -1.2], -1.0) == (
        "All are matched at -20.0 LUFS (BS.1770 integrated, 0.070 LU apart at most); the highest true peak is "
        "-1.2 dBTP, under the ceiling of -1 dBTP."
    )


def test_orders_that_share_no_description_are_counted() -> None:
    """Two of the six orders of three stages, turned round: nothing stands before anything in both."""
    orders = list(itertools.permutations("abc"))
    levels = np.where(np.eye(6, dtype=bool), -math.inf, 0.0)
    for pair in ((0, 5), (1, 4)):
        levels[pair] = levels[pair[::-1]] = -60.0
    names = [" > ".join(order) for order in orders]
    labels = [group.label for group in grouped(levels, names, orders, lambda *_: False)]
    assert labels[0] == "a > b > c and 1 like it"


def test_where_all_orders_differ_what_sets_them_apart_is_said() -> None:
    lone = tuple(Group(members=(place,), label="xyz"[place], widest_db=-math.inf) for place in range(3))
    figures = [{"plr_db": reading(value), "null_db": reading(-20.0)} for value in (10.0, 13.0, 16.0)]
    assert answer(list("xyz"), figures, [{}] * 3, lone).startswith(
        "On this recording the order matters. Each of the three differs from all the others. "
    )
