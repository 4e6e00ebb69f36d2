"""Spreadsheets that were sent in and wait to be applied: files in a private folder, for an hour at most.

Nothing of them goes into the database or a log. A file is found by a long random name that only the session of the
person who sent it knows.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import threading
import time
from pathlib import Path

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile

MOST_SECONDS = 3600
_TOKEN = re.compile(r"[A-Za-z0-9_-]{32}")


def keep(upload: UploadedFile, *, name: str) -> str:
    """Write an upload where only this process's user can read it, as `name`; return its token."""
    sweep()
    token = secrets.token_urlsafe(24)
    folder = _folder() / token
    folder.mkdir(mode=0o700)
    with open(os.open(folder / name, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as kept:
        for chunk in upload.chunks():
            kept.write(chunk)
    # Where nobody comes by again, the process that took the file in takes it away.
    timer = threading.Timer(MOST_SECONDS, forget, args=[token])
    timer.daemon = True
    timer.start()
    return token


def find(token: object) -> Path | None:
    """The file of a token, unless its hour is over or it was applied."""
    sweep()
    if not (isinstance(token, str) and _TOKEN.fullmatch(token)):
        return None
    folder = _folder() / token
    return next(iter(folder.iterdir()), None) if folder.is_dir() else None


def forget(token: object) -> None:
    """Delete the file of a token, if there is one."""
    if isinstance(token, str) and _TOKEN.fullmatch(token):
        shutil.rmtree(_folder() / token, ignore_errors=True)


def sweep() -> None:
    """Delete what is older than its hour, also that of a process that has ended."""
    oldest = time.time() - MOST_SECONDS
    for folder in _folder().iterdir():
        try:
            if folder.stat().st_mtime < oldest:
                shutil.rmtree(folder, ignore_errors=True)
        except FileNotFoundError:  # another process was quicker
            continue


def _folder() -> Path:
    """The private folder. Raises PermissionError where somebody else made it first: it could be read by them."""
    folder = Path(settings.UPLOAD_FOLDER)
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    state = folder.lstat()
    if folder.is_symlink() or state.st_uid != os.getuid() or state.st_mode & 0o077:
        raise PermissionError("UPLOAD_FOLDER must belong to the user of the site and be closed to all others (0700).")
    return folder
