"""No setting does nothing in silence: it is heard, or refused beside what wins over it, or told to be idle."""

import itertools
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, get_args, get_origin

import numpy as np
import pytest

import tapeemu
from measure.results.reading import Reading
from tapeemu.chain import Chain, Stage
from tapeemu.cli.common import changed_chain
from tapeemu.errors import ParameterError, PresetError
from tapeemu.presets import parse_preset, solving
from tapeemu.presets.places import shipped_folder
from tapeemu.presets.reading import file_kinds
from tapeemu.presets.solving import Solution, solve
from tapeemu.presets.writing import table_text
from tapeemu.processor import Processor
from tapeemu.processors.amplitude_flutter import LevelPart
from tapeemu.processors.fdn_reverb import DecayByBand
from tapeemu.processors.splices import Splice
from tapeemu.processors.start_stop import TransportEvent
from tapeemu.processors.wow_flutter import RotatingPart
from tapeemu.validation import FloatArray

RATE = 48_000
KINDS = {kind: model for kind, model in file_kinds().items() if kind != Chain.kind}
REQUIRED: dict[str, dict[str, Any]] = {
    "plugin_effect": {"effect": "Delay", "parameters": {"delay_seconds": 0.01}},
}
TABLE = {"at_1000_hz_seconds": 1.0, "at_4000_hz_seconds": 0.6}

# Values where none follows from the declaration: for settings that are left out by default, and for lists.
CHANGED: dict[str, Any] = {
    "erase_residue.earlier_seconds": 0.12,
    "plugin_effect.effect": "Chorus",
    "plugin_effect.parameters": {"delay_seconds": 0.02},
    "fdn_reverb.decay_seconds": 0.7,
    "fdn_reverb.low_decay_ratio": 0.6,
    "fdn_reverb.high_decay_ratio": 0.9,
    "fdn_reverb.decay_by_band_seconds": TABLE,
    "preamp_drive.drive_db": 12.0,
    "preamp_drive.thd_percent": 3.0,
    "tape_magnetisation.drive_db": 0.0,
    "tape_magnetisation.mol_db": 3.0,
    "fdn_reverb.pre_delay_seconds": 0.01,
    "amplitude_flutter.random_low_hz": 1.0,
    "amplitude_flutter.random_high_hz": 40.0,
    "amplitude_flutter.dropout_least_db": 6.0,
    "amplitude_flutter.dropout_shortest_ms": 10.0,
    "crosstalk.tracks_heard": 3,
    "head_azimuth.tracks": 8,
    "amplitude_flutter.periodic_parts": ({"rate_hz": 3.0, "peak_db": 1.0},),
    "head_azimuth.wander_low_hz": 0.5,
    "print_through.hub_radius_mm": 40.0,
    "print_through.full_radius_mm": 7.0,
    "head_azimuth.wander_high_hz": 6.0,
    "splices.splices": ({"at_seconds": 7.1, "shift_seconds": 0.05},),
    "start_stop.events": ({"action": "start", "at_seconds": 7.05},),
    "tape_noise.hiss_db": -50.0,
    "tape_noise.bass_time_constant_us": 1000.0,
    "tape_noise.track_width_mm": 0.6,
    "tape_noise.modulation_noise_db": -40.0,
    "tape_noise.hum_db": -50.0,
    "tape_response.bass_time_constant_us": 1000.0,
    "tape_response.bump_db": 2.5,
    "tape_response.record_loss_um": 2.0,
    "tape_response.sol_10khz_db": 4.0,
    "tape_response.response_tolerance_db": 1.0,
    "wow_flutter.weighted_flutter_percent": 0.4,
    "wow_flutter.profile": "worn",
    "wow_flutter.tape_speed_cm_s": 19.05,
    "wow_flutter.rotating_parts": ({"rate_hz": 3.0, "peak_percent": 0.4},),
    "wow_flutter.random_percent": 0.4,
    "wow_flutter.random_slope_db_per_octave": 3.0,
    "wow_flutter.random_band_hz": (0.5, 30.0),
    "wow_flutter.scrape_band_hz": (300.0, 2000.0),
}
# Where a setting matters, if not beside the defaults.
CONTEXT: dict[str, dict[str, Any]] = {
    # A reel so small that its turns last less than the stimulus.
    **{
        f"print_through.{name}": {"level_db": -30.0, "hub_radius_mm": 6.0, "full_radius_mm": 7.0}
        for name in tapeemu.PrintThrough.model_fields
    },
    "print_through.hub_radius_mm": {"level_db": -30.0, "tape_speed_cm_s": 152.4},
    # A loop that has come round before the stimulus ends.
    **{
        f"erase_residue.{name}": {"residue_db": -40.0, "earlier_seconds": 0.1}
        for name in tapeemu.EraseResidue.model_fields
    },
    "amplitude_flutter.spacing_frequency_hz": {"mode": "spacing"},
    "amplitude_flutter.periodic_percent": {"periodic_parts": ({"rate_hz": 3.0, "peak_db": 1.0},)},
    **{
        f"amplitude_flutter.{name}": {"dropouts_per_minute": 4_000.0}
        for name in (
            *("dropout_least_db", "dropout_most_db", "dropout_shortest_ms", "dropout_longest_ms"),
            "dropouts_on_all_channels",
        )
    },
    "preamp_drive.reference_level_dbfs": {"thd_percent": 1.0},
    **{
        f"splices.{name}": {"splices": ({"at_seconds": 7.1, "shift_seconds": 0.05},)}
        for name in ("tape_speed_cm_s", "track_width_mm", "track_spacing_mm", "angle_degrees")
    },
    **{
        f"start_stop.{name}": {"events": ({"action": action, "at_seconds": 6.95},)}
        for name, action in (
            *(("start_law", "start"), ("start_seconds", "start"), ("stop_seconds", "stop")),
            *(("treble_time_constant_us", "stop"), ("bass_time_constant_us", "stop")),
        )
    },
    **{f"crosstalk.{name}": {"tracks_heard": 2} for name in ("track_width_mm", "coupling_step_db")},
    "tape_noise.hiss_weighting": {"hiss_db": -50.0},
    "tape_response.response_to_hz": {"response_tolerance_db": 0.5},
    "tape_noise.modulation_noise_hz": {"modulation_noise_db": -40.0},
    "tape_noise.mains_hz": {"hum_db": -50.0},
    "wow_flutter.scrape_band_hz": {"scrape_percent": 0.3},
}


