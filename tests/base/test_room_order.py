"""The map of DEVELOPERS.md, proved: no room imports one below it, none imports the dashboard, no cycles."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import spectra

ROOT = Path(spectra.__file__).parent
BASE = {"units", "errors", "atomic", "finding", "cautions", "sweep", "capture", "schemas", "lazy"}
# each room with those it may know besides the base and itself
ROOMS = {
    "signal": set(),
    "readers": set(),
    "plan": set(),
    "simulate": {"signal", "readers", "plan"},
    "measure": {"signal"},
    "identify": {"signal", "measure", "plan"},
    "advice": {"signal", "measure", "plan", "identify"},
    "findings": {"signal", "readers", "plan", "measure", "identify", "advice"},
    "visit": {"signal", "readers", "plan", "measure", "identify", "advice", "findings"},
    "archive": {"signal", "readers", "plan", "measure", "identify", "advice", "findings", "visit"},
    "report": {"signal", "readers", "plan", "measure", "identify", "advice", "findings", "visit", "archive"},
    "cli": {
        *("signal", "readers", "plan", "simulate", "measure", "identify"),
        *("advice", "findings", "visit", "archive", "report"),
    },
}
ALLOWED = {**dict.fromkeys(BASE, BASE), **{room: BASE | known | {room} for room, known in ROOMS.items()}}
FACE = {"__init__", "__main__"}  # the public face points at every room, lazily


def _modules() -> list[Path]:
    return sorted(ROOT.rglob("*.py"))


def _imports(path: Path) -> set[str]:
    """Return the rooms (first name under spectra) and foreign top packages that a module imports anywhere."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            module = node.module or ""
            names = [f"spectra.{alias.name}" for alias in node.names] if module == "spectra" else [module]
        found |= set(names)
    return found


@pytest.mark.parametrize("path", _modules(), ids=lambda p: p.relative_to(ROOT).as_posix())
def test_no_room_imports_one_below_it(path: Path) -> None:
    room = path.relative_to(ROOT).parts[0].removesuffix(".py")
    if room in FACE:
        return
    for name in _imports(path):
        parts = name.split(".")
        assert parts[0] != "dashboard"
        if parts[0] == "spectra" and parts[1:] and not parts[1].startswith("_"):
            assert parts[1] in ALLOWED[room], f"{room} must not know {parts[1]}"


def test_import_of_spectra_is_light() -> None:
    """`import spectra` and the command's help load none of the heavy packages."""
    code = (
        "import sys, spectra, spectra.cli; spectra.cli.main(['--help']); "
        "print([m for m in ('numpy', 'scipy', 'pandas', 'plotly', 'dash') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.splitlines()[-1] == "[]"


def test_public_face_resolves() -> None:
    for name in spectra.__all__:
        assert getattr(spectra, name) is not None
    with pytest.raises(AttributeError):
        _ = spectra.nothing_of_that_name
