"""Names that hosts keep plug-ins' settings under: they never change."""

import pytest

from tapeemu.plugins.preset_files import VST3_OURS, vst3_class


@pytest.mark.parametrize(
    ("kind", "digits"),
    [("", "CBF29CE484222325"), ("a", "AF63DC4C8601EC8C"), ("foobar", "85944171F73967E8")],
)
def test_a_class_is_numbered_by_its_authors_hash(kind: str, digits: str) -> None:
    """FNV-1a of 64 bits: the test vectors that Fowler, Noll and Vo publish with it."""
    assert vst3_class(kind) == VST3_OURS + digits
    assert len(vst3_class(kind)) == 32
