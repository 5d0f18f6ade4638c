"""Commands as a person types them, in this process."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from studykit.cli import main


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Exit code, output and messages of one command; never a traceback."""

    def _run(*words: object) -> tuple[int, str, str]:
        code = main([str(word) for word in words])
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return code, out, err

    return _run
