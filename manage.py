#!/usr/bin/env python
"""Evenfill's command line: `manage.py help` lists the commands."""

import os
import sys

if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "restock.web.settings")
    from restock.management.running import run

    sys.exit(run(sys.argv))
