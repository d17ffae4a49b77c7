"""Parts that several models share."""

from __future__ import annotations

from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Cast

CODE_PATTERN = r"^[a-z0-9][a-z0-9._-]*$"
CODE_LENGTH = 80
validate_code = RegexValidator(
    CODE_PATTERN, "Use lower-case letters, digits, dot, dash and underscore; start with a letter or digit."
)


class CodeField(models.CharField):
    """A code of the study folder: lower case, unique where its model says."""

    def __init__(self, *args, **kwargs):
        kwargs.setdefault("max_length", CODE_LENGTH)
        super().__init__(*args, **kwargs)
        if validate_code not in self.validators:
            self.validators.append(validate_code)


def code_rule(name: str, field: str = "code"):
    """The constraint that a code has the form of a code, in the database itself."""
    return models.CheckConstraint(condition=Q(**{f"{field}__regex": CODE_PATTERN}), name=name)


def one_of(field: str, choices, name: str, blank: bool = False):
    """The constraint that a choice column holds one of its choices."""
    values = list(choices.values) + ([""] if blank else [])
    return models.CheckConstraint(condition=Q(**{f"{field}__in": values}), name=name)


def filled(field: str) -> Q:
    """The column holds text."""
    return ~Q(**{field: ""})


def as_number(field: str):
    """A NumberField's value for comparison in the database."""
    return Cast(F(field), models.FloatField())


def ordered(low: str, high: str, name: str):
    """The constraint low <= high where both are there (NULL passes a check)."""
    return models.CheckConstraint(condition=Q(**{f"{high}__isnull": True}) | Q(**{f"{low}__isnull": True})
                                  | LessEqual(as_number(low), as_number(high)), name=name)


def at_least_zero(field: str, name: str):
    return models.CheckConstraint(
        condition=Q(**{f"{field}__isnull": True}) | LessEqual(models.Value(0.0), as_number(field)), name=name
    )


def above_zero(field: str, name: str):
    return models.CheckConstraint(
        condition=Q(**{f"{field}__isnull": True}) | Less(models.Value(0.0), as_number(field)), name=name
    )


class LessEqual(models.Func):
    """`a <= b` as a condition."""

    template = "%(expressions)s"
    arg_joiner = " <= "
    conditional = True
    output_field = models.BooleanField()


class Less(LessEqual):
    """`a < b` as a condition."""

    arg_joiner = " < "
