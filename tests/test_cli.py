"""The command itself: its help."""

from __future__ import annotations

import subprocess
import sys

import pytest

from rehit.cli import COMMANDS, main

HEAVY = ("pandas", "scipy", "sklearn", "statsmodels", "matplotlib", "pyvrp")


def test_help_waits_for_no_large_library() -> None:
    """Someone who asks how a command works should read the answer at once."""
    code = ("import sys, rehit.cli as m; m.build_parser().format_help(); "
            f"print([n for n in {HEAVY!r} if n in sys.modules])")
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"


@pytest.mark.parametrize("name", [module.name for module in COMMANDS])
def test_every_command_explains_itself(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    said = capsys.readouterr().out
    assert said.startswith(f"usage: rehit {name}")
    assert f"rehit {name}" in said.split("Example:")[1]
