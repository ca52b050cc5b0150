"""What the plug-ins must know of the processors, from the settings' declarations.

Keys, units, ranges, defaults and choices come from there. What no declaration says stands in this file: which of
two settings counts, where a knob stands that is left out by default, and what the kernels call a setting.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from tapeemu.dsp.transport_profiles import AS_SET
from tapeemu.errors import ParameterError
from tapeemu.native.processors import KernelProcessor, find_processors, scalars_first
from tapeemu.native.subset import Array
from tapeemu.plugins.preset_numbers import MOST_PRESETS, in_order
from tapeemu.presets.places import list_places
from tapeemu.presets.reading import file_kinds
from tapeemu.processor import Processor
from tapeemu.settings_text import is_list, nested_model, unit_of

__all__ = [
    "MOST_PARTS",
    "NOT_PLUGINS",
    "Knob",
    "Listed",
    "PluginKind",
    "Value",
    "chain_knobs",
    "plugin_kinds",
    "shipped_presets",
]

MOST_PARTS = 32
"""Most rows of a list, such as the rotating parts of a transport."""

_LEFT_OUT: Mapping[str, float] = {
    "preamp_drive.drive_db": 6.0,
    "preamp_drive.thd_percent": 1.0,
    "tape_magnetisation.drive_db": 6.0,
    "tape_magnetisation.mol_db": 9.0,
    "fdn_reverb.decay_seconds": 2.0,
    "fdn_reverb.low_decay_ratio": 1.1,
    "fdn_reverb.high_decay_ratio": 0.5,
    "tape_noise.hiss_db": -60.0,
    "tape_noise.track_width_mm": 2.0,
    "tape_noise.modulation_noise_db": -50.0,
    "tape_noise.hum_db": -70.0,
    "tape_response.bump_db": 1.5,
    "tape_response.record_loss_um": 0.5,
    "tape_response.sol_10khz_db": 8.0,
    "tape_response.response_tolerance_db": 1.0,
    "wow_flutter.weighted_flutter_percent": 0.1,
    "wow_flutter.tape_speed_cm_s": AS_SET.tape_speed_cm_s,
    "wow_flutter.random_percent": AS_SET.random_percent,
    "wow_flutter.random_slope_db_per_octave": -3.0,
    "wow_flutter.random_band_hz[0]": AS_SET.random_band_hz[0],
    "wow_flutter.random_band_hz[1]": AS_SET.random_band_hz[1],
    "wow_flutter.scrape_band_hz[0]": 100.0,
    "wow_flutter.scrape_band_hz[1]": 5000.0,
}
"""Where the knob stands of a setting that is left out by default."""

_NAMES_OF_THE_TRADE = {"Mol": "MOL", "Sol 10khz": "SOL at 10 kHz", "Thd": "THD"}
"""Labels whose words are abbreviations."""

_RANGES: Mapping[str, tuple[float, float]] = {
    "wow_flutter.random_band_hz[0]": (0.01, 20_000.0),
    "wow_flutter.random_band_hz[1]": (0.01, 20_000.0),
    "wow_flutter.scrape_band_hz[0]": (50.0, 20_000.0),
    "wow_flutter.scrape_band_hz[1]": (50.0, 20_000.0),
}
"""Ranges that a validator holds instead of the declaration."""

_ONE_OF: Mapping[str, Sequence[tuple[str, ...]]] = {
    "preamp_drive": [("drive_db", "thd_percent")],
    "tape_magnetisation": [("drive_db", "mol_db")],
    "tape_noise": [("hiss_db", "track_width_mm")],
    "tape_response": [("record_loss_um", "sol_10khz_db")],
    "wow_flutter": [("random_band_hz[0]", "random_band_hz[1]"), ("scrape_band_hz[0]", "scrape_band_hz[1]")],
}
"""Settings of which at most one is set, or, where they are two ends of a band, both."""

_NOT_IN_A_HOST = frozenset({"wow_flutter.speed_error_percent"})
"""Not offered: a host takes as many samples as it gives, and at the wrong speed there are more or fewer."""

_MOST_SEED = 65_535.0
"""Highest seed of the knob, whose steps would else be too fine to set; the state keeps any seed."""

_NUMBERS: Mapping[str, Mapping[str, str]] = {
    "amplitude_flutter": {"spacing": "choice mode", "periodic_parts": "parts"},
    "head_azimuth": {"azimuth_urad": "beyond azimuth_urad else 1e-9"},
    "print_through": {"heads_out": "choice stored"},
    "splices": {"splices": "parts"},
    "start_stop": {
        "events": "parts",
        "treble_us": "number treble_time_constant_us",
        "bass_us": "number bass_time_constant_us",
    },
    "tape_noise": {
        "hiss_set": "given hiss_db",
        "weighting": "choice hiss_weighting",
        "treble_us": "number treble_time_constant_us",
        "bass_us": "number bass_time_constant_us",
        "track_width_mm": "number track_width_mm else 2.0",
        "skirt": "given modulation_noise_db",
        "skirt_db": "number modulation_noise_db",
        "skirt_hz": "number modulation_noise_hz",
        "hum": "given hum_db",
    },
    "tape_response": {
        "medium.tape_speed_cm_s": "number tape_speed_cm_s",
        "medium.treble_us": "number treble_time_constant_us",
        "medium.coating_um": "number coating_um",
        "medium.spacing_um": "alone spacing_um else sol_10khz_db",
        "medium.gap_um": "number gap_um",
        "medium.boost_limit_db": "number boost_limit_db",
        "medium.tolerance_db": "number response_tolerance_db else 0.0",
        "medium.tolerance_to_hz": "number response_to_hz",
        "bass_us": "number bass_time_constant_us",
        "face_mm": "number face_length_mm",
        "bump_set": "given bump_db",
        "thin_poles": "choice poles",
        "record_loss_um": "number record_loss_um else 0.5",
        "sol_set": "given sol_10khz_db",
        "sol_db": "number sol_10khz_db",
    },
    "fdn_reverb": {
        "low_given": "given low_decay_ratio",
        "high_given": "given high_decay_ratio",
        "decay_given": "given decay_seconds",
        "band_seconds": "table decay_by_band_seconds",
        "bands_given": "which decay_by_band_seconds",
    },
    "preamp_drive": {
        "drive_given": "given drive_db",
        "thd_given": "given thd_percent",
        "most_oversampling": "always 12",
    },
    "tape_magnetisation": {
        "drive_given": "given drive_db",
        "mol_given": "given mol_db",
        "most_oversampling": "always 12",
    },
}
"""What the kernels call their numbers, where it is not what the setting is called."""

_COMPUTED = frozenset({"wow_flutter"})
"""Processors whose numbers are computed from several settings, see numbers.c."""

_LABELS: Mapping[str, str] = {
    "amplitude_flutter": "Tape Level Flutter",
    "crosstalk": "Tape Crosstalk",
    "erase_residue": "Tape Erase Residue",
    "fdn_reverb": "Tape Suite Reverberation",
    "head_azimuth": "Tape Head Azimuth",
    "preamp_drive": "Preamplifier Drive",
    "print_through": "Tape Print-through",
    "splices": "Tape Splices",
    "start_stop": "Tape Starts and Stops",
    "tape_magnetisation": "Tape Magnetisation",
    "tape_noise": "Tape Noise",
    "tape_response": "Tape Response",
    "wow_flutter": "Tape Wow and Flutter",
}
"""What hosts list: processors whose rules between settings stand in numbers.c."""

NOT_PLUGINS: Mapping[str, str] = {
    "plugin_effect": "an effect of another library has no kernels, and needs Python beside it",
}
"""Processors that are not plug-ins, and why. Every other one has a label above."""

_UNIT_ENDS = re.compile(r"_(dbfs|db_per_octave|db|hz|seconds|percent|per_minute|ms|us|um|mm|cm_s|degrees|urad)$")


@dataclass(frozen=True)
class Value:
    """A number, a switch or a choice among the settings of a processor.

    Attributes
    ----------
    key : str
        As in a preset; ``table.key`` within a table, ``key[0]`` for an end of a band.
    sort : str
        NUMBER, WHOLE, SWITCH, WORD (one of some texts) or STEP (one of some numbers).
    optional : bool
        Whether it may be left out.
    least, most : float
        Range.
    least_open, most_open : bool
        Whether the ends are out of it.
    default : float
        Number, truth, or number of the choice; where the knob stands for one that is left out.
    unit, label, told : str
        As declared; what a host shows; the sentence.
    words : tuple of str
        Choices.
    """

    key: str
    sort: str
    optional: bool
    least: float
    most: float
    least_open: bool
    most_open: bool
    default: float
    unit: str
    label: str
    told: str
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class Listed:
    """A list of tables: its key, whether it may be left out, and the columns."""

    key: str
    optional: bool
    columns: tuple[Value, ...]


@dataclass(frozen=True)
class Knob:
    """A parameter of a plug-in.

    Attributes
    ----------
    key : str
        Its name for machines; its number in a host is a hash of it.
    role : str
        VALUE, SELECT (which of some settings is set), BYPASS, MIX, TRACK, or of chains PRESET, STAGE_BYPASS,
        STAGE_MIX.
    first, count : int
        Settings that it is about, or the stage.
    words : tuple of str
        Names of its steps.
    """

    key: str
    label: str
    unit: str
    role: str
    first: int
    count: int
    least: float
    most: float
    default: float
    stepped: bool
    logarithmic: bool
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class PluginKind:
    """A processor as the plug-ins see it."""

    kind: str
    label: str
    native: str
    values: tuple[Value, ...]
    listed: Listed | None
    numbers: tuple[tuple[str, int, float], ...]
    knobs: tuple[Knob, ...]


def plugin_kinds() -> tuple[PluginKind, ...]:
    """All processors that can be plug-ins, in order of their kinds.

    Raises
    ------
    ParameterError
        If the numbers of a processor's kernels do not follow from its settings.
    """
    natives = {each.name: each for each in find_processors()}
    return tuple(
        _plugin_kind(kind, model, natives)
        for kind, model in file_kinds().items()
        if kind in _LABELS and not any(field.is_required() for field in model.model_fields.values())
    )


def _plugin_kind(kind: str, model: type[Processor], natives: Mapping[str, KernelProcessor]) -> PluginKind:
    native = _native_of(model, natives)
    values, listed = _values(kind, model)
    numbers = () if kind in _COMPUTED else tuple(_numbers(kind, native, values))
    label = _LABELS[kind]
    return PluginKind(kind, label, native.name, values, listed, numbers, tuple(_knobs(kind, values)))


def _native_of(model: type[Processor], natives: Mapping[str, KernelProcessor]) -> KernelProcessor:
    made = model()
    numbers = getattr(made, "_numbers", None) or getattr(made, "kernel_settings", None)
    name = type(numbers()).__name__ if numbers else ""
    for native in natives.values():
        if native.settings.name == name:
            return native
    raise ParameterError(f"{model.kind} is not computed by kernels, so it cannot be a plug-in; leave it out")


def _values(kind: str, model: type[BaseModel]) -> tuple[tuple[Value, ...], Listed | None]:
    values: list[Value] = []
    listed = None
    for key, field in model.model_fields.items():
        table = nested_model(field)
        if table is not None and is_list(field):
            columns = tuple(
                replace(_value(f"{kind}.{key}", name, inner), optional=not inner.is_required())
                for name, inner in table.model_fields.items()
            )
            listed = Listed(key, field.default is None, columns)
        elif table is not None:
            values += [_value(kind, f"{key}.{name}", inner) for name, inner in table.model_fields.items()]
        elif is_list(field):
            values += [_value(kind, f"{key}[{end}]", field) for end in (0, 1)]
        else:
            values.append(_value(kind, key, field))
    return tuple(values), listed


def _value(kind: str, key: str, field: FieldInfo) -> Value:
    leaves = [leaf for leaf in _leaves(field.annotation) if leaf is not type(None)]
    optional = field.default is None
    words: tuple[str, ...] = ()
    limits = {
        name: getattr(item, name)
        for item in field.metadata
        for name in ("ge", "gt", "le", "lt")
        if getattr(item, name, None) is not None
    }
    full = f"{kind}.{key}"
    least, most = _RANGES.get(full, (limits.get("ge", limits.get("gt")), limits.get("le", limits.get("lt"))))
    default = field.default
    if get_origin(leaves[0]) is Literal:
        options = get_args(leaves[0])
        words = tuple(str(each) for each in options)
        sort = "WORD" if isinstance(options[0], str) else "STEP"
        default = options.index(default) if default in options else 0
        least, most = 0.0, float(len(words) - 1)
    elif leaves[0] is bool:
        sort, least, most = "SWITCH", 0.0, 1.0
    else:
        sort = "WHOLE" if leaves[0] is int else "NUMBER"
    if least is None or most is None:
        least, most = -1e6, 1e6
    if not isinstance(default, int | float):
        default = _LEFT_OUT.get(full)
    if default is None:
        default = (least * most) ** 0.5 if least > 0.0 else 0.5 * (least + most)
    return Value(
        key=key,
        sort=sort,
        optional=optional,
        least=float(least),
        most=float(most),
        least_open="gt" in limits,
        most_open="lt" in limits,
        default=float(default),
        unit=unit_of(field),
        label=_label(key),
        told=field.description or "",
        words=words,
    )


def _leaves(annotation: Any) -> Iterator[Any]:
    inner = get_args(annotation)
    if get_origin(annotation) is Literal or not inner:
        yield annotation
    else:
        for each in inner:
            yield from _leaves(each)


def _label(key: str) -> str:
    end = {"[0]": " from", "[1]": " to"}.get(key[-3:], "")
    band = re.search(r"at_(\d+)_hz_seconds$", key)
    if band:
        return f"Decay at {band[1]} Hz"
    name = _UNIT_ENDS.sub("", key.removesuffix("[0]").removesuffix("[1]").rpartition(".")[2])
    words = name.replace("_", " ").capitalize() + end
    return _NAMES_OF_THE_TRADE.get(words, words)


def _numbers(kind: str, native: KernelProcessor, values: Sequence[Value]) -> Iterator[tuple[str, int, float]]:
    places = {value.key: number for number, value in enumerate(values)}
    said = _NUMBERS.get(kind, {})
    for path, sort in scalars_first(native.settings):
        rule, _, rest = said.get(path, "").partition(" ")
        if not rule and path in places:
            value = values[places[path]]
            rule = "number" if value.sort == "NUMBER" else "step" if value.sort == "STEP" else "whole"
            rest = path
        elif not rule and path.endswith("_given") and path.removesuffix("_given") in places:
            rule, rest = "given", path.removesuffix("_given")
        key, _, otherwise = rest.partition(" else ")
        if rule == "parts":
            yield "PARTS", 0, 0.0
        elif rule == "always":
            yield "ALWAYS", 0, float(rest)
        elif rule == "alone":
            yield "ALONE", places[key], float(places[otherwise])
        elif rule in ("table", "which") and isinstance(sort, Array):
            first = next(number for name, number in places.items() if name.startswith(f"{key}."))
            yield rule.upper(), first, float(sum(name.startswith(f"{key}.") for name in places))
        elif rule and key in places:
            yield rule.upper(), places[key], float(otherwise or 0.0)
        else:
            raise ParameterError(
                f"{kind}: nothing is known of the number {path} of its kernels; say in plugins/tables.py of which "
                "setting it is"
            )


def _knobs(kind: str, values: Sequence[Value]) -> Iterator[Knob]:
    yield Knob("bypass", "Bypass", "", "BYPASS", 0, 0, 0.0, 1.0, 0.0, True, False, ("off", "on"))
    yield Knob("mix_percent", "Mix", "%", "MIX", 0, 0, 0.0, 100.0, 100.0, False, False)
    yield Knob("track", "Track of the tape", "", "TRACK", 0, 0, 0.0, 255.0, 0.0, True, False)
    places = {value.key: number for number, value in enumerate(values)}
    groups = _ONE_OF.get(kind, ())
    for number, value in enumerate(values):
        if f"{kind}.{value.key}" in _NOT_IN_A_HOST:
            continue
        group = next((each for each in groups if value.key in each), (value.key,))
        first_of_group = group[0] == value.key
        if value.optional and value.sort != "WORD" and first_of_group:
            band = value.key.endswith("[0]")
            names = ["set"] if band or len(group) == 1 else [values[places[each]].label for each in group]
            yield Knob(
                f"{value.key.removesuffix('[0]')}.set",
                f"{value.label.removesuffix(' from')}: set",
                "",
                "SELECT",
                first=number,
                count=2 if band else len(group),
                least=0.0,
                most=float(len(names)),
                default=0.0,
                stepped=True,
                logarithmic=False,
                words=("left out", *names),
            )
        yield _knob(number, value)


def _knob(number: int, value: Value) -> Knob:
    least, most, default, words = value.least, value.most, value.default, value.words
    span = most - least
    if value.least_open:
        least += 1e-4 * span
    if value.most_open:
        most -= 1e-4 * span
    if value.sort == "SWITCH":
        words = ("off", "on")
    if value.sort == "WHOLE":
        most = min(most, _MOST_SEED)
    if value.sort == "WORD" and value.optional:
        words, most, default = ("none", *words), most + 1.0, 0.0
    return Knob(
        *(value.key, value.label, value.unit, "VALUE"),
        first=number,
        count=1,
        least=least,
        most=most,
        default=default,
        stepped=value.sort != "NUMBER",
        logarithmic=value.sort == "NUMBER" and least > 0.0 and most / least >= 40.0,
        words=words,
    )


STAGE_KNOBS = 8
"""Stages of a chain that have knobs of their own."""


def shipped_presets() -> dict[str, str]:
    """Texts of the shipped presets that a plug-in can hold, without their measured figures, by name.

    Effects of other libraries have no kernels, so presets with them stay with the command line. In order of the
    steps of the knob "Preset".
    """
    texts = {
        place.name: place.path.read_text("utf-8").partition("\n[measured]")[0] + "\n"
        for place in list_places()
        if place.origin == "shipped"
    }
    return {name: texts[name] for name in in_order(texts) if 'kind = "plugin_effect"' not in texts[name]}


def chain_knobs(presets: Sequence[str] | None = None) -> list[Knob]:
    """The knobs of the plug-in that holds a whole chain: a preset, and what each of its stages adds.

    Parameters
    ----------
    presets : sequence of str, optional
        Names of presets that can be chosen; the shipped ones if left out.
    """
    if presets is None:
        presets = list(shipped_presets())
    bypass, _, track = list(_knobs("chain", ()))
    knobs = [
        bypass,
        track,
        Knob(
            *("preset", "Preset", "", "PRESET", 0, 0, 0.0, float(MOST_PRESETS), 0.0, True, False),
            ("as loaded", *presets),
        ),
    ]
    for stage in range(STAGE_KNOBS):
        key = f"stages.{stage + 1}"
        switch = replace(bypass, key=f"{key}.bypass", label=f"Stage {stage + 1}: bypass", role="STAGE_BYPASS")
        knobs.append(replace(switch, first=stage, words=("off", "on")))
        knobs.append(
            Knob(
                *(f"{key}.mix_percent", f"Stage {stage + 1}: mix", "%", "STAGE_MIX", stage, 0, 0.0, 100.0, 100.0),
                *(False, False),
            )
        )
    return knobs
