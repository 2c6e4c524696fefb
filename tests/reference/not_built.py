"""Kinds of cases that no function answers yet. A kind leaves this list in the change that builds it."""

NOT_BUILT: dict[str, frozenset[str]] = {}
