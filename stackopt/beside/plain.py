"""How what goes with the settings is told as plain data."""

from typing import Any


def without_warnings(block: Any) -> dict[str, Any]:
    """A block's figures; its warnings are told with those of the answer."""
    return {key: value for key, value in vars(block).items() if key != "warnings"}
