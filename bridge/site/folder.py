"""Where a site keeps its state on disk."""

import os
from collections.abc import Mapping
from pathlib import Path

from bridge.config import Settings
from bridge.errors import PermanentError

HISTORY = "history.db"
"""The history's file in the state folder."""


def folder_of(settings: Settings, environ: Mapping[str, str]) -> Path:
    """Where journal, history and control socket are.

    As configured; else below what systemd gives ($STATE_DIRECTORY); else below the user's own (XDG base
    directories), by the site's id.
    """
    if settings.site.state_dir is not None:
        return settings.site.state_dir
    if managed := environ.get("STATE_DIRECTORY", "").partition(":")[0]:
        return Path(managed) / settings.site.id
    home = environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return Path(home) / "duskward" / settings.site.id


def asked_folder(settings: Settings) -> Path:
    """The folder of a site that runs already, for whoever asks it; not made: it would be the asker's own."""
    return folder_of(settings, os.environ)


def state_folder(settings: Settings) -> Path:
    """The site's folder, made if it is not there. Raises PermanentError when it can't be made."""
    folder = folder_of(settings, os.environ)
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise PermanentError(
            f"the state folder {folder} can't be made: {error.strerror}; "
            "set site.state_dir to a writable folder",
            subject=str(folder),
        ) from error
    return folder
