"""Where a site keeps its state on disk."""

import os
from pathlib import Path

from bridge.config import Settings
from bridge.errors import PermanentError

HISTORY = "history.db"
"""The history's file in the state folder."""


def state_folder(settings: Settings) -> Path:
    """The folder of journal, history and control socket; made if it is not there.

    As configured; else what systemd gives; else below the user's state folder. Raises PermanentError when it
    can't be made.
    """
    if settings.site.state_dir is not None:
        folder = Path(settings.site.state_dir)
    elif "STATE_DIRECTORY" in os.environ:
        folder = Path(os.environ["STATE_DIRECTORY"].split(":")[0])
    else:
        base = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
        folder = Path(base) / "duskward" / settings.site.id
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise PermanentError(
            f"the state folder {folder} can't be made: {error.strerror}; "
            "set site.state_dir to a writable folder",
            subject=str(folder),
        ) from error
    return folder
