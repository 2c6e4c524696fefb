"""A load drawn to scale on the server: from above and from the side, with walls, door, gaps and the centre of gravity.

One unit of the drawing is a thousandth of its width, so that the style sheet can keep words readable from a phone to paper.
Pieces carry numbers; the table beside the drawing says what they are.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

from fleet.domain.placement_rooms import Hold, HoldKind, Opening
from fleet.domain.placement_shapes import cg_window_mm
from fleet.lib.quantities import System

WIDTH, EDGE, BELOW = 1000.0, 12.0, 96.0
LEAST_TICK, AT_THE_END = 150.0, 50.0
FOOT_MM = 304.8
_ids = itertools.count(1)
SVG = '<svg xmlns="http://www.w3.org/2000/svg"'
# The classes are those of readiness/load.css.
PAPER_INK = (
    "text{font-size:21px;fill:#333}.plan__number{font-size:30px;font-weight:bold;fill:#000}"
    ".plan__floor{fill:none;stroke:#222;stroke-width:2.5}.plan__gap{fill:none;stroke:#888;stroke-dasharray:4 4}"
    ".plan__piece{fill:#f4f1ea;stroke:#222;stroke-width:1.5}"
    ".plan__piece--unsure{fill:#fff;stroke:#8a5a00;stroke-width:2.5;stroke-dasharray:9 5}"
    ".plan__front{stroke:#14505c;stroke-width:4}.plan__door{stroke:#fff;stroke-width:3;stroke-dasharray:9 7}"
    ".plan__opening{fill:none;stroke:#14505c;stroke-width:2;stroke-dasharray:9 7}"
    ".plan__window{fill:#14505c;opacity:.16}.plan__cg{fill:#fff;stroke:#222;stroke-width:2}.plan__cg-dark{fill:#222}"
    ".plan__axle{fill:#222}.plan__road,.plan__tick{stroke:#888;stroke-width:1.5}"
)


@dataclass(frozen=True)
class DrawnPiece:
    """A piece as it stands on the real floor [mm]; `sure` is false where its own answer is not decided."""

    number: int
    name: str
    x_mm: float
    y_mm: float
    along_mm: float
    across_mm: float
    height_mm: float
    turned: bool
    sure: bool


@dataclass(frozen=True)
class _Scale:
    hold: Hold

    @property
    def factor(self) -> float:
        return (WIDTH - 2 * EDGE) / self.hold.length_mm

    def x(self, mm: float) -> float:
        return EDGE + mm * self.factor

    def of(self, mm: float) -> float:
        return mm * self.factor


def plan_view(
    hold: Hold,
    pieces: Sequence[DrawnPiece],
    *,
    title: str,
    mass_kg: float,
    cg_mm: float | None,
    system: System = "si",
) -> SafeString:
    """From above, the far end (on a deck the front) at the left. `cg_mm` is measured from there on the real floor."""
    scale = _Scale(hold)
    deep = scale.of(hold.width_mm)
    parts = [
        _window(scale, mass_kg, EDGE, deep),
        _rect("plan__floor", scale.x(0), EDGE, scale.of(hold.length_mm), deep),
        _gap(scale, deep),
        *(_from_above(scale, piece) for piece in pieces),
        _door_above(scale, deep),
        _centre(scale, cg_mm, EDGE + deep / 2),
        _ticks(scale, EDGE + deep, system),
        _ends(scale, EDGE + deep + 78),
    ]
    said = _("Seen from above, to scale. %(pieces)s") % {"pieces": _spelt(pieces)}
    return _drawing(title, said, parts, EDGE + deep + BELOW)


def side_view(
    hold: Hold,
    pieces: Sequence[DrawnPiece],
    *,
    title: str,
    cg_mm: float | None,
    bears: tuple[str, str] | None = None,
    system: System = "si",
) -> SafeString:
    """From the side; `bears` are the words for what front and rear axles bear."""
    scale = _Scale(hold)
    floor = EDGE + scale.of(hold.height_mm)
    road = floor + scale.of(hold.floor_mm)
    parts = [
        _rect("plan__floor", scale.x(0), EDGE, scale.of(hold.length_mm), floor - EDGE),
        *(
            _from_the_side(scale, piece, floor)
            for piece in sorted(pieces, key=lambda piece: (piece.y_mm, piece.height_mm), reverse=True)
        ),
        _door_aside(scale, floor),
        _road(scale, floor, road, bears),
        _centre(scale, cg_mm, floor),
        _ticks(scale, road, system),
        _ends(scale, road + 78),
    ]
    said = _("Seen from the side, to scale; what stands behind something is covered by it.")
    return _drawing(title, said, parts, road + BELOW)


def on_paper(svg: SafeString) -> str:
    """The drawing as a document of its own, with ink for paper where no stylesheet reaches."""
    start = '<svg class="plan__svg"'
    head, found, rest = svg.partition(">")
    if not found or not head.startswith(start):
        raise ValueError("only a drawing of this module is put on paper")
    return f"{head.replace('<svg', SVG, 1)}><style>{PAPER_INK}</style>{rest}"


def _spelt(pieces: Sequence[DrawnPiece]) -> str:
    return "; ".join(f"{piece.number} {piece.name}" for piece in pieces)


def _drawing(title: str, said: str, parts: Sequence[SafeString], height: float) -> SafeString:
    n = next(_ids)
    return format_html(
        '<svg class="plan__svg" role="img" aria-labelledby="plan-{n}-title plan-{n}-desc" viewBox="0 0 {w} {h}">'
        '<title id="plan-{n}-title">{title}</title><desc id="plan-{n}-desc">{said}</desc>{inside}</svg>',
        n=n,
        w=f"{WIDTH:.0f}",
        h=f"{height:.1f}",
        title=title,
        said=said,
        inside=format_html_join("", "{}", ((part,) for part in parts)),
    )


def _rect(name: str, x: float, y: float, width: float, height: float) -> SafeString:
    return format_html(
        '<rect class="{}" x="{}" y="{}" width="{}" height="{}"/>',
        name,
        f"{x:.1f}",
        f"{y:.1f}",
        f"{max(width, 0.0):.1f}",
        f"{max(height, 0.0):.1f}",
    )


def _line(name: str, x1: float, y1: float, x2: float, y2: float) -> SafeString:
    return format_html(
        '<line class="{}" x1="{}" y1="{}" x2="{}" y2="{}"/>',
        name,
        f"{x1:.1f}",
        f"{y1:.1f}",
        f"{x2:.1f}",
        f"{y2:.1f}",
    )


def _text(name: str, x: float, y: float, words: str, anchor: str = "middle") -> SafeString:
    return format_html(
        '<text class="{}" x="{}" y="{}" text-anchor="{}">{}</text>',
        name,
        f"{x:.1f}",
        f"{y:.1f}",
        anchor,
        words,
    )


def _from_above(scale: _Scale, piece: DrawnPiece) -> SafeString:
    x, y = scale.x(piece.x_mm), EDGE + scale.of(piece.y_mm)
    along, across = scale.of(piece.along_mm), scale.of(piece.across_mm)
    name = "plan__piece" if piece.sure else "plan__piece plan__piece--unsure"
    front = (
        _line("plan__front", x + 4, y + across - 4, x + along - 4, y + across - 4)
        if piece.turned
        else _line("plan__front", x + 4, y + 4, x + 4, y + across - 4)
    )
    return format_html(
        "<g><title>{} {}</title>{}{}{}</g>",
        piece.number,
        piece.name,
        _rect(name, x, y, along, across),
        front,
        _number(piece, x + along / 2, y + across / 2),
    )


def _from_the_side(scale: _Scale, piece: DrawnPiece, floor: float) -> SafeString:
    x, high, along = scale.x(piece.x_mm), scale.of(piece.height_mm), scale.of(piece.along_mm)
    name = "plan__piece" if piece.sure else "plan__piece plan__piece--unsure"
    return format_html(
        "<g><title>{} {}</title>{}{}</g>",
        piece.number,
        piece.name,
        _rect(name, x, floor - high, along, high),
        _number(piece, x + along / 2, floor - high / 2),
    )


def _number(piece: DrawnPiece, x: float, y: float) -> SafeString:
    words = str(piece.number) if piece.sure else f"{piece.number} ?"
    return format_html(
        '<text class="plan__number" x="{}" y="{}" text-anchor="middle" dominant-baseline="central">{}</text>',
        f"{x:.1f}",
        f"{y:.1f}",
        words,
    )


def _window(scale: _Scale, mass_kg: float, top: float, deep: float) -> SafeString:
    """Where the centre of gravity may lie."""
    window = cg_window_mm(scale.hold.room, mass_kg)
    if window is None or window[0] > window[1]:
        return mark_safe("")
    low, high = (value + scale.hold.shift_along_mm for value in window)
    low, high = max(low, 0.0), min(high, scale.hold.length_mm)
    return _rect("plan__window", scale.x(low), top, scale.of(high - low), deep)


def _gap(scale: _Scale, deep: float) -> SafeString:
    """What is kept free at the walls."""
    hold = scale.hold
    along, across = hold.shift_along_mm + hold.room.gap_mm, hold.shift_across_mm + hold.room.gap_mm
    if along <= 0 and across <= 0:
        return mark_safe("")
    return _rect(
        "plan__gap",
        scale.x(along),
        EDGE + scale.of(across),
        scale.of(hold.length_mm - 2 * along),
        deep - 2 * scale.of(across),
    )


def _door_above(scale: _Scale, deep: float) -> SafeString:
    hold = scale.hold
    if hold.opening is Opening.END and hold.door_width_mm is not None:
        half = scale.of(min(hold.door_width_mm, hold.width_mm)) / 2
        x, middle = scale.x(hold.length_mm), EDGE + deep / 2
        return _line("plan__door", x, middle - half, x, middle + half)
    if hold.opening is Opening.SIDE and hold.door_width_mm is not None:
        # Where along the fuselage the door is, the tables do not say: drawn at the left of its middle.
        half = scale.of(min(hold.door_width_mm, hold.length_mm)) / 2
        middle = scale.x(hold.length_mm / 2)
        return _line("plan__door", middle - half, EDGE + deep, middle + half, EDGE + deep)
    if hold.opening is Opening.ABOVE:
        along, across = hold.room.door_length_mm, hold.room.door_width_mm
        return _rect(
            "plan__opening",
            scale.x((hold.length_mm - along) / 2),
            EDGE + scale.of((hold.width_mm - across) / 2),
            scale.of(along),
            scale.of(across),
        )
    return mark_safe("")


def _door_aside(scale: _Scale, floor: float) -> SafeString:
    hold = scale.hold
    if hold.door_height_mm is None:
        return mark_safe("")
    top = floor - scale.of(min(hold.door_height_mm, hold.height_mm))
    if hold.opening is Opening.END:
        x = scale.x(hold.length_mm)
        return _line("plan__door", x, floor, x, top)
    return _line("plan__opening", scale.x(0), top, scale.x(hold.length_mm), top)


def _centre(scale: _Scale, cg_mm: float | None, y: float) -> SafeString:
    if cg_mm is None:
        return mark_safe("")
    return format_html(
        '<g transform="translate({} {})"><title>{}</title><circle class="plan__cg" r="11"/>'
        '<path class="plan__cg-dark" d="M0 0V-11A11 11 0 0 1 11 0ZM0 0V11A11 11 0 0 1 -11 0Z"/></g>',
        f"{scale.x(cg_mm):.1f}",
        f"{y:.1f}",
        _("centre of gravity of the load"),
    )


def _road(scale: _Scale, floor: float, road: float, bears: tuple[str, str] | None) -> SafeString:
    parts = []
    if scale.hold.floor_mm > 0:
        parts.append(_line("plan__road", 0, road, WIDTH, road))
    supports = scale.hold.room.supports
    if supports is not None and bears is not None:
        for mm, words in ((supports.front_mm, bears[0]), (supports.rear_mm, bears[1])):
            x = scale.x(mm + scale.hold.shift_along_mm)
            parts.append(
                format_html(
                    '<path class="plan__axle" d="M{x} {y}l12 20h-24z"/>', x=f"{x:.1f}", y=f"{floor:.1f}"
                )
            )
            parts.append(_text("plan__words", min(max(x, 90.0), WIDTH - 90.0), road - 8, words))
    return format_html_join("", "{}", ((part,) for part in parts))


def _ticks(scale: _Scale, y: float, system: System) -> SafeString:
    """A rule along the floor, in metres or feet."""
    base = FOOT_MM if system == "us" else 1000.0
    unit = "ft" if system == "us" else "m"
    step = next(n for n in (1, 2, 5, 10, 20, 50) if scale.of(n * base) >= LEAST_TICK or n == 50)
    count = int(scale.hold.length_mm // base)
    parts = [
        _line("plan__tick", scale.x(n * base), y, scale.x(n * base), y + (12 if n % step == 0 else 6))
        for n in range(count + 1)
    ]
    parts += [
        _text("plan__words", min(scale.x(n * base), WIDTH), y + 44, f"{n} {unit}", _anchor(scale.x(n * base)))
        for n in range(0, count + 1, step)
    ]
    return format_html_join("", "{}", ((part,) for part in parts))


def _anchor(x: float) -> str:
    """Words at an end of the floor stay on the drawing."""
    return "start" if x <= EDGE else "end" if x > WIDTH - AT_THE_END else "middle"


def _ends(scale: _Scale, y: float) -> SafeString:
    hold = scale.hold
    front = _("front") if hold.kind in (HoldKind.DECK, HoldKind.AIRCRAFT) else _("far end")
    rear = _("door") if hold.opening is Opening.END else _("rear")
    return format_html(
        "{}{}",
        _text("plan__words", EDGE, y, f"← {front}", "start"),
        _text("plan__words", WIDTH - EDGE, y, f"{rear} →", "end"),
    )
