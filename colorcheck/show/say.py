"""Sentences by their name in ``templates/words.j2``: code picks one and hands over records and numbers."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from . import numbers

if TYPE_CHECKING:
    from jinja2 import Environment

_ITEM = re.compile(r"^\s*\*[^\S\n]*", re.M)


def _folded(value: Any) -> Any:
    """Fold blanks and line breaks, so that neither the file's layout nor a name can break a list."""
    return " ".join(value.split()) if isinstance(value, str) else value


@lru_cache(1)
def _sentences() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    env = Environment(
        loader=PackageLoader("colorcheck"),
        autoescape=False,  # plain text; pages escape it when they show it
        undefined=StrictUndefined,
        finalize=_folded,
    )
    env.globals.update({name: getattr(numbers, name) for name in numbers.__all__}, five=numbers.stepped)
    return env.get_template("words.j2").module


def give_words(env: Environment) -> None:
    """Give the templates of an environment the fixed texts of ``templates/headings.j2``, as ``words``."""
    env.globals["words"] = env.get_template("headings.j2").module


def say(name: str, *about: Any) -> str:
    """Say one sentence, or a few.

    Parameters
    ----------
    name : str
        Its macro.
    about : records and numbers
        What it is about.
    """
    return str(_folded(getattr(_sentences(), name)(*about)))


def items(name: str, *about: Any) -> list[str]:
    """Say a list; parameters as for `say`."""
    return [" ".join(item.split()) for item in _ITEM.split(getattr(_sentences(), name)(*about))[1:]]


def pairs(name: str, *about: Any) -> list[tuple[str, str]]:
    """Say a list of 'name | text'; parameters as for `say`."""
    cut = [item.partition(" | ") for item in items(name, *about)]
    return [(name, text) for name, _, text in cut]
