"""Writing files so that nothing a user had is lost, and no half file bears a final name."""

import contextlib
import hashlib
import os
import re
import secrets
import tempfile
import warnings
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from ..base.errors import FailedError, InputError
from ..base.platform import on_windows, windows_refuses
from ..base.warning import InputWarning
from .locking import LOCK_FILE, locked_folder

Write = Callable[[Path], object]
TEMPORARY = ".hybridopt-"  # beginning of the names of folders of files that are not finished
WHOLE = ".whole"  # in such a folder: all files in it are whole, and are being named
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


def write_atomically(path: Path, write: Write, overwrite: bool = False, sweep: bool = True) -> None:
    """Call `write` on a temporary file in the same folder, then give it the name `path`.

    Without `sweep`, what killed runs left in the folder is not looked for.

    Raises
    ------
    InputError
        As :func:`check_target`.
    FailedError
        The system refused (disk full, no permission); nothing is left under the final name.
    """
    check_target(path, overwrite)
    if sweep:
        finish_cut_short(path.parent)
    _write([(path, write)], overwrite)


def bytes_writer(content: bytes) -> Write:
    """Return what writes bytes to a path."""
    return lambda out: out.write_bytes(content)


def write_together(targets: Sequence[tuple[Path, Write]], overwrite: bool = False) -> None:
    """Write several files; none gets its final name before all are whole on the disk.

    They are named in one go. Where a kill cuts that short, readers say so and the next run that
    writes into the folder finishes it; see :func:`tell_cut_short` and :func:`finish_cut_short`.

    Raises
    ------
    InputError
        As :func:`check_target`, for any of them; nothing is written then.
    FailedError
        The system refused; the files that were there are as before.
    """
    for path, _ in targets:
        check_target(path, overwrite)
    for folder in {path.parent for path, _ in targets}:
        finish_cut_short(folder)
    _write(targets, overwrite)


def finish_cut_short(folder: Path) -> None:
    """Do what killed runs left undone in a folder: name files that were all whole, remove others.

    Files that get their names here are told in an InputWarning.
    """
    if not folder.is_dir():
        return
    for staging in folder.glob(f"{TEMPORARY}*"):
        try:
            with locked_folder(staging):
                named = _name_whole(staging, folder)
        except (FailedError, OSError):  # of a run that is at work, or not ours to touch
            continue
        _remove(staging)
        if named:
            message = (
                f"{folder}: an earlier run was killed while it named its files, so that files of "
                f"different runs may have stood side by side; done now: {', '.join(named)}"
            )
            warnings.warn(message, InputWarning, stacklevel=2)


def _name_whole(staging: Path, folder: Path) -> list[str]:
    """Give files their names if all of them were whole; return the names."""
    marker, named = staging / WHOLE, []
    if not marker.exists():
        return []
    overwrite = marker.read_bytes() == b"overwrite"
    for file in sorted(staging.iterdir()):
        if file.name not in (WHOLE, LOCK_FILE) and (overwrite or not (folder / file.name).exists()):
            os.replace(file, folder / file.name)
            named.append(file.name)
    return named


def tell_cut_short(folder: Path) -> None:
    """Say in an InputWarning where a killed run left files of different runs side by side.

    For readers, which change nothing: the next run that writes into the folder finishes it.
    """
    for marker in folder.glob(f"{TEMPORARY}*/{WHOLE}"):
        with contextlib.suppress(FailedError, OSError), locked_folder(marker.parent):
            files = [f for f in marker.parent.iterdir() if f.name not in (WHOLE, LOCK_FILE)]
            late = sorted(file.name for file in files if not _is_named(file, folder))
            if late:
                message = (
                    f"{folder}: a run was killed while it named its files, so that files of "
                    f"different runs may stand side by side; of it are missing {', '.join(late)}; "
                    "write there again, which puts them in place"
                )
                warnings.warn(message, InputWarning, stacklevel=2)


def _is_named(file: Path, folder: Path) -> bool:
    """Return whether a file has its name beside the one in its folder of unfinished files."""
    name = folder / file.name
    return name.exists() and name.samefile(file)


def _write(targets: Sequence[tuple[Path, Write]], overwrite: bool) -> None:
    """Write files in a folder beside their names, then rename them in one go."""
    path = Path()
    with contextlib.ExitStack() as stack:
        try:
            staged: dict[Path, Path] = {}
            for path, write in targets:
                if path.parent not in staged:
                    staged[path.parent] = stack.enter_context(_staging(path.parent))
                _stage(staged[path.parent] / path.name, write)
            if len(targets) > 1:
                for folder in staged.values():
                    _stage(folder / WHOLE, bytes_writer(b"overwrite" if overwrite else b"new"))
                    _flush(folder)
            try:
                for path, _ in targets:
                    _give_name(staged[path.parent] / path.name, path, overwrite)
            except KeyboardInterrupt:
                for folder, staging in staged.items():
                    _name_whole(staging, folder)
                raise
            for folder in staged:
                _flush(folder)
        except OSError as error:
            raise FailedError(f"{path}: could not be written ({error.strerror or error})") from None


@contextlib.contextmanager
def _staging(folder: Path) -> Iterator[Path]:
    """Give a new folder for files that are not finished, locked to show that its run is alive."""
    staging = folder / f"{TEMPORARY}{secrets.token_hex(8)}"
    try:
        with contextlib.ExitStack() as lock:
            while not staging.is_dir():  # or another run took it for a dead one's
                staging.mkdir()
                with contextlib.suppress(FailedError):  # a file system without locks
                    lock.enter_context(locked_folder(staging))
            try:
                yield staging
            finally:
                (staging / WHOLE).unlink(missing_ok=True)  # the names are given, or never will be
    finally:
        _remove(staging)


def _remove(staging: Path) -> None:
    """Remove a folder of unfinished files; what the system refuses stays."""
    with contextlib.suppress(OSError):
        for file in staging.iterdir():
            file.unlink(missing_ok=True)
        staging.rmdir()


def _stage(path: Path, write: Write) -> None:
    """Write a file and flush it to the disk."""
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    write(path)
    handle = os.open(path, os.O_RDWR)  # Windows flushes only what is open for writing
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _flush(folder: Path) -> None:
    """Flush the names in a folder to the disk, where the system offers it."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
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
