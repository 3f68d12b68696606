"""Inputs led by coverage through every reader and decoder; an hour of it is a campaign.

``python -m tests.campaigns guided --minutes 60``
"""

import importlib.util
import os
import subprocess
import sys
from typing import Final

import pytest

from tests.campaigns import minutes

FEW: Final = ["messages", ".eml", ".xlsx", "--inputs", "200"]


@pytest.mark.slow
@pytest.mark.skipif(
    importlib.util.find_spec("atheris") is None, reason="atheris has no wheel for this machine"
)
def test_coverage_leads_to_no_fault_hang_or_growth() -> None:
    """A few of three kinds, so that the campaign itself does not rust; in processes of its own."""
    asked = ["--minutes", str(minutes())] if minutes() else FEW
    ended = subprocess.run(
        [sys.executable, "-m", "tests.faults.guided", *asked],
        check=False,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )
    assert ended.returncode == 0
