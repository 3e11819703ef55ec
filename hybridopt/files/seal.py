"""A seal behind the end of a file, which shows whether it is as it was written."""

import hashlib

SEAL = b"\nhybridopt sha256 "
SEAL_LENGTH = len(SEAL) + 64


def seal(content: bytes) -> bytes:
    """Return what stands behind the end of a file with this content: its SHA-256."""
    return SEAL + hashlib.sha256(content).hexdigest().encode()


def opened(content: bytes) -> tuple[bytes, str]:
    """Return a file's content without its seal, and what is wrong with the seal, if anything."""
    body, end = content[:-SEAL_LENGTH], content[-SEAL_LENGTH:]
    if end == seal(body):
        return body, ""
    return body, "its seal does not fit" if end.startswith(SEAL) else "it has no seal"