def changed(kind: str, name: str) -> Any:
    """A value of a setting that is far from its default."""
    place = f"{kind}.{name}"
    if place in CHANGED:
        return CHANGED[place]
    field = KINDS[kind].model_fields[name]
    default = field.default
    if isinstance(default, bool):
        return not default
    if get_origin(field.annotation) is not None and isinstance(default, str | int):
        return next(choice for choice in get_args(field.annotation) if choice != default)
    if name.endswith("seed"):
        return default + 5
    if isinstance(default, tuple):
        return (default[0] * 1.3, default[1] * 0.8)
    assert isinstance(default, float), f"say in CHANGED how {place} is changed"
    limits = {
        key: getattr(item, key)
        for item in field.metadata
        for key in ("ge", "gt", "le", "lt")
        if hasattr(item, key)
    }
    highest = limits.get("le", limits.get("lt"))
    lowest = limits.get("ge", limits.get("gt"))
    assert highest is not None, place
    assert lowest is not None, place
    return default + 0.3 * (highest - default) if default < highest else 0.5 * (lowest + default)


def stimulus(samples: int = 9_600) -> FloatArray:
    """Three channels: a setting may be about tracks that are no neighbours."""
    return np.random.default_rng(5).uniform(-0.4, 0.4, (3, samples))


def sound(processor: Processor) -> FloatArray:
    return processor(stimulus(), sample_rate=RATE, tail_seconds=0.1, start_sample=7 * RATE)


def differs(one: FloatArray, other: FloatArray) -> bool:
    return one.shape != other.shape or float(np.max(np.abs(one - other))) > 1e-9


SETTINGS = [(kind, name) for kind, model in KINDS.items() for name in model.model_fields]


@pytest.mark.parametrize(("kind", "name"), SETTINGS)
def test_every_setting_is_heard(kind: str, name: str) -> None:
    model = KINDS[kind]
    context = {**REQUIRED.get(kind, {}), **CONTEXT.get(f"{kind}.{name}", {})}
    if name == "effect":
        context.pop("parameters")
    before = model(
        **{key: value for key, value in context.items() if key != name}
        if name not in REQUIRED.get(kind, {})
        else context
    )
    after = model(**{**context, name: changed(kind, name)})
    assert name not in after.idle()
    assert differs(sound(before), sound(after))


INNER = [
    ("fdn_reverb", "decay_by_band_seconds", DecayByBand, {}),
    ("wow_flutter", "rotating_parts", RotatingPart, {"peak_percent": 0.3}),
    ("splices", "splices", Splice, {"at_seconds": 7.1, "shift_seconds": 0.02}),
    ("start_stop", "events", TransportEvent, {"action": "stop", "at_seconds": 7.05}),
    ("amplitude_flutter", "periodic_parts", LevelPart, {"peak_db": 1.0, "rate_hz": 5.0}),
]


