"""One kind of sheet: which rows it stands for, how a row is recognised, what a new or changed one must fulfil."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time
from decimal import Decimal
from importlib import import_module
from math import isclose
from typing import TYPE_CHECKING, Any

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.translation import gettext_noop as _

from fleet.domain.dangerous_goods.as_text import text_of_facts
from fleet.domain.intake import ColumnSpec, SheetSpec
from fleet.lib.errors import DomainError
from fleet.lib.quantities import UNITS, suffix_unit
from fleet.models import Correctable, Place, Unit
from fleet.services.records import check_finite

if TYPE_CHECKING:
    from fleet.services.imports.references import Lookups

Values = dict[str, Any]
Key = tuple[Any, ...]
Problem = tuple[str, DomainError]  # the column it is about, and what is wrong

_kinds: dict[str, SheetKind] = {}


@dataclass(frozen=True, slots=True)
class Ref:
    """A row that another row names.

    `home` gives its time zone and decides who may change it, `since` is the first day of its life, `unit` the unit it
    is or sits in.
    """

    obj: Any
    label: str
    home: Place | None = None
    since: Any = None
    unit: Unit | None = None

    @property
    def zone(self) -> str:
        return self.home.time_zone if self.home else "UTC"


@dataclass
class Planned:
    """One row of a file as it would be written: the object, and for each differing column the old and new value.

    `newer`: columns changed here after the file was; `unseen`: columns changed here after the preview was made. `turn`
    orders rows that must be written one after the other. `owners`: the depots to which a row on file belongs already.
    """

    number: int
    action: str  # added, changed, left
    values: Values
    typed: dict[str, str] = field(default_factory=dict)
    obj: Any = None
    changes: dict[str, tuple[Any, Any]] = field(default_factory=dict)
    newer: set[str] = field(default_factory=set)
    unseen: set[str] = field(default_factory=set)
    label: str = ""
    turn: int = 0
    owners: list[Place] = field(default_factory=list)


def column(model: type[models.Model], name: str, *, label: str = "", **given: Any) -> ColumnSpec:
    """The column of a model's field: its kind, unit, choices and bounds are those of the field."""
    meta_field: Any = model._meta.get_field(name)
    made: dict[str, Any] = {"kind": "text"}
    unit = suffix_unit(name)
    if meta_field.is_relation:
        made["kind"] = "reference"
    elif meta_field.choices:
        made["kind"] = "choice"
        made["choices"] = {code: (str(word),) for code, word in meta_field.choices if code}
    elif isinstance(meta_field, models.DateTimeField):
        made["kind"] = "instant"
    elif isinstance(meta_field, models.DateField):
        made["kind"] = "date"
    elif isinstance(meta_field, models.BooleanField):
        made["kind"] = "flag"
    elif isinstance(meta_field, models.IntegerField):
        made.update(kind="integer", minimum=0, maximum=30_000)
    elif isinstance(meta_field, models.DecimalField):
        made.update(kind="number", minimum=0)
    elif isinstance(meta_field, models.FloatField):
        made.update({"kind": "quantity", "unit": unit} if unit else {"kind": "number"})
    elif getattr(meta_field, "max_length", None):
        made["max_length"] = meta_field.max_length
    for validator in meta_field.validators:
        if isinstance(validator, MinValueValidator):
            made["minimum"] = float(validator.limit_value)
        elif isinstance(validator, MaxValueValidator) and made["kind"] != "integer":
            made["maximum"] = float(validator.limit_value)
    return ColumnSpec(
        name=name, label=label or _sentence_case(str(meta_field.verbose_name)), **{**made, **given}
    )


def _sentence_case(text: str) -> str:
    return text[:1].upper() + text[1:]


