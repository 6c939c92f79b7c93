"""Migrations of the archive, oldest first; shipped with the package, run when an older archive is opened."""
