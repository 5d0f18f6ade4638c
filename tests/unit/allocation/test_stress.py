"""The short form of the stress script; the long form is described in the script itself."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.slow
def test_many_processes_and_kills():
    """Eight processes at once, then kills at random moments: whole or absent, one arm each, chain sound."""
    script = Path(__file__).with_name("stress.py")
    done = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    seen = json.loads(done.stdout)
    assert seen["at_once"]["clients"] == 48
    if os.name == "posix":
        assert seen["killed"]["kills"] == 5
        assert seen["killed"]["clients"] >= 5, "every killed process had enrolled at least one client"