class SheetKind:
    """Subclassed once per sheet. Columns are stored under their own name unless they are listed in `virtual`."""

    spec: SheetSpec
    model: type[models.Model]
    after: tuple[str, ...] = ()
    virtual: frozenset[str] = frozenset()
    exports = False  # what is on file goes out as this very sheet, see `to_export`
    anybody = False  # whoever may bring in anything may add rows of this
    elsewhere: frozenset[str] = frozenset()  # columns that other rows tell, see `told_elsewhere`
    one_by_one: frozenset[str] = (
        frozenset()
    )  # a change of one of these goes through the service of that change

    @property
    def name(self) -> str:
        return self.spec.name

    @property
    def is_event(self) -> bool:
        """Events are corrected by superseding; everything else is edited in place."""
        return issubclass(self.model, Correctable)

    def stored(self) -> list[ColumnSpec]:
        return [each for each in self.spec.columns if each.name not in self.virtual]

    # --- recognising rows ---

    def key(self, values: Values) -> Key:
        return tuple(part(values[name]) for name in self.spec.key)

    def key_of(self, obj: Any) -> Key:
        return tuple(
            ("pk", getattr(obj, f"{name}_id")) if self._is_fk(name) else part(getattr(obj, name))
            for name in self.spec.key
        )

    def find(self, lookups: Lookups, rows: Sequence[Values]) -> dict[Key, Any]:
        """The rows on file that these rows stand for, by key. A fixed number of queries for each 500 rows."""
        wanted = {self.key(values) for values in rows}
        found: dict[Key, Any] = {}
        for chunk in chunks(rows, 500):
            for obj in self.narrowed(chunk):
                key = self.key_of(obj)
                if key in wanted:
                    found[key] = obj
        return found

    def narrowed(self, rows: Sequence[Values]) -> Iterable[Any]:
        query = self.on_file()
        for name in self.spec.key:
            given = [values[name] for values in rows]
            if self._is_fk(name):
                query = query.filter(
                    **{f"{name}__in": {ref.obj.pk for ref in given if ref.obj.pk is not None}}
                )
            elif isinstance(given[0], str):
                query = query.annotate(**{f"{name}_upper": models.functions.Upper(name)}).filter(
                    **{f"{name}_upper__in": {text.upper() for text in given}}
                )
            else:
                query = query.filter(**{f"{name}__range": (min(given), through(max(given)))})
        return query

    def on_file(self) -> models.QuerySet[Any]:
        manager: Any = self.model._default_manager
        return manager.counting() if self.is_event else manager.all()

    def _is_fk(self, name: str) -> bool:
        return name not in self.virtual and bool(self.model._meta.get_field(name).is_relation)

    # --- comparing and making ---

    def current(self, obj: Any, name: str) -> Any:
        """What stands on file under a column, comparable with `wanted`."""
        return getattr(obj, f"{name}_id") if self._is_fk(name) else getattr(obj, name)

    def wanted(self, name: str, value: Any) -> Any:
        """A value of the file as the field would store it."""
        meta_field: Any = self.model._meta.get_field(name)
        if value is None:
            return (
                None
                if meta_field.null
                else ("" if isinstance(meta_field, models.CharField | models.TextField) else None)
            )
        if isinstance(value, Ref):
            return value.obj.pk if value.obj.pk is not None else value
        if isinstance(meta_field, models.DecimalField):
            return Decimal(value).quantize(Decimal(1).scaleb(-meta_field.decimal_places))
        return float(value) if isinstance(meta_field, models.FloatField) else value

    def can_clear(self, name: str) -> bool:
        if name in self.spec.key or name in self.virtual:
            return False
        meta_field: Any = self.model._meta.get_field(name)
        return bool(meta_field.null or (meta_field.blank and not meta_field.is_relation))

    def make(self, lookups: Lookups, values: Values) -> Any:
        """A new object from the values given; what is not given has the field's default."""
        stored = {each.name for each in self.stored()}
        given = {
            name: value.obj if isinstance(value, Ref) else self.wanted(name, value)
            for name, value in values.items()
            if name in stored
        }
        return self.model(**{**self.defaults(lookups, values), **given})

    def defaults(self, lookups: Lookups, values: Values) -> dict[str, Any]:
        return {}

    def assign(self, obj: Any, name: str, value: Any) -> None:
        setattr(obj, name, value.obj if isinstance(value, Ref) else self.wanted(name, value))

    # --- rules ---

    def derive(self, lookups: Lookups, values: Values) -> Iterator[Problem]:
        """Fill in what follows from other columns; called before a row is compared. Yields what is wrong."""
        yield from ()

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        """What a new or changed object must fulfil. Queries nothing: everything is loaded by `prepare`."""
        try:
            check_finite(row.obj)
        except DomainError as error:
            yield "", error

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        """Load for all rows at once what `derive`, `current` and `check` look at."""

    def check_together(
        self, lookups: Lookups, rows: Sequence[Planned]
    ) -> Iterator[tuple[Planned, str, DomainError]]:
        """Rules between rows, such as one bank per position."""
        yield from ()

    # --- what changed here since ---

    def told_elsewhere(
        self, lookups: Lookups, rows: Sequence[Planned], moment: datetime
    ) -> Mapping[int, set[str]]:
        """By row number the columns whose value other rows tell, and which changed here after a moment."""
        return {}

    def audited_as(self, names: set[str]) -> set[str]:
        """The columns that the words of an audit line mean."""
        return names

    # --- whose it is, and what it is called ---

    def homes(self, row: Planned) -> Collection[Place]:
        """The depots whose people may write this row; empty for what belongs to the whole pool."""
        return [
            value.home for value in row.values.values() if isinstance(value, Ref) and value.home is not None
        ][:1]

    def owners(self, row: Planned) -> list[Place]:
        """Whose a row is: of those whom it names, and of those to whom it belongs on file."""
        return [*self.homes(row), *row.owners]

    def refused(self, row: Planned, allowed: Collection[int]) -> str | None:
        """Whose the row is that the people of these depots (keys) may not write; None: they may."""
        if row.action == "added" and self.anybody:
            return None
        owners = self.owners(row)
        foreign = [owner for owner in owners if owner.pk not in allowed]
        if foreign:
            return foreign[0].name
        return None if owners else str(_("the whole pool"))

    def zone(self, values: Values) -> str:
        """The time zone in which the clock times of a row are meant."""
        ref = values.get(self.spec.zone_column)
        return ref.zone if isinstance(ref, Ref) else "UTC"

    def words_of(self, values: Values) -> list[str]:
        """The words by which a row of the file that has a fault would have been named."""
        word = values.get(self.spec.key[0])
        return [word] if len(self.spec.key) == 1 and isinstance(word, str) else []

    def ref(self, row: Planned) -> tuple[Sequence[str], Ref] | None:
        """How later sheets of the same file may name this new row: the words, and what they name."""
        return None

    def word(self, lookups: Lookups, name: str, word: str, values: Values) -> str:
        """The word by which a reference is looked up; `values` are those already found in this row."""
        return word

    def label(self, values: Values) -> str:
        return " / ".join(shown(values[name]) for name in self.spec.key if values[name] != "")

    # --- what goes out ---

    def to_export(self) -> Iterable[Any]:
        """The rows on file that the sheet would hold. A fixed number of queries."""
        names = [each.name for each in self.stored() if self._is_fk(each.name)]
        return self.on_file().select_related(*names).order_by("pk")

    def told(self, obj: Any, name: str) -> Any:
        """What the cell of a row on file says, so that it is read back as the same; None: an empty cell."""
        if name in self.virtual:
            return None
        value = getattr(obj, name)
        if isinstance(value, models.Model):
            return self.word_of(value)
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(value, dict):
            return text_of_facts(value)
        choices = self.spec.by_name[name].choices
        return choices[value][0] if value in choices else value

    def word_of(self, named: Any) -> str:
        """The word by which a row names another one."""
        return str(
            next(getattr(named, each) for each in ("tag", "serial", "code", "label") if hasattr(named, each))
        )

    # --- writing beside the row itself ---

    def add_one(self, lookups: Lookups, row: Planned) -> None:
        """For rows that only a service may add (see `adds_one_by_one`)."""
        raise NotImplementedError

    def adds_one_by_one(self, row: Planned) -> bool:
        return False

    def beside(self, lookups: Lookups, row: Planned) -> list[models.Model]:
        """Further new rows that belong to a new one, such as where a unit stands."""
        return []

    def write_many(
        self, lookups: Lookups, rows: Sequence[Planned]
    ) -> list[tuple[Planned, models.Model]] | None:
        """Write new and changed rows through a service of many rows; returns what it wrote. None: there is no such."""
        return None

    def change_one(self, lookups: Lookups, row: Planned) -> None:
        """Write the columns of `one_by_one` through the service of that change."""

    def watched(self, row: Planned) -> list[models.QuerySet[Any]]:
        """Rows that a service called here may add or change: kept so that an undo can put them back."""
        return []

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        """The units whose answer may change with these rows. At most a few queries."""
        return set()


