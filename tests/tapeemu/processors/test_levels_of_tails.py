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
