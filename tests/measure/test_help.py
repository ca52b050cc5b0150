"""What `help()` shows of the public functions can be read."""

import inspect

import pytest

import measure

FUNCTIONS = [name for name in measure.__all__ if inspect.isfunction(getattr(measure, name))]


@pytest.mark.parametrize("name", FUNCTIONS)
def test_signatures_name_types_as_numpy_does(name: str) -> None:
    """An alias such as that of all that becomes an array is named, not written out in 250 letters."""
    assert "numpy._typing" not in str(inspect.signature(getattr(measure, name)))
