"""Data on its way into a script of a page."""

import json

import pytest

from tapeemu.pages import script_data


def test_data_is_plain_letters_that_end_no_script_and_mean_the_same() -> None:
    """In whatever encoding a server sends the page, and whatever its strings hold."""
    data = {"na\u00efve \u2028 \U0001f3b5": "</script><!-- & \ud83d", "level": [-18.5, None, True]}
    text = script_data(data)
    assert text.isascii()
    assert not set("<>&") & set(text)
    assert json.loads(text) == data


def test_what_is_no_number_stands_in_no_page() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        script_data({"level": float("nan")})
