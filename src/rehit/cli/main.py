"""The `rehit` command: parse, call the pipeline, say what came of it."""

from __future__ import annotations

import argparse
import json
import os
import sys
import traceback
import warnings
from collections.abc import Sequence
from types import ModuleType

from rehit import __version__
from rehit.cli import (
    clean,
    compare,
    demo,
    evaluate,
    hotspots,
    new,
    patrol,
    price,
    programme,
    report,
)
from rehit.errors import DataWarning, RehitError

COMMANDS: tuple[ModuleType, ...] = (
    demo, new, clean, hotspots, compare, programme, price, patrol, evaluate, report)
DESCRIPTION = """\
rehit finds the walls that are marked with graffiti again and again, and works out what to do
about each of them and what that costs.

Start with the invented town:        rehit demo
Then set up a folder for your log:   rehit new my_town --log my_log.csv
and make the report:                 rehit report my_town
"""


def build_parser() -> argparse.ArgumentParser:
    """Return the parser with all commands on it."""
    parser = argparse.ArgumentParser(
        prog="rehit", description=DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog="Each command explains itself: rehit COMMAND --help")
    parser.add_argument("--version", action="version", version=f"rehit {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for module in COMMANDS:
        name = module.__name__.rpartition(".")[2]
        sub = commands.add_parser(
            name, help=module.HELP, description=module.DESCRIPTION,
            epilog=f"Example:\n  {module.EXAMPLE}",
            formatter_class=argparse.RawDescriptionHelpFormatter)
        module.add_arguments(sub)
        sub.add_argument("--json", action="store_true",
                         help="print a machine-readable summary instead of sentences")
        sub.set_defaults(run=module.run)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status.

    Returns
    -------
    int
        0 when done, 2 for input that cannot be used, 1 for a fault of rehit itself.
    """
    args = build_parser().parse_args(arguments)
    try:
        with warnings.catch_warnings():
            warnings.showwarning = _show_warning
            warnings.simplefilter("ignore")
            warnings.simplefilter("always", DataWarning)
            summary, lines = args.run(args)
    except RehitError as error:
        print(f"rehit: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("rehit: stopped; nothing was written.", file=sys.stderr)
        return 130
    except Exception as error:
        return _own_fault(error)
    _say(summary, lines, as_json=args.json)
    return 0


def _say(summary: dict[str, object], lines: Sequence[str], *, as_json: bool) -> None:
    try:
        if as_json:
            print(json.dumps(summary, indent=2, ensure_ascii=False, default=str))
        else:
            print("\n".join(lines))
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader (such as `head`) has gone: there is nobody left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _own_fault(error: Exception) -> int:
    """Tell the user that rehit, not they, went wrong; show the traceback only when asked."""
    if os.environ.get("REHIT_TRACE"):
        traceback.print_exc()
    print(f"rehit: a fault in rehit itself, not in your files ({type(error).__name__}: {error}).\n"
          "Nothing was written. To report it, run the command again with the environment "
          "variable REHIT_TRACE=1 and pass on what it prints.", file=sys.stderr)
    return 1


def _show_warning(message: Warning | str, *_args: object, **_options: object) -> None:
    print(f"rehit: note: {message}", file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
