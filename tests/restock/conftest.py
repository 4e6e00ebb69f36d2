"""For tests of work that takes seconds."""

import pytest
from django.db import connection


@pytest.fixture
def leaves_others_free(monkeypatch):
    """leaves_others_free("module.name"): that function must run, and never inside a transaction.

    On SQLite a transaction keeps everybody else from writing. For tests with `transaction=True`.
    """
    called = []

    def watch(path):
        module, name = path.rsplit(".", 1)
        plain = getattr(__import__(module, fromlist=[name]), name)

        def watched(*args, **kwargs):
            called.append(path)
            assert not connection.in_atomic_block, f"{path} ran while a transaction was open"
            return plain(*args, **kwargs)

        monkeypatch.setattr(path, watched)

    yield watch
    assert called
