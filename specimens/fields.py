"""Model fields that keep what was typed."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation

from django.core.exceptions import ValidationError
from django.db import models

MAX_TYPED = 64


class Number(Decimal):
    """A decimal that remembers the text it was typed as: `Number("1.50").text == "1.50"`."""

    text: str

    def __new__(cls, value="0"):
        text = value.text if isinstance(value, Number) else str(value).strip()
        try:
            number = super().__new__(cls, text)
        except InvalidOperation:
            raise ValueError(f"found “{text[:40]}”, expected a number such as 12.5") from None
        if not number.is_finite():
            raise ValueError(f"found “{text[:40]}”, expected a finite number")
        if len(text) > MAX_TYPED or abs(number.adjusted()) > 300:
            raise ValueError(f"found a number of {len(text)} characters, expected a plain one such as 12.5")
        number.text = text
        return number

    def __str__(self) -> str:
        return self.text

    def __reduce__(self):
        return (Number, (self.text,))

    def __deepcopy__(self, memo):
        return self


class NumberField(models.CharField):
    """A number kept as the text that was typed; in Python a `Number` (an exact Decimal).

    A float column would round 0.1 and a decimal column would turn 1.50 into 1.5 or 1.500; a record of
    what was printed or typed must do neither. Constraints compare with `Cast(field, FloatField())`.
    """

    description = "A number as typed"

    def __init__(self, *args, **kwargs):
        kwargs.setdefault("max_length", MAX_TYPED)
        super().__init__(*args, **kwargs)

    def deconstruct(self):
        name, path, args, kwargs = super().deconstruct()
        if kwargs.get("max_length") == MAX_TYPED:
            del kwargs["max_length"]
        return name, path, args, kwargs

    def from_db_value(self, value, expression, connection):
        return None if value in (None, "") else Number(value)

    def to_python(self, value):
        if value in (None, ""):
            return None
        try:
            return Number(value)
        except ValueError as error:
            raise ValidationError(str(error)) from error

    def run_validators(self, value):
        super().run_validators(value.text if isinstance(value, Number) else value)

    def get_prep_value(self, value):
        if value in (None, ""):
            return None
        return Number(value).text
