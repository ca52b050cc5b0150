"""What solving reached was told as 'rt60=....MOST', with exponents."""

from tapeemu.cli.measuring import _off_by


def test_how_far_off_is_told_without_an_exponent() -> None:
    assert [_off_by(percent) for percent in (5e-5, 0.55, 12.0)] == ["< 0.01", "0.55", "12"]
