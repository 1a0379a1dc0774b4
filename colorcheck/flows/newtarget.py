"""The flow of `target`: a request → the layout of a test target."""

from __future__ import annotations

from dataclasses import asdict

from ..ground.errors import UsageError
from ..ground.records import Target
from ..sheet.target import make_target
from .requests import TargetRequest


def design_target(request: TargetRequest) -> Target:
    """Lay a target out; where no set of colours was asked for, the standard one, or the compact one where it must be.

    Raises
    ------
    UsageError
        The colours do not fit, or a value makes no sense.
    """
    recipe = asdict(request)
    patches = recipe.pop("patches")
    try:
        return make_target(patches=patches or "standard", **recipe)
    except UsageError:
        if patches:
            raise
        return make_target(patches="compact", **recipe)
