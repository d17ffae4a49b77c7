"""What may stand inside an address: a code of the study folder."""

from django.urls import register_converter


class CodeConverter:
    """A code as `specimens.models.base` has it; nothing else reaches a view."""

    regex = "[a-z0-9][a-z0-9._-]{0,79}"

    def to_python(self, value: str) -> str:
        return value

    def to_url(self, value: str) -> str:
        return value


register_converter(CodeConverter, "code")
