"""Leads and tails end at -60 dB where no level is named."""

import pytest

from tapeemu.processor import Processor
from tapeemu.processors.erase_residue import EraseResidue
from tapeemu.processors.fdn_reverb import FdnReverb
from tapeemu.processors.head_azimuth import HeadAzimuth
from tapeemu.processors.print_through import PrintThrough
from tapeemu.processors.saturation import PreampDrive
from tapeemu.processors.tape_response import TapeResponse

FADING = (FdnReverb(), PreampDrive(), TapeResponse(bump_db=3.0), PrintThrough(), HeadAzimuth(), EraseResidue())


@pytest.mark.parametrize("processor", FADING, ids=lambda processor: processor.kind)
def test_the_level_is_60_db_unless_another_is_named(processor: Processor) -> None:
    stream = processor.stream(sample_rate=48_000, channels=2)
    assert stream.tail_samples() == stream.tail_samples(-60.0)
    assert stream.lead_samples() == stream.lead_samples(-60.0)
    assert stream.tail_samples(-90.0) >= stream.tail_samples(-60.0) >= stream.tail_samples(-30.0)
    stream.close()


def test_a_head_without_an_end_and_a_level_of_full_scale_have_no_lead() -> None:
    """Where the face has no edges nothing sounds before the gap, and nothing is louder than the sound itself."""
    endless, face = (
        TapeResponse(face_length_mm=length).stream(sample_rate=48_000, channels=1) for length in (0.0, 10.0)
    )
    assert [endless.lead_samples(), face.lead_samples(0.0)] == [0, 0]
    assert face.lead_samples() > 0
