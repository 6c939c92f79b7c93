"""Pages, one module each; a module with a `PAGE` (or `PAGES`) adds itself. See `dashboard`."""
