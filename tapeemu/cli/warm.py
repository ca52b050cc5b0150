"""``tapeemu warm``: compile the kernels ahead of the first use."""

import typer

__all__ = ["warm", "warm_kernels"]


def warm_kernels() -> None:
    """Run every processor once over a few samples, mono and stereo, so that all kernels are compiled."""
    import numpy as np

    from tapeemu.cli.common import Bar
    from tapeemu.processors import processor_kinds
    from tapeemu.processors.amplitude_flutter import AmplitudeFlutter
    from tapeemu.processors.wow_flutter import WowFlutter
    from tapeemu.rendering.loudness import LevelMeter

    # Settings that take other loops than the defaults.
    others = (
        WowFlutter(profile="worn"),
        WowFlutter(reader_taps=48),
        AmplitudeFlutter(mode="spacing", dropouts_per_minute=6_000.0),
    )
    kinds = [
        kind
        for kind in processor_kinds().values()
        if not any(field.is_required() for field in kind.model_fields.values())
    ]
    processors = [*others, *(kind() for kind in kinds)]
    with Bar("loops", len(processors)) as bar:
        for number, processor in enumerate(processors, start=1):
            processor(np.zeros((2, 256)), sample_rate=48_000)
            bar.update(number)
    LevelMeter(sample_rate=48_000, channels=2).add(np.zeros((2, 256)))


def warm() -> None:
    """Compile the signal-processing loops now, so that the first rendering starts at once."""
    from tapeemu.cli.common import listen_to_compilation

    listen_to_compilation()
    warm_kernels()
    typer.echo("ready")
