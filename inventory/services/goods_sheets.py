"""Sheets of dangerous goods: what items are, what else is aboard a unit, the dated looks at it, and the word on the list."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext_noop as _

from fleet.domain.dangerous_goods.as_text import facts_asked, facts_from_text
from fleet.domain.intake import ColumnSpec, SheetSpec
from fleet.lib.errors import DomainError
from fleet.models import BankStay
from fleet.selectors.editions import goods_in_force
from fleet.services.imports.kinds import (
    Key,
    Planned,
    Problem,
    Ref,
    SheetKind,
    Values,
    chunks,
    column,
    part,
    through,
)
from fleet.services.imports.office_sheets import key_column
from fleet.services.imports.references import Lookups, source
from fleet.services.imports.unit_sheets import UNIT_COLUMN, birth
from fleet.services.records import check_finite, check_moment
from inventory.models import GoodsCheck, GoodsKind, GoodsLine, GoodsListCheck, ItemGoods
from inventory.selectors.goods import goods_keys_of
from inventory.services.fitted_sheet import ITEM_COLUMN
from inventory.services.goods import (
    check_goods_check,
    check_goods_line,
    kept_facts,
    units_with_items,
)

KIND_WORDS: dict[str, tuple[str, ...]] = {
    GoodsKind.NONE: ("not dangerous goods", "none", "no dangerous goods"),
    GoodsKind.BATTERY: ("battery",),
    GoodsKind.LAMP: ("lamp with mercury", "lamp", "UV lamp"),
    GoodsKind.CARBON: ("activated carbon", "carbon"),
    GoodsKind.NADCC: ("chlorine tablets", "nadcc", "chlorine tablets (dichloroisocyanurate)"),
    GoodsKind.ENGINE: ("engine or fuelled machine", "engine"),
    GoodsKind.GOODS: ("other goods with a UN number", "goods", "other goods"),
}
ASKED = " ".join(f"{kind}: {facts_asked(kind)}." for kind in KIND_WORDS if kind != GoodsKind.NONE)


def facts_column(model: Any, example: str) -> ColumnSpec:
    return column(
        model,
        "attributes",
        kind="text",
        label="Facts",
        aliases=("facts", "attributes", "properties"),
        help=f"name=value; name=value. What is left out is not known. {ASKED}",
        example=example,
    )


def kind_column(model: Any, label: str, example: str, *without: str) -> ColumnSpec:
    words = {str(kind): each for kind, each in KIND_WORDS.items() if kind not in without}
    return column(
        model,
        "kind",
        label=label,
        required=True,
        aliases=("kind", "kind of goods", "type"),
        choices=words,
        example=example,
    )


class FactsSheet(SheetKind):
    """Rows that hold facts of goods, told in one cell."""

    def wanted(self, name: str, value: Any) -> Any:
        return (value or {}) if name == "attributes" else super().wanted(name, value)

    def derive(self, lookups: Lookups, values: Values) -> Iterator[Problem]:
        if isinstance(values.get("attributes"), str):
            try:
                values["attributes"] = facts_from_text(values["attributes"])
            except DomainError as error:
                yield "attributes", error

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        lookups.memory["held_un"] = goods_in_force()
        lookups.memory["facts_there"] = {obj.pk: obj.attributes for obj in found.values()}

    def as_kept(self, lookups: Lookups, row: Planned) -> bool:
        """After the facts are as they are kept (UN 2880 is 2880): whether the row is left as it is."""
        row.changes.pop("attributes", None)
        if row.action == "changed":
            there = lookups.memory["facts_there"][row.obj.pk]
            if there != row.obj.attributes:
                row.changes["attributes"] = (there, row.obj.attributes)
            if not row.changes:
                row.action = "left"
        return row.action == "left"


def _about(error: DomainError) -> str:
    """The column that a rule of goods is about."""
    return {"goods.line_of_none": "kind", "goods.no_label": "label"}.get(error.key, "attributes")


class ItemGoodsSheet(FactsSheet):
    model = ItemGoods
    exports = True
    after = ("items",)
    spec = SheetSpec(
        name="item_goods",
        label="Items in transport",
        aliases=("item goods", "goods of items", "dangerous goods of items"),
        key=("item",),
        columns=(
            ITEM_COLUMN,
            kind_column(ItemGoods, "It is", "not dangerous goods"),
            facts_column(ItemGoods, ""),
            column(
                ItemGoods,
                "removable",
                label="Can be sent apart or bought there",
                aliases=("removable", "can be sent apart"),
                example="yes",
            ),
            column(
                ItemGoods,
                "source",
                label="Where this is written",
                aliases=("source", "safety sheet"),
                example="safety sheet of 2025-11",
            ),
        ),
        help="What an item of the stores is to the transport rules. An item without a row: nobody has said, so a unit that "
        "carries it cannot be decided.",
    )  # fmt: skip

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        goods: ItemGoods = row.obj
        try:
            goods.attributes = kept_facts(goods.kind, goods.attributes, lookups.memory["held_un"])
        except DomainError as error:
            yield _about(error), error
            return
        if self.as_kept(lookups, row):
            return
        yield from super().check(lookups, row)

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return units_with_items(list(ItemGoods.objects.filter(pk__in=pks).values_list("item_id", flat=True)))


class GoodsLineSheet(FactsSheet):
    model = GoodsLine
    exports = True
    after = ("units",)
    spec = SheetSpec(
        name="goods_lines",
        label="Other goods aboard",
        aliases=("goods lines", "goods aboard", "dangerous goods aboard", "list of goods"),
        key=("unit", "label", "happened_at"),
        zone_column="unit",
        columns=(
            UNIT_COLUMN,
            column(
                GoodsLine,
                "label",
                label="What it is",
                aliases=("label", "thing", "what"),
                example="satellite phone",
            ),
            column(
                GoodsLine,
                "happened_at",
                label="Aboard since, or seen at",
                aliases=("aboard since", "seen at", "date", "since"),
                example="2026-05-04",
            ),
            kind_column(GoodsLine, "Kind", "battery", GoodsKind.NONE),
            facts_column(GoodsLine, "chemistry=li_ion; form=battery; wh=12.5; config=packed_with"),
            column(GoodsLine, "pieces", label="How many", aliases=("pieces", "count"), minimum=1, example="2"),
            column(
                GoodsLine,
                "mass_kg",
                label="Mass of all together",
                aliases=("mass", "weight"),
                minimum=0.001,
                maximum=30_000,
                example="0.9 kg",
            ),
            column(
                GoodsLine,
                "removable",
                label="Can be sent apart or bought there",
                aliases=("removable", "can be sent apart"),
                example="yes",
            ),
            column(
                GoodsLine, "source", label="Where this is written", aliases=("source",), example="label on it"
            ),
        ),
        help="Things aboard that neither the banks nor the stores tell: a phone, an extinguisher, an engine, a jerrycan. "
        "What goes stale, such as a drained tank, is a look of its own with its date.",
    )  # fmt: skip

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        try:
            check_goods_line(row.obj, lookups.memory["held_un"])
        except DomainError as error:
            yield _about(error), error
            return
        if self.as_kept(lookups, row):
            return
        yield from super().check(lookups, row)
        yield from _moment(lookups, row)

    def ref(self, row: Planned) -> tuple[Sequence[str], Ref]:
        unit = row.values["unit"]
        label = f"{unit.label} {row.obj.label}"
        return [label], Ref(row.obj, label, unit.home, unit.since, unit.obj)

    def words_of(self, values: Values) -> list[str]:
        unit, label = values.get("unit"), values.get("label")
        return [f"{unit} {label}"] if isinstance(unit, str) and isinstance(label, str) else []

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return set(GoodsLine.objects.filter(pk__in=pks).values_list("unit_id", flat=True))


def _moment(lookups: Lookups, row: Planned) -> Iterator[Problem]:
    try:
        check_finite(row.obj)
        check_moment(row.obj.happened_at, now=lookups.now, birth=birth(row.values["unit"]))
    except DomainError as error:
        yield "happened_at", error


ANSWER_WORDS: dict[str, tuple[str, ...]] = {
    str(answer.value): (str(answer.label), str(answer.value)) for answer in GoodsCheck.Answer
}


class GoodsCheckSheet(SheetKind):
    model = GoodsCheck
    exports = True
    after = ("units", "banks", "goods_lines")
    spec = SheetSpec(
        name="goods_checks",
        label="Looks at goods",
        aliases=("goods checks", "checks of goods", "battery checks", "tank checks"),
        key=("unit", "bank", "line", "kind", "happened_at"),
        optional_key=frozenset({"bank", "line"}),
        zone_column="unit",
        columns=(
            UNIT_COLUMN,
            key_column(
                "bank", "Battery bank", "banks", aliases=("bank", "battery", "bank serial"), example="BK-0014"
            ),
            key_column(
                "line",
                "Other goods",
                "goods_lines",
                aliases=("line", "thing", "what it is"),
                help="As it stands in the sheet of other goods aboard; empty for a battery bank.",
            ),
            column(
                GoodsCheck,
                "kind",
                label="Looked at",
                aliases=("kind", "check", "what was looked at"),
                choices={
                    "condition": ("condition of the battery", "condition"),
                    "terminals": ("terminals covered", "terminals"),
                    "upright": ("fixed so that it can only stay upright", "upright"),
                    "ticks_adr": ("conditions of ADR SP 598 ticked off", "ADR SP 598"),
                    "ticks_us": ("conditions of 49 CFR 173.159(e) ticked off", "49 CFR 173.159(e)"),
                    "tank": ("state of the fuel tank", "tank", "fuel tank"),
                    "charge": ("charge of the battery", "charge"),
                },
                example="terminals covered",
            ),
            column(
                GoodsCheck,
                "happened_at",
                label="Looked at on",
                aliases=("date", "when", "seen at"),
                example="2026-06-02",
            ),
            column(
                GoodsCheck,
                "answer",
                label="Found",
                required=True,
                aliases=("answer", "result"),
                choices=ANSWER_WORDS,
                example="yes",
            ),
            column(
                GoodsCheck,
                "fill_pct",
                kind="number",
                unit="",
                label="Tank filled to, %",
                aliases=("tank filled to", "fill"),
            ),
            column(GoodsCheck, "fuel_l", label="Fuel in it", aliases=("fuel",), maximum=5000),
            column(
                GoodsCheck,
                "soc_pct",
                kind="number",
                unit="",
                label="Charged to, %",
                aliases=("charged to", "charge"),
                help="Of the rated capacity, for a look at the charge of other goods; of a bank it is a reading.",
            ),
            column(GoodsCheck, "note", label="Note", aliases=("remarks", "notes")),
        ),
        help="What somebody looked at, on a battery bank or on other goods aboard, and what was found. It counts for the "
        "days of the transport terms.",
    )  # fmt: skip

    def word(self, lookups: Lookups, name: str, word: str, values: Values) -> str:
        unit = values.get("unit")
        return f"{unit.label} {word}" if name == "line" and isinstance(unit, Ref) else word

    def derive(self, lookups: Lookups, values: Values) -> Iterator[Problem]:
        if isinstance(values.get("bank"), Ref) == isinstance(values.get("line"), Ref):
            yield (
                "bank",
                DomainError(
                    "goods.one_subject",
                    _("A look is about one battery bank or about one line of the list."),
                    mend="Name the bank or the other goods; not both.",
                ),
            )

    def key_of(self, obj: Any) -> Key:
        return (
            ("pk", obj.unit_id),
            ("pk", obj.bank_id) if obj.bank_id else "",
            ("pk", obj.line_id) if obj.line_id else "",
            obj.kind,
            part(obj.happened_at),
        )

    def narrowed(self, rows: Sequence[Values]) -> Any:
        units = {values["unit"].obj.pk for values in rows} - {None}
        moments = [values["happened_at"] for values in rows]
        return self.on_file().filter(unit__in=units, happened_at__range=(min(moments), through(max(moments))))

    def to_export(self) -> Any:
        """Without looks at lines that do not count any more: no sheet can name those."""
        looks = self.on_file().filter(Q(line__isnull=True) | Q(line__in=GoodsLine.objects.counting()))
        return looks.select_related("unit", "bank", "line").order_by("pk")

    def make(self, lookups: Lookups, values: Values) -> Any:
        return super().make(lookups, {name: value for name, value in values.items() if value != ""})

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        stays: dict[Any, list[BankStay]] = defaultdict(list)
        banks = {values["bank"].obj.pk for values in rows if isinstance(values.get("bank"), Ref)} - {None}
        for some in chunks(sorted(banks), 500):
            for stay in BankStay.objects.filter(bank__in=some, unit__isnull=False):
                stays[(stay.bank_id, stay.unit_id)].append(stay)
        lookups.memory["bank_in_unit"] = stays

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        yield from super().check(lookups, row)
        yield from _moment(lookups, row)
        look: GoodsCheck = row.obj
        if look.answer not in GoodsCheck.ANSWERS_OF[look.kind]:
            words = ", ".join(ANSWER_WORDS[answer][0] for answer in GoodsCheck.ANSWERS_OF[look.kind])
            yield (
                "answer",
                DomainError(
                    "goods.no_answer", _("That is no answer to this check."), mend=f"Write one of: {words}."
                ),
            )
        for name in ("fill_pct", "fuel_l"):
            if getattr(look, name) is not None and look.kind != GoodsCheck.Kind.TANK:
                yield name, DomainError("goods.no_tank", _("That belongs to the look at a fuel tank."))
        try:
            check_goods_check(look, bank_was_there=self._was_there(lookups, row))
        except DomainError as error:
            at = {"goods.check_does_not_fit": "kind", "goods.charge_not_said": "soc_pct"}
            yield at.get(error.key, "bank" if look.bank is not None else "line"), error

    def _was_there(self, lookups: Lookups, row: Planned) -> bool:
        bank, unit = row.values.get("bank"), row.values["unit"]
        if not isinstance(bank, Ref):
            return False
        if bank.obj.pk is None:
            return bank.unit is unit.obj
        at: datetime = row.obj.happened_at
        stays = lookups.memory["bank_in_unit"].get((bank.obj.pk, unit.obj.pk), ())
        return any(stay.started_at <= at and (stay.ended_at is None or stay.ended_at > at) for stay in stays)

    def label(self, values: Values) -> str:
        about = values["bank"] if isinstance(values["bank"], Ref) else values["line"]
        name = about.label if isinstance(about, Ref) else ""
        return (
            f"{values['unit'].label} / {name} / {values['kind']} / {values['happened_at']:%Y-%m-%d %H:%M} UTC"
        )

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return set(GoodsCheck.objects.filter(pk__in=pks).values_list("unit_id", flat=True))


# What these bring decides what stands on a list; while the same file brings some, a list is judged when it is written.
BRING_GOODS = frozenset(
    {"units", "banks", "items", "item_goods", "design_items", "lots", "stock_counts", "fitted_parts", "goods_lines"}
)  # fmt: skip


class GoodsListSheet(SheetKind):
    """The word that a list is complete names what stands on it, and is taken only while that is what stands there."""

    model = GoodsListCheck
    exports = True
    after = ("units", "banks", "design_items", "item_goods", "stock_counts", "fitted_parts", "goods_lines")
    spec = SheetSpec(
        name="goods_lists",
        label="Lists of goods complete",
        aliases=("goods lists", "list of goods complete", "goods list checks"),
        key=("unit", "happened_at"),
        zone_column="unit",
        columns=(
            UNIT_COLUMN,
            column(
                GoodsListCheck,
                "happened_at",
                label="Looked through at",
                aliases=("date", "when", "confirmed at", "looked through"),
                example="2026-06-02",
            ),
            column(
                GoodsListCheck,
                "keys",
                kind="text",
                label="All that is aboard",
                required=True,
                aliases=("keys", "lines", "goods", "all goods"),
                help="Every line, parted by semicolons: bank:SERIAL; item:CODE; line:WHAT IT IS. It must be what stands on "
                "the list now.",
                example="bank:BK-0014; line:satellite phone",
            ),
            column(GoodsListCheck, "note", label="Note", aliases=("remarks", "notes")),
        ),
        help="Somebody looked through the unit and says: these are all the dangerous goods aboard.",
    )  # fmt: skip

    def derive(self, lookups: Lookups, values: Values) -> Iterator[Problem]:
        text = values.get("keys")
        if not isinstance(text, str):
            return
        told = []
        for each in filter(None, (piece.strip() for piece in text.split(";"))):
            kind, mark, name = (piece.strip() for piece in each.partition(":"))
            if kind.casefold() not in ("bank", "item", "line") or not mark or not name:
                yield (
                    "keys",
                    DomainError(
                        "goods.key_unreadable",
                        _("'{part}' is no line of a list."),
                        part=each,
                        mend="Write bank:SERIAL, item:CODE or line:WHAT IT IS, parted by semicolons.",
                    ),
                )
                return
            told.append(f"{kind.casefold()}:{name}")
        values["keys"] = sorted(told, key=str.casefold)

    def find(self, lookups: Lookups, rows: Sequence[Values]) -> dict[Key, Any]:
        found = super().find(lookups, rows)
        lookups.memory["keys_there"] = {obj.pk: obj.keys for obj in found.values()}
        labels = labels_of({key for obj in found.values() for key in obj.keys})
        for obj in found.values():
            obj.told = told_keys(obj.keys, labels)
        return found

    def to_export(self) -> Any:
        """The latest word on each unit, with the lines by what they are called."""
        latest = {
            word.unit_id: word for word in self.on_file().select_related("unit").order_by("happened_at", "pk")
        }
        labels = labels_of({key for word in latest.values() for key in word.keys})
        for word in latest.values():
            word.told = told_keys(word.keys, labels)
        return list(latest.values())

    def told(self, obj: Any, name: str) -> Any:
        return "; ".join(obj.told) if name == "keys" else super().told(obj, name)

    def current(self, obj: Any, name: str) -> Any:
        return obj.told if name == "keys" else super().current(obj, name)

    def wanted(self, name: str, value: Any) -> Any:
        return value if name == "keys" else super().wanted(name, value)

    def can_clear(self, name: str) -> bool:
        return name != "keys" and super().can_clear(name)

    def prepare(self, lookups: Lookups, rows: Sequence[Values], found: Mapping[Key, Any]) -> None:
        keys: dict[Any, list[str]] = {}
        units = {values["unit"].obj.pk: values["unit"].obj for values in rows}
        units.pop(None, None)
        for some in chunks(list(units.values()), 500):
            keys |= goods_keys_of(list(some), now=lookups.now)
        lookups.memory["goods_keys"] = keys
        lookups.memory["line_labels"] = labels_of({key for each in keys.values() for key in each})

    def check(self, lookups: Lookups, row: Planned) -> Iterator[Problem]:
        if "keys" in row.changes and _folded(row.changes["keys"][0]) == _folded(row.changes["keys"][1]):
            row.changes.pop("keys")
            row.obj.keys = lookups.memory["keys_there"][row.obj.pk]
        if row.action == "changed" and not row.changes:
            row.action = "left"
            return
        yield from super().check(lookups, row)
        yield from _moment(lookups, row)
        if row.action == "changed" and "keys" not in row.changes:
            return
        there = lookups.memory["goods_keys"].get(row.obj.unit_id, [])
        labels = lookups.memory["line_labels"]
        told, shown = _folded(row.values["keys"]), _folded(told_keys(there, labels))
        if told != shown and not BRING_GOODS & set(lookups.memory["brought"]):
            names = {each.casefold(): each for each in (*told_keys(there, labels), *row.values["keys"])}
            came = (f"+ {names[each]}" for each in sorted((shown - told).elements()))
            gone = (f"- {names[each]}" for each in sorted((told - shown).elements()))
            yield (
                "keys",
                DomainError(
                    "goods.list_changed",
                    _("These are not the goods that stand on the list now ({what})."),
                    what=", ".join([*came, *gone]),
                    mend="Look through the unit again. + is missing in the file, - does not stand on the list.",
                ),
            )
        row.obj.keys = there
        if "keys" in row.changes:
            row.changes["keys"] = (lookups.memory["keys_there"][row.obj.pk], there)

    def unit_ids(self, pks: Collection[int]) -> set[int]:
        return set(GoodsListCheck.objects.filter(pk__in=pks).values_list("unit_id", flat=True))


def labels_of(keys: Collection[str]) -> dict[str, str]:
    """What the lines among some keys are called, by key; a line that was taken off keeps its name."""
    pks = [int(key.partition(":")[2]) for key in keys if key.startswith("line:")]
    found: dict[str, str] = {}
    for some in chunks(sorted(pks), 500):
        lines = GoodsLine.objects.filter(pk__in=some)
        found |= {f"line:{pk}": f"line:{label}" for pk, label in lines.values_list("pk", "label")}
    return found


def told_keys(keys: Collection[str], labels: Mapping[str, str]) -> list[str]:
    """Keys as a sheet tells them: a line by what it is called."""
    return sorted((labels.get(key, key) for key in keys), key=str.casefold)


def _folded(keys: Collection[str]) -> Counter[str]:
    return Counter(key.casefold() for key in keys)


def _line_words() -> list[Any]:
    rows = GoodsLine.objects.counting().values_list("unit__tag", "label", "pk")
    return [((f"{tag} {label}", pk) for tag, label, pk in rows.iterator())]


def _lines(keys: list[Any]) -> dict[Any, Ref]:
    lines = GoodsLine.objects.select_related("unit__home").filter(pk__in=keys)
    return {
        line.pk: Ref(
            line, f"{line.unit.tag} {line.label}", line.unit.home, line.unit.commissioned_on, line.unit
        )
        for line in lines
    }


source("goods_lines", _line_words, _lines)
