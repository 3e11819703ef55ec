"""Writing files so that nothing a user had is lost, and no half file bears a final name."""

import hashlib
import os
import re
import secrets
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from ..base.errors import FailedError, InputError
from ..base.platform import on_windows, windows_refuses

Write = Callable[[Path], object]
TEMPORARY = ".hybridopt-"  # beginning of the names of files that are not finished
_FORMULA = re.compile(r"""(^|[,;\t])[\s"']*[=+\-@]""")


def check_target(path: Path, overwrite: bool) -> None:
    """Raise InputError when a file cannot be written there, before the work begins.

    Raises
    ------
    InputError
        The file exists and `overwrite` is not set, it is a link, a folder or a device, its name
        is too long or not allowed on this system, or its folder does not exist or cannot be
        written to.
    """
    if on_windows() and (why := windows_refuses(path.name)):
        raise InputError(f"{path}: Windows allows no such file name: it {why}; give another name")
    if len(os.fsencode(path.name)) > 200:
        raise InputError(f"{path.name[:40]}...: the file name is longer than 200 bytes; shorten it")
    if not path.parent.is_dir():
        raise InputError(f"{path}: the folder {path.parent} does not exist; make it first")
    check_writable(path.parent)
    if path.is_dir():
        raise InputError(f"{path}: is a folder; give a file name")
    if path.is_symlink():
        raise InputError(
            f"{path}: is a link to {os.readlink(path)}; name that file itself, or remove the link"
        )
    if path.exists() and not path.is_file():
        raise InputError(f"{path}: is no ordinary file; give another name")
    if path.exists() and not overwrite:
        raise InputError(f"{path}: exists already; choose another name or allow overwriting")


def check_writable(folder: Path) -> None:
    """Raise InputError unless files can be made in a folder; one without a name is, for a moment.

    Raises
    ------
    InputError
        The system refuses.
    """
    try:
        tempfile.TemporaryFile(dir=folder, prefix=TEMPORARY).close()
    except OSError as error:
        raise InputError(
            f"{folder}: no file can be written there ({error.strerror or error}); choose another "
            "folder, or mend its permissions"
        ) from None


def write_atomically(path: Path, write: Write, overwrite: bool = False) -> None:
    """Call `write` on a temporary file in the same folder, then give it the name `path`.

    Raises
    ------
    InputError
        As :func:`check_target`.
    FailedError
        The system refused (disk full, no permission); nothing is left under the final name.
    """
    write_together([(path, write)], overwrite)


def bytes_writer(content: bytes) -> Write:
    """Return what writes bytes to a path."""
    return lambda out: out.write_bytes(content)


def write_together(targets: Sequence[tuple[Path, Write]], overwrite: bool = False) -> None:
    """Write several files; none gets its final name before all are whole on the disk.

    Raises
    ------
    InputError
        As :func:`check_target`, for any of them; nothing is written then.
    FailedError
        The system refused; the files that were there are as before.
    """
    for path, _ in targets:
        check_target(path, overwrite)
    staged: list[Path] = []
    path = Path()
    try:
        for path, write in targets:
            _stage(path, write, staged)
        for temporary, (path, _) in zip(staged, targets, strict=True):
            _give_name(temporary, path, overwrite)
    except OSError as error:
        raise FailedError(f"{path}: could not be written ({error.strerror or error})") from None
    finally:
        for temporary in staged:
            temporary.unlink(missing_ok=True)


def _stage(path: Path, write: Write, staged: list[Path]) -> None:
    """Write a file under a temporary name beside its own, safe from a loss of power."""
    temporary = path.parent / f"{TEMPORARY}{secrets.token_hex(8)}{path.suffix[:20]}"
    staged.append(temporary)  # before it exists, so that an interrupt leaves nothing over
    os.close(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    write(temporary)
    handle = os.open(temporary, os.O_RDWR)  # Windows flushes only what is open for writing
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _give_name(temporary: Path, path: Path, overwrite: bool) -> None:
    """Rename; without `overwrite`, a file that came in the meantime stays."""
    if overwrite:
        os.replace(temporary, path)
        return
    try:
        os.link(temporary, path)
    except FileExistsError:
        check_target(path, overwrite)
        raise
    except OSError:  # a file system without hard links
        check_target(path, overwrite)
        os.replace(temporary, path)


def file_stem(name: str) -> str:
    """Return a name that is safe as part of a file name on every system.

    Letters, digits and `_ - .` stay, no dot or hyphen in front and no dot at the end, 40
    characters at most. Where that changes the name, or Windows reserves it, a few digits of its
    hash are added, so that different names stay different.
    """
    safe = re.sub(r"[^\w.-]+", "_", name)[:40].lstrip(".-").rstrip(".")
    if safe and safe == name and not windows_refuses(safe):
        return safe
    digest = hashlib.sha256(name.encode(errors="surrogatepass")).hexdigest()[:6]
    return f"{safe[:33].replace('.', '_') or 'unnamed'}-{digest}"


def comment_line(text: str) -> str:
    """Return a `#` line for a CSV file that no spreadsheet takes for more than a comment.

    Control characters become blanks. Where a piece of the text, cut at a separator, would be a
    formula (it begins with = + - or @), the line is one quoted cell.
    """
    line = "# " + "".join(c if c.isprintable() else " " for c in text)
    if _FORMULA.search(line):
        return '"' + line.replace('"', '""') + '"'
    return line
