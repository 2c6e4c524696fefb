#!/usr/bin/env python
"""The command line of Musterwell."""

from fleet.project.cli import main

if __name__ == "__main__":
    main()
