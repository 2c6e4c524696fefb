"""Forms of the stores, by subject."""
