"""Writing a preset turned an unknown uncertainty into 0.0, a claim of exactness."""

import math
import tomllib
from dataclasses import replace

import jsonschema
import numpy as np
from made_presets import figures_of, good, measured_of

from tapeemu.presets import parse_preset
from tapeemu.presets.schema import preset_schema
from tapeemu.presets.writing import preset_text


def test_an_unknown_uncertainty_is_left_out_and_stays_unknown() -> None:
    """Zero would claim that the figure is exact, which some are, and say so."""
    for doubt in (math.nan, 0.0, 0.002):
        figure = figures_of(0.1)["weighted_flutter_percent"]
        figure = replace(figure, reading=replace(figure.reading, uncertainty=doubt))
        measured = replace(measured_of(good().chain), chain={"weighted_flutter_percent": figure})
        text = preset_text(good().replace(measured=measured))
        assert ("uncertainty =" in text) == math.isfinite(doubt)
        jsonschema.validate(tomllib.loads(text), preset_schema())
        again = parse_preset(text, name="x")
        np.testing.assert_equal(again.readings["weighted_flutter_percent"].uncertainty, doubt)
        assert preset_text(again) == text
        told = {0.0: "exact", 0.002: "± 0.0020"}.get(doubt, "")
        assert f"<td style='text-align:right'>{told}</td><td>%</td>" in again._repr_html_()
