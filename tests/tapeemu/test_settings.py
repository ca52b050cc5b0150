"""What settings say of themselves to Python."""

import inspect

import pytest

from tapeemu.processors import processor_kinds
from tapeemu.rendering.delivery import Delivery
from tapeemu.settings import Settings


@pytest.mark.parametrize("made", [*processor_kinds().values(), Delivery])
def test_a_signature_has_the_types_of_the_settings_and_not_their_ranges(made: type[Settings]) -> None:
    parameters = inspect.signature(made).parameters
    assert list(parameters) == list(made.model_fields)
    for name, field in made.model_fields.items():
        assert parameters[name].annotation == field.annotation
