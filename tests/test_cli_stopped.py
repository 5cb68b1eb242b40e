"""A run that is told to end leaves nothing half done."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import rehit

RUN = """
import argparse, time
from pathlib import Path
from rehit import cli
from rehit.files.writing import staged_folder

def work(_args):
    with staged_folder(Path("out")) as stage:
        (stage / "a.txt").write_text("half")
        print("begun", flush=True)
        time.sleep(60)

cli._parsed = lambda *_given, **_named: argparse.Namespace(run=work)
raise SystemExit(cli.main(["clean"]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows ends a process without asking it")
def test_a_run_that_is_terminated_takes_back_what_it_began(tmp_path: Path) -> None:
    found = {**os.environ, "PYTHONPATH": str(Path(rehit.__file__).parents[1])}
    with subprocess.Popen([sys.executable, "-c", RUN], cwd=tmp_path, text=True, env=found,
                          stdout=subprocess.PIPE, stderr=subprocess.PIPE) as run:
        assert run.stdout is not None
        assert run.stdout.readline() == "begun\n"
        run.terminate()
        _, said = run.communicate(timeout=30)
    assert run.returncode == 130
    assert "Traceback" not in said
    assert list(tmp_path.iterdir()) == []