@pytest.mark.parametrize(
    ("kind", "setting", "model", "base", "name"),
    [(*inner, name) for inner in INNER for name in inner[2].model_fields],
)
def test_every_setting_of_a_table_is_heard(
    kind: str, setting: str, model: Any, base: dict[str, Any], name: str
) -> None:
    """Two far values, with the other settings of the table as they must be."""
    sounds = []
    values = {
        "shift_seconds": (-0.05, 0.05),
        "blank": (False, True),
        "phase_degrees": (10.0, 100.0),
        "peak_db": (0.5, 2.0),
        "peak_percent": (0.1, 0.4),
        "action": ("start", "stop"),
        "at_seconds": (7.0, 7.1),
        "time_constant_seconds": (0.1, 0.3),
    }
    for value in values.get(name, (1.5, 5.0)):
        table = {**base, name: value}
        if name == "blank":
            del table["shift_seconds"]
        if model is RotatingPart and name not in ("rate_hz", "diameter_mm"):
            table["rate_hz"] = 3.0
        made: Any = model(**table)
        if model is DecayByBand:
            made = model(
                **{**table, "at_16000_hz_seconds" if name != "at_16000_hz_seconds" else "at_63_hz_seconds": 2.0}
            )
        else:
            made = (made,)
        sounds.append(sound(KINDS[kind](**{setting: made})))
    assert differs(*sounds)


@pytest.mark.parametrize(("name", "value"), [("bypass", True), ("mix_percent", 50.0)])
def test_every_setting_of_a_stage_is_heard(name: str, value: Any) -> None:
    stage = Stage(processor=tapeemu.PreampDrive(drive_db=12.0))
    assert differs(sound(Chain(stages=[stage])), sound(Chain(stages=[stage.replace(**{name: value})])))


def alternatives(kind: str) -> Iterator[tuple[str, Any]]:
    """Every setting at a far value, at zero where that is allowed, and at every choice."""
    for name, field in KINDS[kind].model_fields.items():
        yield name, changed(kind, name)
        if isinstance(changed(kind, name), float) and any(
            getattr(item, "ge", None) == 0.0 for item in field.metadata
        ):
            yield name, 0.0


DEAR = {"tape_response"}
"""Some 350 pairs of settings, each of which is designed anew."""


@pytest.mark.parametrize(
    "kind",
    [
        pytest.param(kind, marks=[pytest.mark.long] if kind in DEAR else [])
        for kind in sorted(set(KINDS) - {"plugin_effect"})
    ],
)
def test_no_setting_silences_another_without_a_word(kind: str) -> None:
    """For every two settings: together they are refused, or the second is heard, or it is told to be idle."""
    model = KINDS[kind]
    default = sound(model())
    alone = {}
    together: dict[frozenset[tuple[str, str]], FloatArray] = {}  # the same whichever of the two is looked at
    for name, value in alternatives(kind):
        try:
            alone[name, str(value)] = sound(model(**{name: value}))
        except ParameterError:
            continue
    for (name, value), (other, far) in itertools.permutations(alternatives(kind), 2):
        if name == other or (other, str(far)) not in alone or not differs(default, alone[other, str(far)]):
            continue
        try:
            both = model(**{name: value, other: far})
        except ParameterError:
            continue
        if (name, str(value)) in alone and other not in both.idle():
            pair = frozenset({(name, str(value)), (other, str(far))})
            heard = together[pair] if pair in together else together.setdefault(pair, sound(both))
            assert differs(heard, alone[name, str(value)]), f"{other} is not heard beside {name} = {value}"


# Settings that decide the same thing, and what is said.
PAIRS: list[tuple[str, dict[str, Any], str]] = [
    (
        "fdn_reverb",
        {"decay_by_band_seconds": TABLE, "low_decay_ratio": 1.3},
        "low_decay_ratio is 1.3, but decay_by_band",
    ),
    ("fdn_reverb", {"decay_by_band_seconds": TABLE, "low_decay_ratio": 1.1}, "would win over it"),
    ("fdn_reverb", {"decay_by_band_seconds": TABLE, "high_decay_ratio": 0.5}, "high_decay_ratio is 0.5"),
    ("preamp_drive", {"drive_db": 6.0, "thd_percent": 1.0}, "one follows from the other"),
    ("tape_magnetisation", {"drive_db": 6.0, "mol_db": 6.0}, "one follows from the other"),
    ("tape_response", {"boost_limit_db": 3.0, "response_tolerance_db": 2.0}, "one follows from the other"),
    (
        "splices",
        {"splices": [{"at_seconds": 1.0, "blank": True, "shift_seconds": 0.5}]},
        "blank tape has nothing to shift",
    ),
    ("amplitude_flutter", {"mode": "gain", "spacing_frequency_hz": 10_000.0}, "but mode is 'gain'"),
    (
        "wow_flutter",
        {"profile": "worn", "rotating_parts": [{"rate_hz": 3.0, "peak_percent": 0.1}]},
        "brings its own parts",
    ),
    *(
        (
            "wow_flutter",
            {"profile": "worn", name: field.default if field.default else changed("wow_flutter", name)},
            "brings its own",
        )
        for name, field in tapeemu.WowFlutter.model_fields.items()
        if name in ("random_percent", "scrape_percent")
    ),
    (
        "wow_flutter",
        {"rotating_parts": [{"rate_hz": 3.0, "peak_percent": 0.1}], "tape_speed_cm_s": 19.05},
        "no rotating part is given by its diameter",
    ),
    (
        "wow_flutter",
        {"rotating_parts": [{"rate_hz": 3.0, "diameter_mm": 3.0, "peak_percent": 0.1}]},
        "has both rate_hz",
    ),
]


