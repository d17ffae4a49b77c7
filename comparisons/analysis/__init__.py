"""The analysis: a study in, one results document out.

Pure mathematics on NumPy and SciPy: no Django, no database, no file, no clock, and no randomness
but the study's own seed. `evaluate(study)` returns plain JSON types; `dumps` its canonical bytes.
Importing this package costs nothing: the work is imported when it is first asked for.
"""

from __future__ import annotations

SCHEMA = "evenhand-results/1"
ENGINE = "1.0.0"

__all__ = ["ENGINE", "SCHEMA", "dumps", "evaluate"]


def __getattr__(name: str):
    # The module is not called `evaluate`: importing it would put it in the place of the function.
    if name == "evaluate":
        from .assemble import evaluate

        return evaluate
    if name == "dumps":
        from .document import dumps

        return dumps
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
