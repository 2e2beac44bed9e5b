"""All of these hurt a broker of their own: a program that may be killed, frozen and started again."""

from pathlib import Path

import pytest
from support import mosquitto_program

_HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip this folder, and say why, where no mosquitto program is installed."""
    if mosquitto_program() is None:
        for item in items:
            if item.path.is_relative_to(_HERE):
                item.add_marker(pytest.mark.skip(reason="needs a mosquitto program that may be killed"))
