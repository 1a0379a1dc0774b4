"""colorcheck reads a pressed print from a phone photo or a scan.

Names are looked up on first use, so that ``import colorcheck`` costs nothing.
"""

from importlib import import_module

__version__ = "0.1.0"

# public name → module, and its name there where it has another
_HOME = {
    "make_target": "sheet.target",
    "load_target": "sheet.target",
    "read": "flows.read:read_photos",
    "decode": "photo.decode",
    "delta_e00": "ground.cielab",
    "ColorcheckError": "ground.errors",
}

__all__ = ["ColorcheckError", "__version__", "decode", "delta_e00", "load_target", "make_target", "read"]


def __getattr__(name: str) -> object:
    """Import the module that holds a public name when it is first asked for."""
    if name in _HOME:
        module, _, other = _HOME[name].partition(":")
        return getattr(import_module(f"colorcheck.{module}"), other or name)
    raise AttributeError(f"module 'colorcheck' has no attribute {name!r}")


def __dir__() -> list[str]:
    """List the public names."""
    return sorted(__all__)
