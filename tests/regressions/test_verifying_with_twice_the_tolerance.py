"""No test noticed a tolerance of twice its size."""

from dataclasses import replace

import pytest
from made_presets import figures_of

from tapeemu.presets.measuring import FigureCheck, Verification


@pytest.mark.parametrize(
    ("moved", "within"), [(0.0, True), (0.99, True), (-0.99, True), (1.01, False), (-1.01, False), (1.9, False)]
)
def test_a_figure_is_proved_within_its_tolerance_and_not_beyond(moved: float, within: bool) -> None:
    (kept,) = figures_of(0.1).values()
    (found,) = figures_of(0.1 + moved * kept.tolerance).values()
    check = FigureCheck(part="chain", key="weighted_flutter_percent", kept=kept, found=found)
    assert check.within == within
    assert ("OUT OF TOLERANCE" in str(check)) != within
    verification = Verification(name="x", state="measured", checks=(check,))
    assert verification.proved == within
    # Tolerance of the figure in the file counts, not of the one measured now.
    wide = replace(found, tolerance=1e9)
    assert FigureCheck(part="chain", key="x", kept=kept, found=wide).within == within
