"""What the bench needs from the side that draws conclusions, which this app never imports.

That side hands in loaders when the project starts; each is called at the first use, so that no web
process imports NumPy before it has to. Without that side there is no record and nothing is suspected.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

_loaders: dict[str, Callable[[], Callable]] = {}

# name -> what it is called with
KNOWN = {
    "record": "(actor, verb, *, programme, thing, code, before, after, why, changes_draft)",
    "deviate": "(programme, *, at, by, what, before, after, why): a dated deviation of every comparison of it",
    "unit_slip": "(value, siblings, plausible, unit) -> None or an object with `words`",
    "quantities": "(unit) -> ((name, power), ...): what a unit is made of, as `unit_slip` takes it",
    "grubbs": "(values, *, resolution) -> object with `suspect` and `index`",
    "read_trace": "(data, *, force, extension, time) -> trace; raises ValueError with one line",
    "reduce_trace": "(trace, rule, **parameters) -> reduction with `value` or `reason`",
}


def provide(name: str, loader: Callable[[], Callable]) -> None:
    """Hand in a loader: called once, it returns the function of that name (see `KNOWN`)."""
    if name not in KNOWN:
        raise ValueError(f"no such hook: {name}; known are {', '.join(KNOWN)}")
    _loaders[name] = loader
    _function.cache_clear()


@cache
def _function(name: str) -> Callable | None:
    loader = _loaders.get(name)
    return loader() if loader else None


def given(name: str) -> bool:
    return name in _loaders


def call(name: str, *arguments, **named):
    """What the function of that name returns; None where nobody has handed one in."""
    function = _function(name)
    return function(*arguments, **named) if function else None
