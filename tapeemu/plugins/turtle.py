"""What LV2 hosts read of the plug-ins before they load them: ports, ranges, units, in the Turtle language."""

from collections.abc import Iterator, Sequence

from tapeemu.plugins.tables import Knob, PluginKind, chain_knobs

__all__ = ["manifest_text", "turtle_text"]

_PREFIXES = """\
@prefix doap: <http://usefulinc.com/ns/doap#> .
@prefix lv2: <http://lv2plug.in/ns/lv2core#> .
@prefix pprops: <http://lv2plug.in/ns/ext/port-props#> .
@prefix rdf: <http://www.w3.org/1999/02/22-rdf-syntax-ns#> .
@prefix rdfs: <http://www.w3.org/2000/01/rdf-schema#> .
@prefix units: <http://lv2plug.in/ns/extensions/units#> .
"""

_UNITS = {"dB": "units:db", "Hz": "units:hz", "s": "units:s", "ms": "units:ms", "%": "units:pc", "mm": "units:mm"}
_CHANNELS = {1: ("centre",), 2: ("left", "right")}


def _plugins(kinds: Sequence[PluginKind]) -> Iterator[tuple[str, str, int, Sequence[Knob]]]:
    """URI, name, channels and knobs of every plug-in, in the order of the binary."""
    for kind, label, knobs in (
        ("chain", "Tape Suite Chain", chain_knobs()),
        *((each.kind, each.label, each.knobs) for each in kinds),
    ):
        yield f"urn:tapeemu:{kind}", label, 2, knobs
        yield f"urn:tapeemu:{kind}:mono", f"{label} (mono)", 1, knobs


def manifest_text(kinds: Sequence[PluginKind], binary: str) -> str:
    """The file that names the plug-ins of the folder."""
    rows = [
        f"<{uri}> a lv2:Plugin ; lv2:binary <{binary}> ; rdfs:seeAlso <tapeemu.ttl> ."
        for uri, _, _, _ in _plugins(kinds)
    ]
    return "\n".join((_PREFIXES, *rows, ""))


def turtle_text(kinds: Sequence[PluginKind]) -> str:
    """The file that describes them."""
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
    numbered = [
        "    [ " + " ;\n      ".join((f"lv2:index {number}", *lines)) + " ]" for number, lines in enumerate(ports)
    ]
    return (
        f'<{uri}>\n  a lv2:Plugin ;\n  doap:name "{label}" ;\n'
        "  doap:license <http://opensource.org/licenses/isc> ;\n"
        "  lv2:optionalFeature lv2:hardRTCapable ;\n  lv2:port\n" + " ,\n".join(numbered) + " .\n"
    )


def _knob(knob: Knob) -> list[str]:
    symbol = "".join(letter if letter.isalnum() else "_" for letter in knob.key)
    lines = [
        *("a lv2:InputPort , lv2:ControlPort", f'lv2:symbol "{symbol}"', f'lv2:name "{knob.label}"'),
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
