"""The product's settings with what tests need otherwise. DATABASE_URL and REDIS_URL keep their meaning."""

import os
import tempfile

# Each test run keeps its files to itself; processes that a test starts get a folder of their own.
os.environ.setdefault("MUSTERWELL_DATA_DIR", tempfile.mkdtemp(prefix="musterwell-test-"))
os.environ["DEBUG"] = "1"

from fleet.project.settings import *  # noqa: F403

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
CELERY_TASK_ALWAYS_EAGER = True
CELERY_TASK_EAGER_PROPAGATES = True
AXES_ENABLED = False
