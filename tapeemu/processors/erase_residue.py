"""Erase residue: what is left, behind the erase head, of what stood on the tape before."""

from collections.abc import Mapping
from typing import Any, ClassVar

from tapeemu.kernel_stream import ProcessorOfKernels
from tapeemu.processor import Traits, setting

__all__ = ["EraseResidue"]

_FAINT_DB = -35.0


class EraseResidue(ProcessorOfKernels):
    """A tape that comes round, or is recorded over: under the new sound lies a rest of the earlier pass.

    What stood on a place of the tape was recorded there `earlier_seconds` before, on a loop of tape or by an
    earlier pass of the same recording. An erase head leaves it at `residue_db` at 1 kHz. Of lows more is left, by
    a shelf of first order: ``(f^2 + z^2) / (f^2 + p^2)`` in power, with the pole ``p`` at `bass_corner_hz`, and
    the zero ``z`` so that 0 Hz is left `bass_rise_db` above 1 kHz. Above 1 kHz, 4.2 dB less is left at most.

    What comes out is what is on the tape when it comes round again. So a pass that lies `n` passes back is erased
    `n` times: it is heard at ``n`` times the decibels, ``n`` times `earlier_seconds` late, down to nothing. A
    render begins on a blank tape.

    The filter meets the law within 0.05 dB from 20 Hz to 20 kHz; what is earlier is so to the nearest sample. No
    latency. `residue_db` and `bass_rise_db` can follow curves; a loop keeps its length, and lows their corner.

    Notes
    -----
    That at least 60 dB at 1 kHz are asked for (DIN), and that lows survive a dirty head: published advice to
    archives. That they do since dirt holds the field off the depth of the coating, where long waves lie: from
    memory. That the rise is a shelf of first order, its phase, and its defaults: ours, no source.

    Examples
    --------
    >>> EraseResidue(residue_db=-50.0, earlier_seconds=5.3)
    EraseResidue(residue_db=-50.0, earlier_seconds=5.3)
    """

    kind: ClassVar[str] = "erase_residue"
    stands: ClassVar[str] = "the loop and the corner of its filter are those of the machine"
    amounts: ClassVar[Mapping[str, tuple[str, ...]]] = {"bass_rise_db": ("bass_corner_hz",)}
    moves: ClassVar[tuple[str, ...]] = ("residue_db", "bass_rise_db")

    residue_db: float = setting(
        -60.0, "Level of what is left at 1 kHz re the sound that was erased.", unit="dB", ge=-100.0, le=-30.0
    )
    bass_rise_db: float = setting(
        12.0, "By how much more is left of the lowest frequencies than of 1 kHz.", unit="dB", ge=0.0, le=18.0
    )
    bass_corner_hz: float = setting(
        50.0,
        "Frequency below which the rise levels off.",
        unit="Hz",
        ge=10.0,
        le=100.0,
    )
    earlier_seconds: float = setting(
        3.0,
        "By how much the erased sound was earlier: the length of the loop.",
        unit="s",
        ge=0.1,
        le=30.0,
    )

    @property
    def traits(self) -> Traits:
        # Fainter ones leave a tone steady within 0.2 dB, so that all figures can be read behind them.
        return Traits(echoes=self.residue_db + self.bass_rise_db > _FAINT_DB, neighbours=True, peak_gain_db=3.0)

    def kernel_settings(self) -> Any:
        """The settings as the kernels take them."""
        return self.kernels().settings_from(
            residue_db=self.residue_db,
            bass_rise_db=self.bass_rise_db,
            bass_corner_hz=self.bass_corner_hz,
            earlier_seconds=self.earlier_seconds,
        )
