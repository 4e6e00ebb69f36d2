"""Letters that tell a true reference from a mistyped one, one of another list, and one of another installation.

They are a keyed hash of what the reference stands for: no secret, and no signature against fraud.
"""

from base64 import b32encode

from django.utils.crypto import salted_hmac

LENGTH = 6  # letters of 5 bits: a wrong reference passes once in 2**30


def check_letters(value: str, *, salt: str = "restock.workbook") -> str:
    """The letters for what `value` says."""
    digest = salted_hmac(salt, value, algorithm="sha256").digest()
    return b32encode(digest).decode("ascii")[:LENGTH]
