"""Finding the rows that other rows name: by the code people type, without case, for a whole sheet at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime
from difflib import get_close_matches
from typing import Any

from django.utils.translation import gettext_noop as _

from fleet.lib.errors import DomainError
from fleet.models import BankStay, BatteryBank, Deployment, Design, PackedForm, Place, Unit, User
from fleet.permissions import Rights
from fleet.services.imports.kinds import Ref, chunks

Index = dict[str, Any]  # folded word -> primary key, or None when it means more than one row
Words = Iterable[tuple[str, Any]]

NOUNS = {
    "places": _("place"),
    "designs": _("design"),
    "packed_forms": _("packed form"),
    "units": _("unit"),
    "banks": _("battery bank"),
    "items": _("item"),
    "lots": _("lot"),
    "deployments": _("deployment"),
    "inspection_types": _("inspection"),
    "funding": _("funding source"),
    "goods_lines": _("line of the list of goods"),
}


@dataclass(frozen=True)
class Source:
    """Where references of one kind are found: `words` lists every word with its key, best first; `fetch` loads some."""

    words: Callable[[], list[Words]]
    fetch: Callable[[list[Any]], dict[Any, Ref]]


_sources: dict[str, Source] = {}


def source(name: str, words: Callable[[], list[Words]], fetch: Callable[[list[Any]], dict[Any, Ref]]) -> None:
    """Make a kind of reference known."""
    _sources[name] = Source(words, fetch)


def fold_word(text: str) -> str:
    return " ".join(text.split()).casefold()


@dataclass
class Lookups:
    """What one pass over a file knows: rows on file, rows that the same file adds, who asks, and when."""

    now: datetime
    actor: User | None = None
    rights: Rights | None = None
    run_id: int | None = None
    memory: dict[str, Any] = field(default_factory=lambda: defaultdict(dict))
    _index: dict[str, Index] = field(default_factory=dict)
    _loaded: dict[str, dict[Any, Ref]] = field(default_factory=lambda: defaultdict(dict))
    _pending: dict[str, dict[str, Ref]] = field(default_factory=lambda: defaultdict(dict))
    _faulty: dict[str, dict[str, str]] = field(default_factory=lambda: defaultdict(dict))

    def load(self, name: str, words: Iterable[str]) -> None:
        """Load the rows that these words mean, in few queries."""
        index = self._words(name)
        loaded = self._loaded[name]
        keys = {index.get(fold_word(word)) for word in words}
        missing = sorted(key for key in keys if key is not None and key not in loaded)
        for some in chunks(missing, 500):
            loaded.update(_sources[name].fetch(list(some)))

    def get(self, name: str, word: str) -> Ref:
        """The row a word means; one that this file adds counts too. Raises DomainError that offers what is near."""
        folded = fold_word(word)
        pending = self._pending[name].get(folded)
        if pending is not None:
            return pending
        index = self._words(name)
        key = index.get(folded)
        if key is not None:
            if key not in self._loaded[name]:
                self._loaded[name].update(_sources[name].fetch([key]))
            return self._loaded[name][key]
        if folded in index:
            raise DomainError(
                "reference.ambiguous",
                _("'{word}' means more than one {noun}."),
                word=word,
                noun=NOUNS.get(name, name),
                mend="Use the code or the serial number instead.",
            )
        if folded in self._faulty[name]:
            raise DomainError(
                "reference.faulty",
                _("The {noun} '{word}' is in this file, but its own row has a fault ({where})."),
                noun=NOUNS.get(name, name),
                word=word,
                where=self._faulty[name][folded],
                mend="Mend that row first.",
            )
        raise self._unknown(name, word, folded)

    def _unknown(self, name: str, word: str, folded: str) -> DomainError:
        known = [*self._pending[name], *self._words(name)]
        near = get_close_matches(folded, known, n=3, cutoff=0.75) if len(known) <= 20_000 else []
        sheet = f"sheet '{name.replace('_', ' ')}'"
        mend = f"Did you mean {' or '.join(each.upper() for each in near)}? " if near else ""
        return DomainError(
            "reference.unknown",
            _("There is no {noun} '{word}'."),
            noun=NOUNS.get(name, name),
            word=word,
            mend=f"{mend}Mend it, or add it in {sheet} first.",
        )

    def add_pending(self, name: str, words: Iterable[str], ref: Ref) -> None:
        """A row that this file adds and later sheets may name."""
        for word in words:
            if word:
                self._pending[name][fold_word(word)] = ref

    def add_faulty(self, name: str, word: str, where: str) -> None:
        """A row that this file would add if it had no fault."""
        self._faulty[name].setdefault(fold_word(word), where)

    def forget(self, *names: str) -> None:
        """Read these anew the next time: rows were written."""
        for name in names or list(_sources):
            self._index.pop(name, None)
            self._loaded.pop(name, None)
            self._pending.pop(name, None)

    def _words(self, name: str) -> Index:
        if name not in self._index:
            index: Index = {}
            for words in _sources[name].words():
                found: Index = {}
                for word, key in words:
                    folded = fold_word(word or "")
                    if folded:
                        found[folded] = key if found.get(folded, key) == key else None
                for folded, key in found.items():
                    index.setdefault(folded, key)
            self._index[name] = index
        return self._index[name]


def _places(keys: list[Any]) -> dict[Any, Ref]:
    return {place.pk: Ref(place, place.code, place) for place in Place.objects.filter(pk__in=keys)}


def _designs(keys: list[Any]) -> dict[Any, Ref]:
    return {design.pk: Ref(design, design.code) for design in Design.objects.filter(pk__in=keys)}


def _forms(keys: list[Any]) -> dict[Any, Ref]:
    forms = PackedForm.objects.select_related("design").filter(pk__in=keys)
    return {form.pk: Ref(form, f"{form.design.code} {form.code}") for form in forms}


def _units(keys: list[Any]) -> dict[Any, Ref]:
    units = Unit.objects.select_related("home", "design").filter(pk__in=keys)
    return {unit.pk: Ref(unit, unit.tag, unit.home, unit.commissioned_on, unit) for unit in units}


def _banks(keys: list[Any]) -> dict[Any, Ref]:
    stays: dict[Any, list[BankStay]] = defaultdict(list)
    for stay in (
        BankStay.objects.filter(bank__in=keys).select_related("unit__home", "place").order_by("started_at")
    ):
        stays[stay.bank_id].append(stay)
    return {bank.pk: bank_ref(bank, stays[bank.pk]) for bank in BatteryBank.objects.filter(pk__in=keys)}


def bank_ref(bank: BatteryBank, stays: list[BankStay]) -> Ref:
    """A bank belongs to the depot of the unit it sits in; it exists since it was made, else since that unit."""
    here = stays[-1] if stays else None
    home = (here.unit.home if here.unit else here.place) if here else None
    since = bank.made_on
    if since is None and here is not None and here.unit is not None and len(stays) == 1:
        since = here.unit.commissioned_on
    return Ref(bank, bank.serial, home, since, here.unit if here else None)


def _bank_words() -> list[Words]:
    serials = BatteryBank.objects.values_list("serial", "pk").iterator()
    # People name a bank by the unit it sits in: good as long as the unit has one.
    tags = (
        BankStay.objects.current().filter(unit__isnull=False).values_list("unit__tag", "bank_id").iterator()
    )
    return [serials, tags]


def _deployments(keys: list[Any]) -> dict[Any, Ref]:
    rows = Deployment.objects.select_related("unit__home", "unit__design", "absence", "site").filter(
        pk__in=keys
    )
    return {row.pk: Ref(row, row.code, row.unit.home, row.unit.commissioned_on, row.unit) for row in rows}


def _form_words() -> list[Words]:
    rows = PackedForm.objects.values_list("design__code", "code", "pk")
    return [((f"{design} {code}", pk) for design, code, pk in rows)]


source(
    "places",
    lambda: [
        Place.objects.values_list("code", "pk").iterator(),
        Place.objects.values_list("name", "pk").iterator(),
    ],
    _places,
)
source(
    "designs",
    lambda: [
        Design.objects.values_list("code", "pk").iterator(),
        Design.objects.values_list("name", "pk").iterator(),
    ],
    _designs,
)
source("packed_forms", _form_words, _forms)
source("units", lambda: [Unit.objects.values_list("tag", "pk").iterator()], _units)
source("banks", _bank_words, _banks)
source("deployments", lambda: [Deployment.objects.values_list("code", "pk").iterator()], _deployments)
