"""What LV2 hosts read of the plug-ins before they load them: ports, ranges, units, in the Turtle language."""

from collections.abc import Iterator, Mapping, Sequence

from tapeemu.plugins.tables import Knob, PluginKind, chain_knobs

__all__ = ["literal", "manifest_text", "presets_text", "turtle_text"]

_PREFIXES = """\
@prefix atom: <http://lv2plug.in/ns/ext/atom#> .
@prefix doap: <http://usefulinc.com/ns/doap#> .
@prefix lv2: <http://lv2plug.in/ns/lv2core#> .
@prefix pprops: <http://lv2plug.in/ns/ext/port-props#> .
@prefix pset: <http://lv2plug.in/ns/ext/presets#> .
@prefix rdf: <http://www.w3.org/1999/02/22-rdf-syntax-ns#> .
@prefix rdfs: <http://www.w3.org/2000/01/rdf-schema#> .
@prefix state: <http://lv2plug.in/ns/ext/state#> .
@prefix time: <http://lv2plug.in/ns/ext/time#> .
@prefix units: <http://lv2plug.in/ns/extensions/units#> .
@prefix urid: <http://lv2plug.in/ns/ext/urid#> .
"""

_UNITS = {"dB": "units:db", "Hz": "units:hz", "s": "units:s", "ms": "units:ms", "%": "units:pc", "mm": "units:mm"}
_SWITCHES = (
    ("enabled", "Enabled", "enabled", 1.0),
    ("freewheel", "Offline", "freeWheeling", 0.0),
)
"""Ports that the host itself sets: symbol, name, designation, default. Last, so that others keep their numbers."""
_CHANNELS = {1: ("centre",), 2: ("left", "right")}


def _plugins(kinds: Sequence[PluginKind]) -> Iterator[tuple[str, str, int, Sequence[Knob]]]:
    """URI, name, channels and knobs of every plug-in, in the order of the binary."""
    for kind, label, knobs in (
        ("chain", "Tape Suite Chain", chain_knobs()),
        *((each.kind, each.label, each.knobs) for each in kinds),
    ):
        yield f"urn:tapeemu:{kind}", label, 2, knobs
        yield f"urn:tapeemu:{kind}:mono", f"{label} (mono)", 1, knobs


_PRESET = "urn:tapeemu:preset"


def manifest_text(kinds: Sequence[PluginKind], binary: str, presets: Mapping[str, str]) -> str:
    """The file that names the plug-ins of the folder, and the presets of the one that holds a chain.

    Parameters
    ----------
    kinds : sequence of PluginKind
        Processors.
    binary : str
        Name of the library.
    presets : mapping of str to str
        Texts of presets by name.
    """
    rows = [
        f"<{uri}> a lv2:Plugin ; lv2:binary <{binary}> ; rdfs:seeAlso <tapeemu.ttl> ."
        for uri, _, _, _ in _plugins(kinds)
    ]
    rows += [
        f"<{_PRESET}:{name}> a pset:Preset ; lv2:appliesTo <urn:tapeemu:chain> , <urn:tapeemu:chain:mono> ;\n"
        f"  rdfs:label {literal(name)} ; rdfs:seeAlso <presets.ttl> ."
        for name in presets
    ]
    return "\n".join((_PREFIXES, *rows, ""))


def presets_text(presets: Mapping[str, str]) -> str:
    """The file that holds the presets: the text of each is a state."""
    rows = [
        f"<{_PRESET}:{name}> a pset:Preset ; lv2:appliesTo <urn:tapeemu:chain> , <urn:tapeemu:chain:mono> ;\n"
        f"  rdfs:label {literal(name)} ;\n  lv2:port\n{_port_values(text)} ;\n"
        f"  state:state [ <{_PRESET}> {literal(text)} ] ."
        for name, text in presets.items()
    ]
    told = f'<{_PRESET}> a rdf:Property , lv2:Parameter ; rdfs:label "Preset" ; rdfs:range atom:String .'
    return "\n".join((_PREFIXES, told, *rows, ""))


def _port_values(text: str) -> str:
    """Values of the control ports for a preset; a host sets them beside the state."""
    from tapeemu.presets.reading import parse_preset

    stages = parse_preset(text, name="preset").chain.stages
    values: dict[str, float] = {"preset": 0.0}
    for knob in chain_knobs(()):
        if knob.role in ("STAGE_BYPASS", "STAGE_MIX"):
            stage = stages[knob.first] if knob.first < len(stages) else None
            found = None if stage is None else stage.bypass if knob.role == "STAGE_BYPASS" else stage.mix_percent
            values[_symbol(knob)] = knob.default if found is None else float(found)
    return " ,\n".join(f'    [ lv2:symbol "{name}" ; pset:value {value!r} ]' for name, value in values.items())


