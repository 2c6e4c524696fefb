"""The product's settings with what tests need otherwise. DATABASE_URL and REDIS_URL keep their meaning."""

import atexit
import os
import shutil
import tempfile
from pathlib import Path

# Each test run keeps its files to itself, and so does each of the processes a run is shared among (`pytest -n`);
# processes that a test starts find the mark of the one they came from and keep the folder they are given.
worker = os.environ.get("PYTEST_XDIST_WORKER", "")
if "MUSTERWELL_DATA_DIR" not in os.environ or os.environ.get("MUSTERWELL_TEST_PROCESS", "") != worker:
    os.environ["MUSTERWELL_DATA_DIR"] = tempfile.mkdtemp(prefix="musterwell-test-")
    os.environ["MUSTERWELL_TEST_PROCESS"] = worker
    atexit.register(shutil.rmtree, os.environ["MUSTERWELL_DATA_DIR"], ignore_errors=True)
os.environ["DEBUG"] = "1"

from fleet.project.settings import *  # noqa: E402, F403
from fleet.project.settings import DATA_DIR, DATABASES  # noqa: E402

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
CELERY_TASK_ALWAYS_EAGER = True
CELERY_TASK_EAGER_PROPAGATES = True
AXES_ENABLED = False

if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    # A file, so that threads and the live server meet the locks they meet in the product.
    DATABASES["default"]["TEST"] = {"NAME": str(Path(DATA_DIR) / "test.sqlite3")}
    DATABASES["default"]["OPTIONS"]["init_command"] += "PRAGMA synchronous=OFF;"
