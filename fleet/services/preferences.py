"""A person's own choices. They change no fact of the fleet, so they leave no audit line."""

from fleet.models import User


def preference_set(*, user: User, unit_system: str | None = None, theme: str | None = None) -> None:
    """Saves the choices that are known words; anything else is left as it was."""
    fields = []
    if unit_system in User.Units.values:
        user.unit_system = str(unit_system)
        fields.append("unit_system")
    if theme in User.Theme.values:
        user.theme = str(theme)
        fields.append("theme")
    if fields:
        user.save(update_fields=fields)
