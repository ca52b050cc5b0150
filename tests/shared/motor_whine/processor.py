"""The whine of a motor, picked up on the way to the tape."""

from typing import Any, ClassVar

from tapeemu.kernel_stream import ProcessorOfKernels
from tapeemu.processor import Traits, setting

__all__ = ["MotorWhine"]


class MotorWhine(ProcessorOfKernels):
    """A sine that goes on for ever, the same on all tracks.

    Attributes
    ----------
    whine_dbfs : float
        Level of the whine.
    whine_hz : float
        Its frequency.
    """

    kind: ClassVar[str] = "motor_whine"
    stands: ClassVar[str] = "a motor whines at one pitch"
    moves: ClassVar[tuple[str, ...]] = ("whine_dbfs",)

    whine_dbfs: float = setting(-60.0, "Level of the whine.", unit="dBFS", ge=-120.0, le=-20.0)
    whine_hz: float = setting(600.0, "Frequency of the whine.", unit="Hz", ge=20.0, le=5_000.0)

    @property
    def traits(self) -> Traits:
        return Traits(adds_sound=True, peak_gain_db=0.0)

    def kernel_settings(self) -> Any:
        """The settings as the kernels take them."""
        return self.kernels().settings_from(whine_dbfs=self.whine_dbfs, whine_hz=self.whine_hz)
