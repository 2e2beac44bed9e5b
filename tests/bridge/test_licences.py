"""The licence check of CI can tell what may be used from what may not."""

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

PROGRAM = Path(__file__).parents[2] / ".ci" / "licences.py"


@pytest.mark.parametrize(
    ("text", "right"),
    [
        ("MIT", True),
        ("Apache-2.0 AND MIT", True),
        ("BSD License, Apache Software License", True),
        ("EPL-2.0 OR BSD-3-Clause", True),
        ("LGPL-3.0-or-later", True),
        ("GNU Lesser General Public License v3 or later (LGPLv3+)", True),
        ("MIT OR GPL-3.0-only", True),
        ("GPL-3.0-only", False),
        ("GNU General Public License v2 (GPLv2)", False),
        ("GNU Affero General Public License v3", False),
        ("MIT AND AGPL-3.0-only", False),
        ("not said", False),
        ("Proprietary", False),
    ],
)
def test_what_may_be_used(text: str, right: bool) -> None:
    """Permissive and lesser licences fit, alone or as a choice; strong copyleft and silence do not."""
    spec = importlib.util.spec_from_file_location("licences", PROGRAM)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert module.fits(text) is right


def test_all_that_is_needed_may_be_used() -> None:
    """Every package duskward needs to run has a licence that fits, and the table names it."""
    ended = subprocess.run(
        [sys.executable, str(PROGRAM)], capture_output=True, text=True, timeout=120, check=False
    )
    assert ended.returncode == 0, ended.stderr
    assert "| paho-mqtt |" in ended.stdout
