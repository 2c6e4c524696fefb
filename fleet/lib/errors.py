"""Errors that carry data and one plain sentence.

A domain error is raised with a message key, an English sentence template and the data that fills it. Framework-free
code reads ``error.sentence``; the web layer translates ``error.template`` and fills in the same data.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


class DomainError(Exception):
    """A rule was broken or an input cannot be used.

    ``key`` is a stable message key such as ``"stock.too_little"``; ``template`` is an English sentence with
    ``{name}`` places, and ``data`` holds the values for them.
    """

    def __init__(self, key: str, template: str = "", /, **data: Any) -> None:
        self.key = key
        self.template = template or key
        self.data: dict[str, Any] = data
        super().__init__(key, self.template, data)

    @property
    def sentence(self) -> str:
        """The sentence in English, filled in; never raises."""
        try:
            return self.template.format_map(self.data)
        except (KeyError, ValueError, IndexError, AttributeError):
            return self.template

    def __str__(self) -> str:
        return self.sentence

    def __reduce__(self) -> tuple[Any, ...]:
        return (_rebuild_error, (type(self), self.key, self.template, self.data))


def _rebuild_error(cls: type[DomainError], key: str, template: str, data: dict[str, Any]) -> DomainError:
    error = cls.__new__(cls)
    DomainError.__init__(error, key, template, **data)
    return error


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in a file that a person brought in, and how to mend it.

    ``row`` is the row number as the person's own program shows it (the first row of a sheet is 1; 0 = the whole sheet).
    ``column`` is the header as typed in the file, or the label of a column that is missing.
    """

    sheet: str
    row: int
    column: str
    value: str
    key: str
    message: str
    mend: str

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)

    @property
    def sentence(self) -> str:
        return f"{self.message} {self.mend}".strip()
