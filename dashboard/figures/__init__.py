"""Figures as pure functions: results of the library and a `Look` in, a plotly figure out. No Dash here."""
