"""The composition root: settings, site map, Celery and server entry points. Nothing outside imports it."""

from .celery import app as celery_app

__all__ = ["celery_app"]
