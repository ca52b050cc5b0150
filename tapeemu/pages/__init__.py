"""What pages share: scripts that play aligned sounds and ask hidden questions, and how data gets in."""

import json
from importlib.resources import files
from typing import Any

__all__ = ["script_data", "shared_source"]


def shared_source(name: str) -> str:
    """Text of a script of this package, for pages that have everything inside."""
    return files(__package__).joinpath(name).read_text("utf-8")


def script_data(data: Any) -> str:
    """JSON that may stand inside a script element, whatever its strings hold."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