def toml_value(value: Any) -> str:
    """A value in one line of TOML."""
    return "".join(line.strip() for line in table_text({"x": value}).partition("=")[2].splitlines()).strip()


@pytest.mark.parametrize(("kind", "values", "words"), PAIRS)
def test_settings_that_decide_the_same_are_refused_together_everywhere(
    kind: str, values: dict[str, Any], words: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    with pytest.raises(ParameterError, match=words):
        KINDS[kind](**values)
    text = table_text({"format": 1, "purpose": "Two.", "stages": [{"name": "x", "kind": kind, **values}]})
    with pytest.raises(PresetError, match=words):
        parse_preset(text, name="two")
    for order in itertools.permutations(values):
        with pytest.raises(ParameterError, match=words):
            changed_chain(
                Chain(stages=[Stage(processor=KINDS[kind](), name="x")]),
                [f"x.{name}={toml_value(values[name])}" for name in order],
            )
    if len(values) > 1:
        for first, second in itertools.permutations(values):
            try:
                half = KINDS[kind](**{first: values[first]})
            except ParameterError:
                continue
            with pytest.raises(ParameterError, match=words):
                half.replace(**{second: values[second]})
            # What the message advises: left out again, as --set x.first=none does, it is as if never given.
            again = half.replace(**{first: None})
            assert again == KINDS[kind]()
            assert not again.given(first)


def test_new_refuses_settings_that_do_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from tapeemu.cli.presets import new

    for kind, values, words in PAIRS:
        stage = f"{kind} " + " ".join(f"{name}='{toml_value(value)}'" for name, value in values.items())
        with pytest.raises(ParameterError, match=words):
            new(
                str(tmp_path / "two.toml"),
                stages=[stage],
                purpose="",
                tags=[],
                start=None,
                order=None,
                changes=[],
                overwrite=False,
            )
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("measured", [False, pytest.param(True, marks=pytest.mark.long)])
@pytest.mark.parametrize(
    ("start", "wanted"),
    [
        (tapeemu.PreampDrive(drive_db=3.0), {"thd_reference_percent": 1.0}),
        (tapeemu.TapeMagnetisation(drive_db=3.0), {"mol_3_percent_db": 6.0}),
        (tapeemu.TapeMagnetisation(mol_db=3.0), {"thd_reference_percent": 1.0}),
        (
            tapeemu.FdnReverb(decay_seconds=0.5, low_decay_ratio=1.2),
            {"decay_500hz_seconds": 0.6, "decay_4000hz_seconds": 0.4},
        ),
        (tapeemu.WowFlutter(profile="cassette"), {"weighted_flutter_percent": 0.1}),
    ],
)
def test_solving_never_leaves_both(
    start: Processor, wanted: dict[str, float], measured: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    def as_wanted(chain: Chain, wanted: Mapping[str, float], number: int, *_: object) -> Solution:
        # What is read plays no part in what is set; reached at once, the settings are rounded as well.
        reached = {
            key: Reading(quantity=key, value=value, unit="", method="none") for key, value in wanted.items()
        }
        return Solution(chain=chain, wanted=wanted, reached=reached, rounds=number)

    if not measured:
        monkeypatch.setattr(solving, "_measured", as_wanted)
    found = solve(wanted, start=Chain(stages=[start]), rounds=1).chain.stages[0].processor
    given = {name for name in type(found).model_fields if found.given(name)}
    for kind, values, _ in PAIRS:
        assert kind != found.kind or len(values) == 1 or not set(values) <= given


def test_no_shipped_preset_holds_a_setting_without_effect() -> None:
    for path in shipped_folder().glob("*.toml"):
        assert parse_preset(path.read_text("utf-8"), name=path.stem).chain.idle() == {}, path.name
