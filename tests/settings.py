"""The project's settings with a throw-away database in a file: an in-memory one cannot show a race."""

import os
import tempfile
from pathlib import Path

os.environ.setdefault("SECRET_KEY", "only-for-tests-" + "x" * 40)
os.environ.setdefault("SECURE", "false")

from restock.web.settings import *  # noqa: F403
from restock.web.settings import DATABASES, STORAGES

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STATIC_ROOT = tempfile.mkdtemp(prefix="evenfill-static-")  # WhiteNoise warns where there is no such folder
STORAGES["staticfiles"] = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}

if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    _folder = tempfile.mkdtemp(prefix="evenfill-test-")
    DATABASES["default"]["TEST"] = {"NAME": str(Path(_folder) / "test.sqlite3")}
