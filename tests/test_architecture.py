"""The rooms: who may import whom, as the table in pyproject.toml says."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
RUN = "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports(no_cache=True))"


def test_imports_point_downward():
    """An import upward or sideways would tie rooms together that change apart."""
    done = subprocess.run(
        [sys.executable, "-c", RUN],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stdout + done.stderr
