"""Every error a person can meet, each with one line: what is wrong, and what to do.

::

    ColorcheckError
    ├── UsageError     the command was given something it cannot use
    ├── FileError      a file or folder cannot be read or written
    ├── ImageError     the file was read, but is not a picture that can be measured
    ├── TargetError    target layout: bad JSON, not found in the photo, two in it, or another one
    │   └── BlurredError   nothing in the photo is sharp enough to show a target
    ├── PhotoError     the picture decodes, but this photo cannot carry the measurement
    └── DataError      any other data file: readings, measured values, camera, settings

The command line prints the line and exits with code 2; every other exception is a fault of the program.
"""

from __future__ import annotations


class ColorcheckError(Exception):
    """Something a person can put right.

    Parameters
    ----------
    what : str
        What is wrong. Line breaks and runs of blanks become single blanks.
    todo : str, optional
        What to do about it; joined to `what` by a colon.
    """

    def __init__(self, what: str, todo: str = "") -> None:
        line = " ".join(f"{what}: {todo}".split() if todo else what.split())
        super().__init__(line)

    @property
    def message(self) -> str:
        """The whole line."""
        return str(self.args[0])


class UsageError(ColorcheckError):
    """The command was given something it cannot use."""


class FileError(ColorcheckError):
    """A file or folder cannot be read or written."""


class ImageError(ColorcheckError):
    """A file was read, but is not a picture that can be measured."""


class TargetError(ColorcheckError):
    """The target layout is unreadable, or the photo shows none, two, or another one."""


class BlurredError(TargetError):
    """Nothing in the photo is sharp enough to show a target: of `read` this is an answer, not a refusal.

    Attributes
    ----------
    source : str
        Name of the photo.
    edge_px, limit_px : float
        Width of its sharpest edges, and the width up to which a target would show.
    """

    def __init__(self, source: str, edge_px: float, limit_px: float) -> None:
        super().__init__(
            f"{source} is blurred: even its sharpest edges are {edge_px:.0f} pixels wide, so no target shows",
            "hold still, focus on the target, and take the photo again",
        )
        self.source, self.edge_px, self.limit_px = source, edge_px, limit_px


class PhotoError(ColorcheckError):
    """The picture decodes, but the photo cannot carry the measurement.

    Parameters
    ----------
    what : str
        What is wrong.
    advice : str
        How to take the photo that will do; also the second half of the line.

    Attributes
    ----------
    advice : str
        The advice alone, for a screen that shows it apart.
    """

    def __init__(self, what: str, advice: str = "") -> None:
        super().__init__(what, advice)
        self.advice = " ".join(advice.split())


class DataError(ColorcheckError):
    """A data file (reading, measured values, camera, settings) does not hold what it must."""
