"""``sweepmuster simulate``: make sweeps from a scene."""

from __future__ import annotations

import argparse
from pathlib import Path

from spectra.cli.console import say
from spectra.units import counted


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("scene", metavar="SCENE.toml", help="what is on air and how it is swept")
    parser.add_argument("--out", required=True, metavar="DIR", help="folder for the sweeps and their sidecars")
    parser.add_argument("--truth", action="store_true", help="also write what was put in, as JSON beside each sweep")


def execute(arguments: argparse.Namespace) -> int:
    """Write the sweeps and name them."""
    from spectra.simulate import simulate

    paths = simulate(Path(arguments.scene), Path(arguments.out), truth=arguments.truth)
    for path in paths:
        print(path)
    say(f"{counted(len(paths), 'file')} written to {arguments.out}")
    return 0
