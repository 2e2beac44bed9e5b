"""`duskward backup`: whole copies of the history and the safety journal, while the site runs or not."""

import sys
from pathlib import Path

from bridge.config import load
from bridge.errors import AskedWronglyError, PermanentError
from bridge.history.store import backup as copy_history
from bridge.journal import COPIES, MARKER, whole_copy
from bridge.site.folder import HISTORY, asked_folder


class BackupError(PermanentError):
    """The copies can't be made. `subject`: the file or folder in the way."""


def backup(file: Path, target: Path) -> None:
    """Copy what the site of `file` keeps into the folder `target`; older copies there are replaced.

    Each file is copied whole or not at all. Raises ConfigurationError, AskedWronglyError,
    StoreError, BackupError.
    """
    folder = asked_folder(load(file))
    if target.exists() and not target.is_dir():
        raise AskedWronglyError(f"{target} is a file; name a folder for the copies", subject=str(target))
    if target.resolve() == folder.resolve():
        raise AskedWronglyError("the copies need a folder of their own, not the site's", subject=str(target))
    made = []
    try:
        target.mkdir(mode=0o700, parents=True, exist_ok=True)
        for name in COPIES:
            content = whole_copy(folder / name)
            if content is not None:
                _put(target / name, content)
                made.append(name)
        if made:
            _put(target / MARKER, (folder / MARKER).read_bytes())
    except OSError as error:
        raise BackupError(
            f"the safety journal can't be copied to {target}: {error.strerror}", subject=str(target)
        ) from error
    if (folder / HISTORY).exists():
        copy_history(folder / HISTORY, target / HISTORY)
        made.append(HISTORY)
    if not made:
        raise BackupError(
            f"there is nothing to copy in {folder} yet; run the site first", subject=str(folder)
        )
    size = sum((target / name).stat().st_size for name in made)
    sys.stdout.write(f"{target}: {', '.join(made)} ({size / 1e6:.1f} MB)\n")


def _put(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, readable by its owner only."""
    draft = path.with_name(path.name + ".part")
    draft.touch(mode=0o600)
    draft.write_bytes(content)
    draft.replace(path)