def through(value: Any) -> Any:
    """The end of a range that holds a value of a key: a moment with its whole second."""
    return value.replace(microsecond=999_999) if isinstance(value, datetime) else value


def part(value: Any) -> Any:
    """One part of a key: references by what they point to, text without case, moments to the second as sheets tell them."""
    if isinstance(value, datetime):
        return value.replace(microsecond=0)
    if isinstance(value, Ref):
        return ("pk", value.obj.pk) if value.obj.pk is not None else ("new", id(value.obj))
    if isinstance(value, str):
        return value.casefold()
    return value


def same(one: Any, other: Any) -> bool:
    """Whether two values of a field are one value: floats to nine digits, empty text and none alike."""
    if isinstance(one, float) and isinstance(other, int | float):
        return isclose(one, other, rel_tol=1e-9, abs_tol=1e-12)
    if isinstance(one, int | float) and isinstance(other, float):
        return isclose(one, other, rel_tol=1e-9, abs_tol=1e-12)
    return one == other or (one in (None, "") and other in (None, ""))


def shown(value: Any, name: str = "") -> str:
    """A value as the preview prints it, in the unit of its column."""
    if isinstance(value, Ref):
        return value.label
    if value is None or value == "":
        return "—"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        return text_of_facts(value) or "—"
    if isinstance(value, list | tuple):
        return "; ".join(str(each) for each in value) or "—"
    if isinstance(value, float):
        unit = suffix_unit(name)
        symbol = UNITS[unit].symbol if unit else ""
        return f"{value:.10g} {symbol}".strip()
    if isinstance(value, time):
        return f"{value:%H:%M}"
    return f"{value:%Y-%m-%d %H:%M} UTC" if hasattr(value, "hour") else str(value)