def _symbol(knob: Knob) -> str:
    return "".join(letter if letter.isalnum() else "_" for letter in knob.key)


def literal(text: str) -> str:
    """A text in the Turtle language."""
    escapes = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\r": "\\r", "\t": "\\t"}
    return '"' + "".join(escapes.get(each, each) for each in text) + '"'


def turtle_text(kinds: Sequence[PluginKind]) -> str:
    """The file that describes the ports of the plug-ins."""
    return "\n".join((_PREFIXES, *(_plugin(*each) for each in _plugins(kinds))))


def _plugin(uri: str, label: str, channels: int, knobs: Sequence[Knob]) -> str:
    ports = []
    for sort in ("Input", "Output"):
        for side in _CHANNELS[channels]:
            name = f"{sort.lower()}_{side}"
            ports.append(
                [f"a lv2:{sort}Port , lv2:AudioPort", f'lv2:symbol "{name}"', f'lv2:name "{sort} {side}"']
            )
    ports += [_knob(knob) for knob in knobs]
    ports.append(
        [
            *("a lv2:OutputPort , lv2:ControlPort", 'lv2:symbol "latency"', 'lv2:name "Latency"'),
            *(
                "lv2:designation lv2:latency",
                "lv2:portProperty lv2:reportsLatency , lv2:integer",
                "units:unit units:frame",
            ),
            *("lv2:minimum 0", "lv2:maximum 1000000"),
        ]
    )
    ports.append(
        [
            *("a lv2:InputPort , atom:AtomPort", "atom:bufferType atom:Sequence", "atom:supports time:Position"),
            *('lv2:symbol "events"', 'lv2:name "Events"', "lv2:designation lv2:control"),
            "lv2:portProperty lv2:connectionOptional",
        ]
    )
    ports += [
        [
            *("a lv2:InputPort , lv2:ControlPort", f'lv2:symbol "{symbol}"', f'lv2:name "{name}"'),
            *(f"lv2:designation lv2:{designation}", "lv2:portProperty lv2:toggled , lv2:connectionOptional"),
            *("lv2:minimum 0.0", "lv2:maximum 1.0", f"lv2:default {default}"),
        ]
        for symbol, name, designation, default in _SWITCHES
    ]
    numbered = [
        "    [ " + " ;\n      ".join((f"lv2:index {number}", *lines)) + " ]" for number, lines in enumerate(ports)
    ]
    return (
        f'<{uri}>\n  a lv2:Plugin ;\n  doap:name "{label}" ;\n'
        "  doap:license <http://opensource.org/licenses/isc> ;\n"
        "  lv2:optionalFeature lv2:hardRTCapable , urid:map ;\n  lv2:extensionData state:interface ;\n  lv2:port\n"
        + " ,\n".join(numbered)
        + " .\n"
    )


def _knob(knob: Knob) -> list[str]:
    lines = [
        *("a lv2:InputPort , lv2:ControlPort", f'lv2:symbol "{_symbol(knob)}"', f'lv2:name "{knob.label}"'),
        *(f"lv2:minimum {knob.least!r}", f"lv2:maximum {knob.most!r}", f"lv2:default {knob.default!r}"),
    ]
    properties = []
    if knob.words == ("off", "on"):
        properties.append("lv2:toggled")
    elif knob.words:
        properties += ["lv2:integer", "lv2:enumeration"]
    elif knob.stepped:
        properties.append("lv2:integer")
    if knob.logarithmic:
        properties.append("pprops:logarithmic")
    if properties:
        lines.append(f"lv2:portProperty {' , '.join(properties)}")
    if knob.words and knob.words != ("off", "on"):
        points = " , ".join(
            f'[ rdfs:label "{word}" ; rdf:value {number} ]' for number, word in enumerate(knob.words)
        )
        lines.append(f"lv2:scalePoint {points}")
    if knob.unit in _UNITS:
        lines.append(f"units:unit {_UNITS[knob.unit]}")
    elif knob.unit:
        shown = f'units:symbol "{knob.unit}" ; units:render "%f {knob.unit}"'
        lines.append(f"units:unit [ a units:Unit ; {shown} ]")
    return lines
