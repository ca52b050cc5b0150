"""What a build of the kernels is made for."""

__all__ = ["settings_may_move"]


def settings_may_move() -> bool:
    """Whether settings are moved while it plays: wherever the caller of C does not say otherwise.

    Plug-ins make a new chain instead (``TAPEEMU_STILL``); what follows moving settings is left out of them.
    """
    return True
