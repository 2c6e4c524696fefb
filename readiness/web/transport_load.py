"""One load: the question, and what an answer to it holds. The page, the API and the command show the same object.

`transport_load_plan` makes the answer, `transport_load_law` and `transport_load_words` tell it.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.utils.translation import gettext_lazy

from fleet.domain.dangerous_goods.whole_load import PointLine
from fleet.domain.placement import Piece, Placement
from fleet.domain.placement_rooms import Hold, HoldKind
from fleet.domain.placement_shapes import Supports
from fleet.domain.transport.answers import Carried
from fleet.models import Unit
from fleet.web.load_drawing import DrawnPiece
from readiness.web.transport import CARRIED_OUTCOME, CARRIED_WORDS

MOST_UNITS, MOST_KITS, MOST_PIECES = 12, 12, 30
HOLDS_NONE, HOLDS_LISTED, HOLDS_UNKNOWN = "none", "listed", ""
NO_LIST = gettext_lazy("Its goods stand on the list of a unit, and no unit is named.")
UNSAID = gettext_lazy("Nobody has said whether dangerous goods are on it.")


@dataclass(frozen=True)
class KitPallets:
    """Pallets of one kind [mm, kg]. `holds`: no dangerous goods, only goods that stand on the lists of these units, or
    nobody has said.
    """

    name: str
    length_mm: float
    width_mm: float
    height_mm: float
    mass_kg: float
    count: int = 1
    holds: str = HOLDS_UNKNOWN


@dataclass(frozen=True)
class LoadQuestion:
    """Units (design and home loaded) each in the packed form of the code beside it. `gap_mm` None: the owner's."""

    ship_date: dt.date
    conveyance: str
    units: tuple[tuple[Unit, str], ...] = ()
    kits: tuple[KitPallets, ...] = ()
    mission_days: int | None = None
    from_above: bool = False
    gap_mm: float | None = None
    supports: Supports | None = None
    floor_kg_m2: float | None = None


@dataclass(frozen=True)
class Stowed:
    """A piece that goes. Places are those of the corner nearest the far end and the left wall, on the real floor."""

    number: int
    name: str
    tag: str
    form: str
    x_mm: float
    y_mm: float
    along_mm: float
    across_mm: float
    height_mm: float
    mass_kg: float
    turned: bool
    word: str
    outcome: str
    why: tuple[str, ...]


@dataclass(frozen=True)
class Behind:
    """A piece that stays behind. `outcome` is fail, or cannot_decide where a fact is missing."""

    name: str
    tag: str
    form: str
    outcome: str
    word: str
    why: tuple[str, ...]


@dataclass(frozen=True)
class Limit:
    """One limit of the conveyance and what the load takes of it. None: not known, or no limit stated."""

    key: str
    label: str
    used: float | None
    limit: float | None
    spare: float | None
    unit: str
    outcome: str
    note: str = ""


@dataclass(frozen=True)
class PairWords:
    first: str
    second: str
    outcome: str
    sentence: str
    conditions: tuple[str, ...]
    source: str
    verify: bool


@dataclass(frozen=True)
class RulingWords:
    """The answer of load points or of materials of trade."""

    outcome: str
    sentence: str
    conditions: tuple[str, ...]
    missing: str
    source: str
    verify: bool


@dataclass(frozen=True)
class UnitLaw:
    name: str
    tag: str
    verdict: str
    outcome: str
    why: tuple[str, ...]


@dataclass(frozen=True)
class LoadLaw:
    """The law of what goes, in the mode of the conveyance."""

    title: str
    verdict: str
    outcome: str
    edition: str
    units: tuple[UnitLaw, ...]
    points: RulingWords | None
    points_total: float | None
    point_lines: tuple[PointLine, ...]
    trade: RulingWords | None
    pairs: tuple[PairWords, ...]
    pairs_free: int
    single_load_lost: tuple[str, ...]

    @property
    def counts_points(self) -> bool:
        return self.points is not None or bool(self.point_lines)

    @property
    def counted(self) -> list[PointLine]:
        return [line for line in self.point_lines if line.counted]

    @property
    def not_counted(self) -> str:
        """What is out of the count, each thing once, with how many units have it."""
        labels: dict[str, int] = {}
        for line in self.point_lines:
            if not line.counted:
                labels[line.label] = labels.get(line.label, 0) + 1
        return ", ".join(label if count == 1 else f"{label} (× {count})" for label, count in labels.items())


@dataclass(frozen=True)
class LoadPlan:
    """Everything a page says of one load."""

    question: LoadQuestion
    name: str
    hold: Hold
    gap_mm: float
    pieces: tuple[Piece, ...]
    placement: Placement
    stowed: tuple[Stowed, ...]
    behind: tuple[Behind, ...]
    limits: tuple[Limit, ...]
    law: LoadLaw | None
    carried: Carried
    cg_mm: float | None
    axles_kg: tuple[float, float] | None
    not_asked: str

    @property
    def word(self) -> str:
        return str(CARRIED_WORDS[self.carried])

    @property
    def outcome(self) -> str:
        return CARRIED_OUTCOME[self.carried]

    @property
    def from_the_front(self) -> bool:
        """Whether places along the floor are counted from its front; else from the far end of a box."""
        return self.hold.kind is not HoldKind.CONTAINER

    @property
    def drawn(self) -> list[DrawnPiece]:
        return [
            DrawnPiece(
                piece.number,
                piece.name,
                piece.x_mm,
                piece.y_mm,
                piece.along_mm,
                piece.across_mm,
                piece.height_mm,
                piece.turned,
                piece.outcome == "pass",
            )
            for piece in self.stowed
        ]
