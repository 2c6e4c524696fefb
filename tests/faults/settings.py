"""The product's own settings for the processes that get killed, with one more app that brings a kind to try."""

from fleet.project.settings import *  # noqa: F403
from fleet.project.settings import CELERY_BEAT_SCHEDULE, INSTALLED_APPS

INSTALLED_APPS = [*INSTALLED_APPS, "tests.faults.trial"]
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
CELERY_BEAT_SCHEDULE = {
    name: {**CELERY_BEAT_SCHEDULE[name], "schedule": 1.0} for name in ("requeue-jobs", "judge-lost")
}
