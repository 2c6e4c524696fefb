"""The Celery application. Brokers carry hints only; the rows of the job table are the truth."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.project.settings")

app = Celery("musterwell")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
