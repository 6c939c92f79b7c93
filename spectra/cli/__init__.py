"""The command line: thin, one module a command, nothing imported that the command at hand does not need.

Exit codes: 0 done, whatever the verdict; 1 a failing answer (only with ``--check`` and from commands that are checks);
2 usage, or any input that could not be used; 130 interrupted. Results go to stdout, words and progress to stderr.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module

from spectra import __version__
from spectra.cli.commands import COMMANDS, outside_commands
from spectra.errors import SpectraError

__all__ = ["main", "run"]

_INTERRUPTED = 130


def run() -> None:
    """Run as a console script."""
    sys.exit(main())


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code.

    Parameters
    ----------
    argv : sequence of str or None
        The words after the program's name; None takes those of the process.
    """
    words = list(sys.argv[1:] if argv is None else argv)
    _speak_utf8()
    _one_thread()
    try:
        return _dispatch(words)
    except SpectraError as problem:
        print(problem, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        return _INTERRUPTED
    except BrokenPipeError:
        # the reader of our output has gone; nothing more can be said, and the interpreter must not try at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return 0


def _dispatch(words: list[str]) -> int:
    if not words or words[0] in ("-h", "--help"):
        print(_overview())
        return 0 if words else 2
    if words[0] == "--version":
        print(f"sweepmuster {__version__}")
        return 0
    name = words[0]
    home = COMMANDS[name].home if name in COMMANDS else outside_commands().get(name)
    if home is None:
        known = ", ".join(COMMANDS)
        print(f"sweepmuster: found command {name!r}; expected one of {known}. See sweepmuster --help.", file=sys.stderr)
        return 2
    module = import_module(home)
    about = COMMANDS[name].about if name in COMMANDS else (module.__doc__ or "").partition("\n")[0].rstrip(".")
    parser = argparse.ArgumentParser(
        prog=f"sweepmuster {name}",
        description=about[:1].upper() + about[1:] + ".",
        epilog=getattr(module, "EPILOG", None),
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    module.add_arguments(parser)
    try:
        for word in words:
            if word.startswith("--") and word.endswith("=--"):  # argparse would make an empty list of it
                parser.error(f"option {word[:-3]} has no value")
        arguments = parser.parse_args(words[1:])
    except SystemExit as stop:  # argparse leaves this way for --help (0) and for bad usage (2)
        return int(stop.code or 0)
    code: int = module.execute(arguments)
    return code


def _overview() -> str:
    lines = [
        "usage: sweepmuster COMMAND ...",
        "",
        "From saved analyser sweeps at the receive IF: which satellite and polarisation, where the LNB's oscillator",
        "is, and what does not belong in the band.",
        "",
        "commands:",
        *(f"  {name:<11} {command.about}" for name, command in COMMANDS.items()),
    ]
    lines += [f"  {name:<11} {_about(home)}" for name, home in sorted(outside_commands().items())]
    lines += ["", "sweepmuster COMMAND --help tells the options; sweepmuster --version the version."]
    return "\n".join(lines)


def _about(home: str) -> str:
    """Return the first line of a module's words without running the module."""
    import ast
    from importlib.util import find_spec
    from pathlib import Path

    try:
        spec = find_spec(home)
        text = "" if spec is None or spec.origin is None else Path(spec.origin).read_text(encoding="utf-8")
        said = ast.get_docstring(ast.parse(text)) or ""
    except (ImportError, OSError, SyntaxError, UnicodeDecodeError):
        said = ""
    return said.partition("\n")[0].rstrip(".") or "(added by another package)"


def _one_thread() -> None:
    # The matrices here are small: threads inside linear algebra cost more than they give, and many times more on a
    # busy machine. Takes effect where numpy is not loaded yet; who sets these already, knows better.
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def _speak_utf8() -> None:
    # Windows pipes default to a code page that lacks the signs we print
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            if stream.isatty():
                reconfigure(errors="replace")
            else:
                reconfigure(encoding="utf-8")
