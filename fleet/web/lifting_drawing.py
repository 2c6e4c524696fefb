"""The lifting diagram of a packed form, drawn to scale from its data: from the side, from above, the fork pockets.

Only what is known is drawn: a measure that is missing is named, and what rests on it is left out. The stylesheet gives the
ink on a page; `standalone` carries its own for paper. Angles are rounded down, pulls up, ratings down.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.domain.fit.checks import TOLERANCE
from fleet.domain.fit.sling import CONE_SLOPE, LEAST_ANGLE_DEG
from fleet.domain.transport.measures import Measures, hang_of
from fleet.domain.transport.slinging import CENTRE, LEGS, POINTS, SIZE, Leg, Sling, lacking, sling_of
from fleet.lib.quantities import System, format_quantity
from fleet.web.limits import limit_words, need_words, spare_words

MEASURE_LABELS = {
    "length_mm": gettext_lazy("length"),
    "width_mm": gettext_lazy("width"),
    "height_mm": gettext_lazy("height"),
    "cog_x_mm": gettext_lazy("centre of gravity from the front"),
    "cog_y_mm": gettext_lazy("centre of gravity from the left"),
    "cog_z_mm": gettext_lazy("centre of gravity above the base"),
    "point_front_mm": gettext_lazy("front lifting points from the front"),
    "point_left_mm": gettext_lazy("left lifting points from the left"),
    "point_length_mm": gettext_lazy("lifting points apart along"),
    "point_width_mm": gettext_lazy("lifting points apart across"),
    "point_height_mm": gettext_lazy("lifting points above the base"),
    "lifting_points": gettext_lazy("number of lifting points"),
    "lifting_points_kg": gettext_lazy("rated mass of each lifting point"),
    "mass": gettext_lazy("packed mass"),
    "sling": gettext_lazy("length of the sling legs"),
}
CORNER_WORDS = {
    "front_left": gettext_lazy("front left"),
    "front_right": gettext_lazy("front right"),
    "rear_left": gettext_lazy("rear left"),
    "rear_right": gettext_lazy("rear right"),
}
HANGS_LEVEL = gettext_lazy(
    "Hangs level under a hook above its centre of gravity; the leg to the farthest point has the length asked for, "
    "the others are shortened to suit. Equal legs would tilt it."
)
MOST_PULL = gettext_lazy(
    "The pull of a leg is the most that any way of sharing gives: two legs may carry all, and the one nearest to the "
    "centre of gravity more than half. Statics; MIL-STD-209K 5.1.2."
)
POCKETS = gettext_lazy(
    "Two pockets %(w)s wide, %(s)s apart centre to centre. Their height and their place along the unit are not on "
    "record."
)
PLOT_W, PLOT_H, PLAN_H = 232.0, 330.0, 240.0
LEFT, RIGHT, TOP, BOTTOM = 58.0, 58.0, 26.0, 48.0
WHOLE_W = LEFT + PLOT_W + RIGHT
_ids = itertools.count(1)
Place = Callable[[float], float]

# Ink for paper, where no stylesheet reaches; the classes are those of site/components/charts.css.
PAPER_INK = (
    ".lift__body{fill:#f4f1ea;stroke:#222;stroke-width:1.4}.lift__leg{stroke:#14505c;stroke-width:1.8}"
    ".lift__plumb{stroke:#222;stroke-width:.8;stroke-dasharray:2 3}.lift__dim{stroke:#666;stroke-width:.7}"
    ".lift__point{fill:#fff;stroke:#14505c;stroke-width:1.8}.lift__cog{fill:#fff;stroke:#222;stroke-width:1.2}"
    ".lift__cog-dark{fill:#222}.lift__hook{fill:none;stroke:#222;stroke-width:1.8}"
    ".lift__pocket{fill:#222}text{font-size:14px;fill:#333}.lift__strong{font-weight:bold;fill:#000}"
)


@dataclass(frozen=True)
class View:
    """One view as SVG: `svg` for a page, `standalone` for a document of its own; `title` and `description` in words."""

    title: str
    description: str
    svg: SafeString
    standalone: str


@dataclass(frozen=True)
class LegRow:
    """One leg in words. `failing`: its point is too weak for it."""

    name: str
    cells: tuple[str, ...]
    failing: bool
    columns: tuple[str, ...] = ()

    @property
    def labelled(self) -> list[tuple[str, str]]:
        return list(zip(self.columns, self.cells, strict=True))


@dataclass(frozen=True)
class LiftingDrawing:
    """The diagram. `missing`: measures without which something is not drawn; `notes`: what else stands in the way."""

    title: str
    views: tuple[View, ...] = ()
    columns: tuple[str, ...] = ()
    rows: tuple[LegRow, ...] = ()
    facts: tuple[tuple[str, str], ...] = ()
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    basis: tuple[str, ...] = ()
    hardest: LegRow | None = None  # the leg that pulls most


def lifting_drawing(
    measures: Measures,
    mass_kg: float | None,
    leg_mm: float | None,
    *,
    leg_wll_kg: float | None = None,
    name: str = "",
    system: System = "si",
) -> LiftingDrawing:
    """The diagram of one form of `mass_kg` on legs of `leg_mm`, the longest; `leg_wll_kg` is the rated load of a leg."""
    m = measures
    title = str(_("Lifting diagram of %(name)s") % {"name": name} if name else _("Lifting diagram"))
    missing = list(lacking(m, (*SIZE, *CENTRE, "lifting_points", *POINTS, "lifting_points_kg")))
    missing += [key for key, value in (("mass", mass_kg), ("sling", leg_mm)) if value is None]
    said = tuple(str(MEASURE_LABELS[key]) for key in missing)
    sling = sling_of(m, mass_kg, leg_mm)
    notes = _notes(m, leg_mm, sling, system)
    if lacking(m, SIZE):
        return LiftingDrawing(title, missing=said, notes=notes)
    scale = _scale(m, sling)
    views = [_side(m, sling, scale, system), _plan(m, sling, scale, system)]
    if m.fork_pocket_spacing_mm and m.fork_pocket_width_mm:
        views.append(_pockets(m, scale, system))
    legs = [_leg_row(n, leg, m, leg_wll_kg, system) for n, leg in enumerate(sling.legs, 1)] if sling else []
    return LiftingDrawing(
        title,
        tuple(views),
        _columns(leg_wll_kg),
        tuple(legs),
        _facts(m, sling, system),
        said,
        notes,
        (str(HANGS_LEVEL), str(MOST_PULL)) if sling else (),
        legs[sling.legs.index(sling.hardest)] if sling else None,
    )


def _notes(m: Measures, leg_mm: float | None, sling: Sling | None, system: System) -> tuple[str, ...]:
    notes = []
    hang = hang_of(m)
    if m.lifting_points is not None and m.lifting_points != LEGS:
        notes.append(
            _("It has %(n)d lifting points; the sling drawn here has four legs.") % {"n": m.lifting_points}
        )
    if hang is not None:
        if hang.half_width_mm <= 0:
            notes.append(
                _("The centre of gravity lies outside the lifting points: it would tip. No sling is drawn.")
            )
        elif hang.half_width_mm < hang.cg_above_mm * CONE_SLOPE - TOLERANCE:
            notes.append(
                _("The centre of gravity lies too high above the lifting points: it could tip in the sling.")
            )
        if leg_mm is not None and leg_mm <= hang.run_mm:
            notes.append(
                _("Legs of %(leg)s do not reach over its centre of gravity, %(run)s away. No sling is drawn.")
                % {"leg": limit_words(leg_mm, "mm", system), "run": need_words(hang.run_mm, "mm", system)}
            )
    if sling is not None and sling.flattest.angle_deg < LEAST_ANGLE_DEG:
        notes.append(
            _("The flattest leg stands at %(angle)s, less than 45°.")
            % {"angle": limit_words(sling.flattest.angle_deg, "deg")}
        )
    return tuple(str(note) for note in notes)


def _columns(leg_wll_kg: float | None) -> tuple[str, ...]:
    columns = [
        _("To the hook line"),
        _("Leg"),
        _("Angle"),
        _("Pull at most"),
        _("Point rated"),
        _("Left of the point"),
    ]
    return tuple(
        str(word) for word in ([*columns, _("Left of the leg")] if leg_wll_kg is not None else columns)
    )


def _leg_row(n: int, leg: Leg, m: Measures, leg_wll_kg: float | None, system: System) -> LegRow:
    unknown = str(_("not known"))
    spares = [
        None if rating is None or leg.tension_kg is None else rating - leg.tension_kg
        for rating in (m.lifting_points_kg, *([leg_wll_kg] if leg_wll_kg is not None else []))
    ]
    cells = (
        need_words(leg.corner.run_mm, "mm", system),
        format_quantity(leg.length_mm, "mm", system),
        limit_words(leg.angle_deg, "deg"),
        need_words(leg.tension_kg, "kg", system) or unknown,
        limit_words(m.lifting_points_kg, "kg", system) or unknown,
        *(spare_words(value, "kg", system) or unknown for value in spares),
    )
    failing = any(value is not None and value < 0 for value in spares)
    return LegRow(f"{n} {CORNER_WORDS[leg.corner.key]}", cells, failing, _columns(leg_wll_kg))


def _facts(m: Measures, sling: Sling | None, system: System) -> tuple[tuple[str, str], ...]:
    said = [
        (_("Hook above the lifting points"), format_quantity(sling.hook_mm if sling else None, "mm", system)),
        (_("Fork pockets, centre to centre"), format_quantity(m.fork_pocket_spacing_mm, "mm", system)),
        (_("Fork pocket, width"), limit_words(m.fork_pocket_width_mm, "mm", system)),
        (_("Load centre for forks"), need_words(m.load_centre_mm, "mm", system)),
    ]
    return tuple((str(label), value) for label, value in said)


def _scale(m: Measures, sling: Sling | None) -> float:
    """Pixels a millimetre, the same for all views."""
    length, width, height = m.length_mm or 1.0, m.width_mm or 1.0, m.height_mm or 1.0
    tall = max(height, (m.point_height_mm or 0.0) + sling.hook_mm) if sling else height
    return min(PLOT_W / length, PLOT_H / tall, PLAN_H / width)


def _frame(height: float, title: str, description: str, inside: SafeString) -> View:
    number = next(_ids)
    body = format_html(
        '<title id="lift{n}-t">{title}</title><desc id="lift{n}-d">{description}</desc>{inside}',
        n=number,
        title=title,
        description=description,
        inside=inside,
    )
    head = format_html(
        '<svg xmlns="http://www.w3.org/2000/svg" class="lift" viewBox="0 0 {w} {h}" role="img" '
        'aria-labelledby="lift{n}-t lift{n}-d">',
        w=f"{WHOLE_W:.0f}",
        h=f"{height:.0f}",
        n=number,
    )
    paper = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WHOLE_W:.0f} {height:.0f}" '
        f'width="{WHOLE_W:.0f}" height="{height:.0f}"><style>{PAPER_INK}</style>{inside}</svg>'
    )
    return View(title, description, head + body + mark_safe("</svg>"), paper)


def _line(kind: str, x1: float, y1: float, x2: float, y2: float) -> SafeString:
    return format_html(
        '<line class="lift__{}" x1="{}" y1="{}" x2="{}" y2="{}"/>', kind, _n(x1), _n(y1), _n(x2), _n(y2)
    )


def _n(value: float) -> str:
    return f"{value:.1f}"


def _text(x: float, y: float, words: str, anchor: str = "middle", *, strong: bool = False) -> SafeString:
    kind = ' class="lift__strong"' if strong else ""
    return format_html(
        '<text x="{}" y="{}" text-anchor="{}"{}>{}</text>', _n(x), _n(y), anchor, mark_safe(kind), words
    )


def _across(x1: float, x2: float, y: float, words: str) -> SafeString:
    """A measure line from left to right with its words below."""
    ticks = [_line("dim", x, y - 4, x, y + 4) for x in (x1, x2)]
    return _join([_line("dim", x1, y, x2, y), *ticks, _text((x1 + x2) / 2, y + 12, words)])


def _upright(y1: float, y2: float, x: float, words: str) -> SafeString:
    """A measure line from top to bottom with its words along it."""
    ticks = [_line("dim", x - 4, y, x + 4, y) for y in (y1, y2)]
    middle = (y1 + y2) / 2
    label = format_html(
        '<text x="{x}" y="{y}" text-anchor="middle" transform="rotate(-90 {x} {y})">{words}</text>',
        x=_n(x - 5),
        y=_n(middle),
        words=words,
    )
    return _join([_line("dim", x, y1, x, y2), *ticks, label])


def _cog(x: float, y: float) -> SafeString:
    return format_html(
        '<circle class="lift__cog" cx="{x}" cy="{y}" r="6"/>'
        '<path class="lift__cog-dark" d="M{x} {y}v-6a6 6 0 0 1 6 6zM{x} {y}v6a6 6 0 0 1-6-6z"/>',
        x=_n(x),
        y=_n(y),
    )


def _point(x: float, y: float) -> SafeString:
    return format_html('<circle class="lift__point" cx="{}" cy="{}" r="3.5"/>', _n(x), _n(y))


def _join(pieces: list[SafeString]) -> SafeString:
    return format_html_join("", "{}", ((piece,) for piece in pieces))


def _side(m: Measures, sling: Sling | None, scale: float, system: System) -> View:
    length, height = m.length_mm or 0.0, m.height_mm or 0.0
    hook_z = (m.point_height_mm or 0.0) + sling.hook_mm if sling else 0.0
    tall = max(height, hook_z) * scale
    left = LEFT + (PLOT_W - length * scale) / 2
    base = TOP + tall

    def x(mm: float) -> float:
        return left + mm * scale

    def y(mm: float) -> float:
        return base - mm * scale

    pieces = [
        format_html(
            '<rect class="lift__body" x="{}" y="{}" width="{}" height="{}"/>',
            _n(x(0)),
            _n(y(height)),
            _n(length * scale),
            _n(height * scale),
        ),
        _across(x(0), x(length), base + 32, need_words(length, "mm", system)),
        _upright(y(height), base, x(length) + 42, need_words(height, "mm", system)),
        _text(x(0) + 4, base - 4, str(_("front")), "start"),
    ]
    told = [
        _("A box of %(l)s by %(h)s from its left side, front to the left.")
        % {"l": need_words(length, "mm", system), "h": need_words(height, "mm", system)}
    ]
    if sling and m.cog_x_mm is not None:
        pieces += _sling_from_the_side(m, sling, x, y, system)
        told.append(
            _("Hook %(hook)s above the lifting points; flattest leg %(angle)s; pull at most %(pull)s.")
            % {
                "hook": format_quantity(sling.hook_mm, "mm", system),
                "angle": limit_words(sling.flattest.angle_deg, "deg"),
                "pull": need_words(sling.hardest.tension_kg, "kg", system) or _("not known"),
            }
        )
    if not lacking(m, POINTS):
        points = (m.point_front_mm or 0.0, (m.point_front_mm or 0.0) + (m.point_length_mm or 0.0))
        pieces += [_point(x(place), y(m.point_height_mm or 0.0)) for place in points]
        pieces.append(
            _upright(
                y(m.point_height_mm or 0.0),
                base,
                x(length) + 21,
                format_quantity(m.point_height_mm, "mm", system),
            )
        )
    if not lacking(m, CENTRE):
        pieces += [
            _across(x(0), x(m.cog_x_mm or 0.0), base + 10, format_quantity(m.cog_x_mm, "mm", system)),
            _upright(y(m.cog_z_mm or 0.0), base, x(0) - 16, need_words(m.cog_z_mm, "mm", system)),
            _cog(x(m.cog_x_mm or 0.0), y(m.cog_z_mm or 0.0)),
        ]
    else:
        told.append(_("The centre of gravity is not known and not drawn."))
    if sling is None:
        told.append(_("No sling is drawn."))
    pieces.append(_metre(scale, base + BOTTOM + 14, system))
    if m.lifting_points_kg is not None:
        rated = _("each point %(kg)s") % {"kg": limit_words(m.lifting_points_kg, "kg", system)}
        pieces.append(_text(WHOLE_W - 8, base + BOTTOM + 18, str(rated), "end"))
    return _frame(base + BOTTOM + 22, str(_("From the left side")), " ".join(map(str, told)), _join(pieces))


def _sling_from_the_side(m: Measures, sling: Sling, x: Place, y: Place, system: System) -> list[SafeString]:
    hook_x, hook_y = x(m.cog_x_mm or 0.0), y((m.point_height_mm or 0.0) + sling.hook_mm)
    pieces = [_line("plumb", hook_x, hook_y, hook_x, y(m.cog_z_mm or 0.0))]
    for end, side, shift in (("front", "end", -6.0), ("rear", "start", 6.0)):
        legs = [leg for leg in sling.legs if leg.corner.key.startswith(end)]
        hardest = max(legs, key=lambda leg: (leg.tension_kg or 0.0, leg.length_mm))
        flattest = min(legs, key=lambda leg: leg.angle_deg)
        at_x, at_y = x(hardest.corner.x_mm), y(m.point_height_mm or 0.0)
        words = [
            format_quantity(max(leg.length_mm for leg in legs), "mm", system),
            limit_words(flattest.angle_deg, "deg"),
            need_words(hardest.tension_kg, "kg", system),
        ]
        pieces.append(_line("leg", at_x, at_y, hook_x, hook_y))
        at = hook_x + (at_x - hook_x) * 0.45 + shift
        level = hook_y + (at_y - hook_y) * 0.40 - 12
        pieces += [
            _text(at, level + 13 * n, word, side, strong=n == 2) for n, word in enumerate(words) if word
        ]
    ring = format_html('<circle class="lift__hook" cx="{}" cy="{}" r="5"/>', _n(hook_x), _n(hook_y - 5))
    return [*pieces, ring, _text(hook_x + 9, hook_y - 4, str(_("hook")), "start")]


def _plan(m: Measures, sling: Sling | None, scale: float, system: System) -> View:
    length, width = m.length_mm or 0.0, m.width_mm or 0.0
    left = LEFT + (PLOT_W - length * scale) / 2
    bottom = TOP + width * scale

    def x(mm: float) -> float:
        return left + mm * scale

    def y(mm: float) -> float:
        return bottom - mm * scale

    pieces = [
        format_html(
            '<rect class="lift__body" x="{}" y="{}" width="{}" height="{}"/>',
            _n(x(0)),
            _n(TOP),
            _n(length * scale),
            _n(width * scale),
        ),
        _upright(TOP, bottom, x(length) + 42, need_words(width, "mm", system)),
        _text(x(0), TOP - 7, str(_("front")), "start"),
        _text(x(length), TOP - 7, str(_("right side")), "end"),
    ]
    told = [
        _("The same box from above, %(w)s wide, front to the left.") % {"w": need_words(width, "mm", system)}
    ]
    hang = hang_of(m)
    if hang is not None and sling is not None and m.cog_x_mm is not None and m.cog_y_mm is not None:
        pieces += [
            _line("leg", x(corner.x_mm), y(corner.y_mm), x(m.cog_x_mm), y(m.cog_y_mm))
            for corner in hang.corners
        ]
    if not lacking(m, POINTS):
        front, across_from = m.point_front_mm or 0.0, m.point_left_mm or 0.0
        along, across = m.point_length_mm or 0.0, m.point_width_mm or 0.0
        corners = [(front + a, across_from + b) for a in (0.0, along) for b in (0.0, across)]
        pieces += [
            _across(x(front), x(front + along), bottom + 10, format_quantity(along, "mm", system)),
            _upright(
                y(across_from), y(across_from + across), x(length) + 21, format_quantity(across, "mm", system)
            ),
            *(_point(x(a), y(b)) for a, b in corners),
            *(
                _text(
                    x(a) + (-8 if a > front else 8),
                    y(b) + 4,
                    str(n),
                    "end" if a > front else "start",
                    strong=True,
                )
                for n, (a, b) in enumerate(corners, 1)
            ),
        ]
        told.append(
            _("Four lifting points, %(l)s by %(w)s apart.")
            % {"l": format_quantity(along, "mm", system), "w": format_quantity(across, "mm", system)}
        )
    else:
        told.append(_("The lifting points are not known and not drawn."))
    if not lacking(m, CENTRE):
        pieces += [
            _upright(y(m.cog_y_mm or 0.0), bottom, x(0) - 16, format_quantity(m.cog_y_mm, "mm", system)),
            _cog(x(m.cog_x_mm or 0.0), y(m.cog_y_mm or 0.0)),
        ]
    return _frame(bottom + 32, str(_("From above")), " ".join(map(str, told)), _join(pieces))


def _pockets(m: Measures, scale: float, system: System) -> View:
    spacing, width = m.fork_pocket_spacing_mm or 0.0, m.fork_pocket_width_mm or 0.0
    middle, base, deep = WHOLE_W / 2, TOP + 6, 8.0
    centres = [middle - spacing * scale / 2, middle + spacing * scale / 2]
    half = width * scale / 2
    reach = min(PLOT_W / 2 + 20, spacing * scale / 2 + half + 26)
    pieces = [
        _line("dim", middle - reach, base, middle + reach, base),
        *(
            format_html(
                '<rect class="lift__pocket" x="{}" y="{}" width="{}" height="{}"/>',
                _n(centre - half),
                _n(base - deep),
                _n(max(2 * half, 1.0)),
                _n(deep),
            )
            for centre in centres
        ),
        _across(centres[0], centres[1], base + 12, format_quantity(spacing, "mm", system)),
        _text(centres[1] + half + 4, base - 6, limit_words(width, "mm", system), "start"),
    ]
    description = POCKETS % {
        "w": limit_words(width, "mm", system),
        "s": format_quantity(spacing, "mm", system),
    }
    return _frame(base + 32, str(_("Fork pockets")), str(description), _join(pieces))


def _metre(scale: float, y: float, system: System) -> SafeString:
    """A scale bar of one metre, or five feet."""
    mm = 1000.0 if system == "si" else 1524.0
    words = "1 m" if system == "si" else "5 ft"
    start = LEFT
    ticks = [_line("dim", place, y - 3, place, y + 3) for place in (start, start + mm * scale)]
    return _join(
        [
            _line("dim", start, y, start + mm * scale, y),
            *ticks,
            _text(start + mm * scale + 6, y + 4, words, "start"),
        ]
    )