def chunks(rows: Sequence[Any], size: int) -> Iterator[Sequence[Any]]:
    for start in range(0, len(rows), size):
        yield rows[start : start + size]


# --- registry --------------------------------------------------------------------------------------------------------


def register(kind: SheetKind) -> None:
    """Make a kind of sheet known; registering the same name again replaces it."""
    _kinds[kind.name] = kind


def register_sheets(module: str) -> None:
    """Make the `SHEETS` of a module known. For `AppConfig.ready()`; running it again does no harm."""
    for kind in import_module(module).SHEETS:
        register(kind)


def kind_named(name: str) -> SheetKind:
    try:
        return _kinds[name]
    except KeyError:
        raise DomainError(
            "import.unknown_sheet",
            _("There is no kind of sheet called '{name}'. Known are: {known}."),
            name=name,
            known=", ".join(each.name for each in kinds_in_order()),
        ) from None


def kinds_in_order() -> list[SheetKind]:
    """All kinds as registered, each after those it rests on."""
    done: dict[str, SheetKind] = {}

    def visit(kind: SheetKind, above: tuple[str, ...]) -> None:
        if kind.name in above:
            raise RuntimeError(f"Sheets rest on each other in a ring: {' -> '.join((*above, kind.name))}")
        for name in kind.after:
            if name in _kinds and name not in done:
                visit(_kinds[name], (*above, kind.name))
        done[kind.name] = kind

    for kind in _kinds.values():
        if kind.name not in done:
            visit(kind, ())
    return list(done.values())
