"""Orders of a chain side by side, at equal loudness and in figures.

The question behind it: does the reverb come before the drive, or the drive before the reverb, and in
general, which order of stages? `tapeemu.report` writes the answer as pages.
"""

from tapeemu.comparison.chains import ChainMeter
from tapeemu.comparison.comparing import compare
from tapeemu.comparison.plan import FULL, LEAN, MeasuringPlan, plan_for
from tapeemu.comparison.result import Comparison
from tapeemu.rendering.matched import Render

__all__ = ["FULL", "LEAN", "ChainMeter", "Comparison", "MeasuringPlan", "Render", "compare", "plan_for"]
