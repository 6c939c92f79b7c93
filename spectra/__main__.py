"""``python -m spectra``: the same program as ``sweepmuster``."""

from spectra.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
