"""Bringing a fleet in from a file: what a sheet is (kinds), what it would do (planning), doing it, and undoing it.

The base app owns the engine and its own sheets. Upper apps register theirs in `AppConfig.ready()` through
`kinds.register`, so that the engine never imports them.
"""
