"""The command line: `manage.py` and the installed `musterwell` script are the same thing."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.project.settings")
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)
